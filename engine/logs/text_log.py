"""A text log as columns of numbers: finds the time, yields pieces in bounded memory."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from collections.abc import Mapping as AbcMapping
from pathlib import Path

import numpy as np

from engine.logs.csv_blocks import Block, Notes, Progress, parse, text_blocks
from engine.logs.errors import LogError
from engine.logs.layout import Caveat, Column, Layout, shown_name
from engine.logs.mapping import ColumnMapping, Mapping
from engine.logs.naming import TIME, fold_name, split_unit
from engine.logs.raw import Piece, RawColumn
from engine.logs.sniffing import (
    CLOCK,
    HEAD_BYTES,
    TextForm,
    cells_of,
    decode_head,
    lines_of,
    refuse_what_is_no_text_log,
    sniff,
)
from engine.logs.stretch import Floats

FIRST_BLOCK_BYTES = 4 * 1024 * 1024
TIME_UNITS = {
    "s": 1.0,
    "sec": 1.0,
    "secs": 1.0,
    "seconds": 1.0,
    "ms": 1e-3,
    "msec": 1e-3,
    "millis": 1e-3,
    "us": 1e-6,
    "µs": 1e-6,
    "ns": 1e-9,
    "min": 60.0,
    "h": 3600.0,
}
BY_STEP = (("ns", 1e-9, 4e6), ("us", 1e-6, 4e3), ("ms", 1e-3, 4.0), ("s", 1.0, -np.inf))
"""What a column of times without a unit counts in, by the least size of its usual step.

No log worth reading has a sample every 4 s, and few have more than 250 in a second.
"""
CLOCK_UNIT = "clock"
"""What stands for the unit of times such as 1:02:03.4."""
TIME_WORDS = frozenset({"time", "zeit", "timestamp", "temps", "tempo", "tiempo"})

Names = AbcMapping[str, str]
Said = AbcMapping[str, ColumnMapping]


class TextLog:
    """A text log, its head read and its form known.

    `known` are the folded names of all channels with their short ids.
    """

    def __init__(
        self,
        path: Path,
        mapping: Mapping | None,
        known: Names,
        most_bytes: int,
        progress: Progress | None,
    ) -> None:
        self._path, self._most_bytes, self._progress = path, most_bytes, progress
        self._notes = Notes()
        with path.open("rb") as stream:
            head = stream.read(HEAD_BYTES)
        refuse_what_is_no_text_log(head)
        time_names = frozenset(name for name, channel in known.items() if channel == TIME)
        self.form: TextForm = sniff(head, mapping, path.stat().st_size <= len(head), time_names)
        self.columns: Sequence[RawColumn] = [
            RawColumn(name, unit.strip().strip("[]()"))
            for name, unit in zip(self.form.written, self.form.units, strict=True)
        ]
        text, _ = decode_head(head)
        rows = lines_of(text)[self.form.first_data_line - 1 :][:50]
        told = {column.column: column for column in mapping.columns} if mapping else {}
        self.time_column = self._find_time(known, told)
        self._told = told.get(shown_name(self.form.names[self.time_column]))
        cells = [cells_of(row, self.form.delimiter) for row in rows]
        times = [row[self.time_column].strip() for row in cells if self.time_column < len(row)]
        self._clock = any(CLOCK.match(cell) for cell in times)
        self._head = self._read_head()
        self.time_note: str | None = None
        self.time_unit, self._scale = (CLOCK_UNIT, 1.0) if self._clock else self._time_scale()

    def layout(self) -> Layout:
        """Return the form of the file, its columns not yet told."""
        return Layout(
            format="csv",
            encoding=self.form.encoding,
            delimiter=self.form.delimiter,
            decimal=self.form.decimal,
            header_line=self.form.header_line,
            units_line=self.form.units_line,
            first_data_line=self.form.first_data_line,
            columns=[Column(name=shown_name(name), written_unit="") for name in self.form.names],
        )

    def head(self, wanted: Sequence[int]) -> Piece:
        """Return the first rows with every column."""
        return self._piece(self._head)

    def caveats(self) -> list[Caveat]:
        """Return what to mind about the file, as far as it was read."""
        if not self._notes.last_line_cut:
            return []
        text = "the last line has no end, so that it may be cut off; it is left out"
        return [Caveat(code="last_line_cut", text=text)]

    def pieces(self, wanted: Sequence[int]) -> Iterator[Piece]:
        """Yield all rows with the wanted columns."""
        numbers = sorted({*wanted, *([] if self._clock else [self.time_column])})
        clock = self.time_column if self._clock else None
        for text in text_blocks(self._path, self.form, self._most_bytes, self._progress, self._notes):
            yield self._piece(parse(text, self.form, numbers, clock))

    def _piece(self, block: Block) -> Piece:
        times = block.clock if self._clock else block.columns[self.time_column]
        assert times is not None
        untimed = np.isnan(times)
        if untimed.any():
            # Lines that hold nothing at all are no samples without a time.
            kept = ~untimed
            for values in block.columns.values():
                kept |= ~np.isnan(values)
            times = times[kept]
            columns = {i: values[kept] for i, values in block.columns.items()}
            return Piece(times * self._scale, columns, block.unreadable)
        return Piece(times * self._scale, block.columns, block.unreadable)

    def _read_head(self) -> Block:
        blocks = text_blocks(self._path, self.form, self._most_bytes, None, block_bytes=FIRST_BLOCK_BYTES)
        text = next(blocks, b"\n")
        numbers = [i for i in range(len(self.columns)) if not (self._clock and i == self.time_column)]
        return parse(text, self.form, numbers, self.time_column if self._clock else None)

    def _find_time(self, known: Names, told: Said) -> int:
        """Return the column of the time: as told, by its name, or by the first or last word of that."""
        for i, name in enumerate(self.form.names):
            said = told.get(shown_name(name))
            if said is not None and said.channel == TIME:
                return i
        folded = [fold_name(split_unit(column.name).name) for column in self.columns]
        for i, column in enumerate(self.columns):
            if TIME in (known.get(folded[i]), known.get(fold_name(column.name))):
                return i
        for i, name in enumerate(folded):
            words = name.split()
            if words and name not in known and {words[0], words[-1]} & TIME_WORDS:
                return i
        shown = ", ".join(shown_name(column.name) for column in self.columns[:8])
        message = f"no column of the file is called time or the like; it has {shown}"
        accepted = (
            "a column called time, in s, ms or as a clock",
            "a mapping that says which column is the time",
        )
        raise LogError("no_time", message, accepted)

    def _time_scale(self) -> tuple[str, float]:
        """Return the unit of the time column and its size in seconds."""
        column, told = self.columns[self.time_column], self._told
        by = told.scale if told is not None and told.scale is not None else 1.0
        written = column.unit or split_unit(column.name).unit
        unit = (told.unit if told is not None and told.unit else written).strip().lower()
        if unit in TIME_UNITS:
            return unit, TIME_UNITS[unit] * by
        if fold_name(column.name) in ("seconds", "sekunden", "secondes", "secondi", "segundos"):
            return "s", by
        usual = _usual_step(self._head.columns[self.time_column] * by)
        unit, scale = next((unit, scale) for unit, scale, least in BY_STEP if usual >= least)
        self.time_note = f"the time has no unit; by its steps it is taken to be in {unit}"
        return unit, scale * by


def _usual_step(times: Floats) -> float:
    steps = np.diff(times[~np.isnan(times)])
    steps = steps[steps > 0]
    return float(np.median(steps)) if steps.size else 0.0
