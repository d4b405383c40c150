"""A text log as columns of numbers: finds the time, yields pieces in bounded memory."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from engine.logs.csv_blocks import Block, Progress, parse, text_blocks
from engine.logs.errors import LogError
from engine.logs.layout import Column, Layout, shown_name
from engine.logs.mapping import Mapping
from engine.logs.naming import fold_name, split_unit
from engine.logs.raw import Piece, RawColumn
from engine.logs.sniffing import (
    CLOCK,
    DATE,
    HEAD_BYTES,
    TextForm,
    decode_head,
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
MILLISECONDS_FROM = 4.0
"""A column of times without a unit whose usual step is as large as this counts in milliseconds."""


class TextLog:
    """A text log, its head read and its form known."""

    def __init__(
        self,
        path: Path,
        mapping: Mapping | None,
        time_names: frozenset[str],
        most_bytes: int,
        progress: Progress | None,
    ) -> None:
        self._path, self._most_bytes, self._progress = path, most_bytes, progress
        with path.open("rb") as stream:
            head = stream.read(HEAD_BYTES)
        refuse_what_is_no_text_log(head)
        self.form: TextForm = sniff(head, mapping, whole=path.stat().st_size <= len(head))
        self.columns: Sequence[RawColumn] = [
            RawColumn(name, unit.strip().strip("[]()"))
            for name, unit in zip(self.form.names, self.form.units, strict=True)
        ]
        text, _ = decode_head(head)
        rows = text.splitlines()[self.form.first_data_line - 1 :][:50]
        self.time_column = self._find_time(time_names)
        cells = [_cell(row, self.form.delimiter, self.time_column) for row in rows]
        self._clock = any(CLOCK.match(cell) or DATE.match(cell) for cell in cells)
        self._head = self._read_head()
        self.time_note: str | None = None
        self._scale = 1.0 if self._clock else self._time_scale()

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

    def head(self) -> Piece:
        """Return the first rows with every column."""
        return self._piece(self._head)

    def pieces(self, wanted: Sequence[int]) -> Iterator[Piece]:
        """Yield all rows with the wanted columns."""
        numbers = sorted({*wanted, *([] if self._clock else [self.time_column])})
        clock = self.time_column if self._clock else None
        for text in text_blocks(self._path, self.form, self._most_bytes, self._progress):
            yield self._piece(parse(text, self.form, numbers, clock))

    def _piece(self, block: Block) -> Piece:
        times = block.clock if self._clock else block.columns[self.time_column]
        assert times is not None
        return Piece(times * self._scale, block.columns, block.unreadable)

    def _read_head(self) -> Block:
        blocks = text_blocks(self._path, self.form, self._most_bytes, None, FIRST_BLOCK_BYTES)
        text = next(blocks, b"")
        numbers = [i for i in range(len(self.columns)) if not (self._clock and i == self.time_column)]
        return parse(text, self.form, numbers, self.time_column if self._clock else None)

    def _find_time(self, names: frozenset[str]) -> int:
        """Return the column of the time: by its name, the whole of it or its first or last word."""
        folded = [fold_name(split_unit(column.name).name) for column in self.columns]
        for i, name in enumerate(folded):
            if name in names:
                return i
        for i, name in enumerate(folded):
            words = name.split()
            if words and ({words[0], words[-1]} & {"time", "zeit", "timestamp", "temps", "tempo", "tiempo"}):
                return i
        shown = ", ".join(shown_name(column.name) for column in self.columns[:8])
        message = f"no column of the file is called time or the like; it has {shown}"
        raise LogError("no_time", message, ("a column called time, in s, ms or as a clock",))

    def _time_scale(self) -> float:
        column = self.columns[self.time_column]
        unit = (column.unit or split_unit(column.name).unit).strip().lower()
        if unit in TIME_UNITS:
            return TIME_UNITS[unit]
        times = self._head.columns[self.time_column]
        usual = _usual_step(times)
        if usual >= MILLISECONDS_FROM:
            self.time_note = "the time has no unit; its steps look like milliseconds"
            return 1e-3
        self.time_note = "the time has no unit; taken as seconds"
        return 1.0


def _cell(row: str, delimiter: str, at: int) -> str:
    cells = row.split(delimiter)
    return cells[at].strip().strip('"') if at < len(cells) else ""


def _usual_step(times: Floats) -> float:
    steps = np.diff(times[~np.isnan(times)])
    steps = steps[steps > 0]
    return float(np.median(steps)) if steps.size else 0.0
