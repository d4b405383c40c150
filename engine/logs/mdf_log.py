"""An ASAM MDF4 log as columns of numbers; asammdf reads the file."""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from engine.logs.csv_blocks import Progress
from engine.logs.errors import WANTED, LogError
from engine.logs.layout import Column, Layout, shown_name
from engine.logs.raw import Piece, RawColumn
from engine.logs.stretch import Floats

MAX_CHANNELS = 2000
MOST_SAMPLES = 100_000_000
PIECE_S = 300.0
HEAD_S = 300.0


class MdfLog:
    """An MDF4 file whose declared sizes were looked at before any of its data.

    Channels are read one by one, each with the times of its own group. Memory grows with the wanted
    channels, so a file with more than `MOST_SAMPLES` of them is refused.
    """

    time_column: int | None = None
    time_note: str | None = None

    def __init__(self, path: Path, most_bytes: int, progress: Progress | None) -> None:
        size = path.stat().st_size
        if size > most_bytes:
            raise LogError("too_large", f"the file has {size} bytes; {most_bytes} are taken")
        self._progress, self._size = progress, size
        self._places: list[tuple[int, int]] = []
        self.columns: Sequence[RawColumn] = []
        self._mdf = self._open(path, most_bytes)
        self._read: dict[int, tuple[Floats, Floats]] = {}

    def _open(self, path: Path, most_bytes: int) -> Any:  # noqa: ANN401
        logging.getLogger("asammdf").setLevel(logging.CRITICAL)
        with _told_as_damaged():
            # Late: it takes a second to load, and most logs are text.
            from asammdf import MDF  # noqa: PLC0415

            with path.open("rb") as stream:
                version = stream.read(16)[8:12]
            if not version.startswith(b"4"):
                text = version.decode("latin-1").strip()
                raise LogError("format_not_read", f"MDF version {text!r} is not read", ("MDF version 4",))
            mdf: Any = MDF(path)
            declared = 0
            columns = []
            for group_index, group in enumerate(mdf.groups):
                cycles = int(group.channel_group.cycles_nr)
                record = int(group.channel_group.samples_byte_nr) + int(
                    group.channel_group.invalidation_bytes_nr
                )
                declared += cycles * max(1, record)
                for channel_index, channel in enumerate(group.channels):
                    if int(channel.channel_type) in (2, 3):
                        continue
                    columns.append(RawColumn(str(channel.name), str(channel.unit or "")))
                    self._places.append((group_index, channel_index))
        if declared > 4 * most_bytes:
            raise LogError("too_large", f"the file unpacks to {declared} bytes; {4 * most_bytes} are taken")
        if len(columns) > MAX_CHANNELS:
            raise LogError(
                "too_many_columns", f"the file has {len(columns)} channels; {MAX_CHANNELS} are taken"
            )
        if not columns:
            raise LogError("not_a_log", "the file holds no channels", WANTED)
        self.columns = columns
        return mdf

    def layout(self) -> Layout:
        """Return the form of the file, its columns not yet told."""
        columns = [Column(name=shown_name(column.name), written_unit="") for column in self.columns]
        return Layout(format="mdf4", columns=columns)

    def head(self) -> Piece:
        """Return the first five minutes with every channel that is a number."""
        return self._between(range(len(self.columns)), None, HEAD_S)

    def pieces(self, wanted: Sequence[int]) -> Iterator[Piece]:
        """Yield all samples of the wanted channels in pieces of five minutes."""
        self._read = {i: self._read.get(i) or self._channel(i) for i in wanted}
        known = [times for times, _ in self._read.values() if times.size]
        if not known:
            return
        first = min(float(times[0]) for times in known)
        last = max(float(times[-1]) for times in known)
        start = first
        while start <= last:
            yield self._between(wanted, start, start + PIECE_S)
            start += PIECE_S
            if self._progress is not None:
                share = min(1.0, (start - first) / max(last - first, 1e-9))
                self._progress(int(share * self._size), self._size)

    def _between(self, wanted: Sequence[int] | range, start: float | None, end: float) -> Piece:
        read = {i: self._read.get(i) or self._channel(i) for i in wanted}
        if sum(times.size for times, _ in read.values()) > MOST_SAMPLES:
            raise LogError("too_large", f"the file holds more than {MOST_SAMPLES} samples of these channels")
        if start is None:
            firsts = [float(times[0]) for times, _ in read.values() if times.size]
            start = min(firsts, default=0.0)
            end += start
        cuts = {}
        for i, (times, values) in read.items():
            low, high = np.searchsorted(times, [start, end])
            cuts[i] = (times[low:high], values[low:high])
        grid = np.unique(np.concatenate([times for times, _ in cuts.values()] or [np.empty(0)]))
        columns = {}
        for i, (times, values) in cuts.items():
            column = np.full(grid.size, np.nan)
            column[np.searchsorted(grid, times)] = values
            columns[i] = column
        return Piece(grid, columns)

    def _channel(self, index: int) -> tuple[Floats, Floats]:
        """Return times and values of a channel, empty where it holds no numbers."""
        group, channel = self._places[index]
        nothing = (np.empty(0), np.empty(0))
        with _told_as_damaged():
            signal = self._mdf.get(group=group, index=channel)
            times = np.asarray(signal.timestamps, dtype=np.float64)
            values = np.asarray(signal.samples)
            if values.ndim != 1 or values.dtype.kind not in "iufb" or values.size != times.size:
                return nothing
            numbers = values.astype(np.float64)
            if signal.invalidation_bits is not None:
                numbers[np.asarray(signal.invalidation_bits, dtype=bool)] = np.nan
        numbers[~np.isfinite(numbers)] = np.nan
        if times.size == 0:
            return nothing
        keep = np.concatenate(([True], times[1:] > np.maximum.accumulate(times)[:-1])) & np.isfinite(times)
        return times[keep], numbers[keep]


@contextlib.contextmanager
def _told_as_damaged() -> Iterator[None]:
    """Turn whatever the library raises on a bad file into a `LogError`."""
    try:
        yield
    except (LogError, MemoryError):
        raise
    except Exception as error:
        said = str(error).strip().splitlines()
        detail = f": {said[0][:120]}" if said else ""
        raise LogError("damaged", f"the MDF4 file is damaged{detail}") from error
