"""Reads a log file: says what its columns are, and gives it out in stretches on an even time base."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from engine.loading import KnowledgeSource
from engine.logs.csv_blocks import Progress
from engine.logs.cutting import Cutter
from engine.logs.errors import LogError
from engine.logs.identify import Identified, candidates, identify
from engine.logs.layout import Caveat, Layout, Question
from engine.logs.mapping import MOST_UNIT, ColumnMapping, Mapping
from engine.logs.mapping_check import check_mapping
from engine.logs.mdf_log import MdfLog
from engine.logs.naming import PREFIX, names_of
from engine.logs.plausibility import Watch
from engine.logs.raw import Piece, RawLog
from engine.logs.resample import even, step_of
from engine.logs.sniffing import MDF_MARKS
from engine.logs.stretch import Floats, Stretch
from engine.logs.text_log import TextLog

__all__ = ["Caveat", "LogReader", "Question", "ReadLimits", "read_log"]

LEAST_SAMPLES = 20
STOICHIOMETRIC_RATIO = 14.7


@dataclass(frozen=True)
class ReadLimits:
    """How large a log may be: bytes, and lines of numbers."""

    most_bytes: int = 20_000_000_000
    most_rows: int = 200_000_000


def read_log(
    path: Path,
    source: KnowledgeSource,
    mapping: Mapping | None = None,
    progress: Progress | None = None,
    limits: ReadLimits | None = None,
) -> LogReader:
    """Return a reader of the log at `path`, its head read and its columns told.

    `progress` is told the bytes read and in all. Raises `LogError` for what is no log, and `InputError` for a
    mapping that does not fit it.
    """
    limits = limits or ReadLimits()
    with path.open("rb") as stream:
        mark = stream.read(8)
    raw: RawLog
    if mark in MDF_MARKS:
        raw = MdfLog(path, limits.most_bytes, progress)
    else:
        raw = TextLog(path, mapping, names_of(source.channels), limits.most_bytes, progress)
    return LogReader(raw, source, mapping, limits)


class LogReader:
    """One log. `stretches` may be asked for once; `caveats` are whole when all of them were given out."""

    def __init__(
        self, raw: RawLog, source: KnowledgeSource, mapping: Mapping | None, limits: ReadLimits
    ) -> None:
        self._raw, self._limits = raw, limits
        self._source = source
        self._mapping = mapping
        self._ratio = (mapping.stoichiometric_ratio if mapping else None) or STOICHIOMETRIC_RATIO
        check_mapping(mapping, source, [column.name for column in raw.layout().columns])
        self._head = raw.head(candidates(raw, source.channels, mapping))
        self._known: Identified = identify(raw, source.channels, self._head, mapping)
        self.questions: list[Question] = list(self._known.questions)
        self._said: list[Caveat] = list(self._known.caveats)
        if raw.time_note:
            self._said.append(Caveat(code="time_unit_assumed", text=raw.time_note, channel="time"))
        self._watch = Watch(source.channels)
        self._step_s = step_of(_rising(self._head.times))
        self._cutter = Cutter(self._step_s)
        if not self._known.used and not self.questions:
            names = ", ".join(column.name for column in self.layout.columns[:8])
            raise LogError(
                "no_known_channel",
                f"no column is known; the file has {names}",
                ("names in kb/channels.yaml, or a mapping that says what the columns are",),
            )

    @property
    def layout(self) -> Layout:
        """How the file was understood."""
        return self._raw.layout().model_copy(update={"columns": self._known.columns})

    @property
    def caveats(self) -> list[Caveat]:
        """What to mind, as far as the log was read."""
        told = [*self._raw.caveats(), *self._cutter.caveats(), *self._watch.caveats()]
        return [*self._said, *told]

    def mapping(self) -> Mapping:
        """Return what the columns were taken for, to correct and save."""
        given = {column.column: column for column in (self._mapping.columns if self._mapping else ())}
        layout = self.layout
        columns = []
        for column in layout.columns:
            before = given.get(column.name)
            columns.append(
                ColumnMapping(
                    column=column.name,
                    channel=column.channel,
                    unit=column.unit[:MOST_UNIT] if column.unit else None,
                    reference=column.reference,
                    scale=before.scale if before else None,
                    offset=before.offset if before else None,
                )
            )
        return Mapping(
            columns=columns,
            delimiter=layout.delimiter if layout.delimiter in (",", ";", "\t", "|") else None,
            decimal="," if layout.decimal == "," else "." if layout.decimal else None,
            header_line=layout.header_line,
            stoichiometric_ratio=self._mapping.stoichiometric_ratio if self._mapping else None,
        )

    def stretches(self) -> Iterator[Stretch]:
        """Yield the log in stretches, each with all channels that are known.

        Raises `LogError` for a log whose time stands still, or with too few samples to say anything.
        """
        step = self._step_s
        given = rows = 0
        wanted = sorted(self._known.used)
        for piece in self._raw.pieces(wanted):
            rows += piece.times.size
            if rows > self._limits.most_rows:
                most = self._limits.most_rows
                raise LogError(
                    "too_large", f"the file has more than {most} lines of numbers; {most} are taken"
                )
            self._watch.unreadable += piece.unreadable
            for times, columns in self._cutter.take(piece.times, self._converted(piece)):
                if times.size >= 2:
                    given += times.size
                    yield self._watched(even(times, columns, step))
        for times, columns in self._cutter.rest():
            if times.size >= 2:
                given += times.size
                yield self._watched(even(times, columns, step))
        if given < LEAST_SAMPLES:
            self._refuse(given)

    def _refuse(self, given: int) -> None:
        if self._cutter.rows and not self._cutter.timed:
            raise LogError("no_time", "the time column holds no times", ("s, ms, or a clock as 12:34:56.7",))
        message = f"only {given} samples with a rising time and no long hole are found"
        still = self._cutter.timed >= LEAST_SAMPLES
        raise LogError(
            "time_stands_still" if still else "too_short", f"{message}; {LEAST_SAMPLES} are needed"
        )

    def _watched(self, stretch: Stretch) -> Stretch:
        self._watch.look(stretch)
        return stretch

    def _converted(self, piece: Piece) -> dict[str, Floats]:
        """Return the channels of a piece in their kept units; what is not credible is NaN and counted."""
        converted: dict[str, Floats] = {}
        for index, use in self._known.used.items():
            values = piece.columns[index] * use.scale + use.offset
            channel = self._source.channels[PREFIX + use.channel]
            converted[use.channel] = self._watch.credible(use.channel, channel, values)
        for ratio, plain in (("air_fuel_ratio", "lambda"), ("air_fuel_ratio_target", "lambda_target")):
            if ratio in converted:
                as_lambda = converted.pop(ratio) / self._ratio
                if plain in converted:
                    self._watch.compare(plain, converted[plain], as_lambda)
                else:
                    converted[plain] = as_lambda
                    self._watch.ratio_used = self._ratio
        return converted


def _rising(times: Floats) -> Floats:
    known = times[~np.isnan(times)]
    return known[np.concatenate(([True], np.diff(known) > 0))] if known.size else known
