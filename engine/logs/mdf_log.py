"""An ASAM MDF4 log as columns of numbers; asammdf reads the file."""

from __future__ import annotations

import contextlib
import logging
import warnings
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from engine.logs.csv_blocks import Progress
from engine.logs.errors import WANTED, LogError
from engine.logs.layout import Caveat, Column, Layout, shown_name
from engine.logs.mdf_check import check_mdf4
from engine.logs.mdf_plain import is_plain
from engine.logs.raw import Piece, RawColumn, numbered
from engine.logs.stretch import Floats

MAX_CHANNELS = 2000
MOST_CELLS = 4_000_000
"""Numbers that a piece holds at most, times of all groups by wanted channels."""
UNFINISHED = b"UnFinMF "
TIME_MASTER = 1
VIRTUAL_MASTER = 3
MASTERS = (2, 3)


@dataclass
class _Group:
    """A channel group: how far it was read, and what was read and not given out."""

    number: int
    cycles: int
    wanted: list[tuple[int, int | None]]
    read: int = 0
    last: float = -np.inf
    times: Floats = field(default_factory=lambda: np.empty(0))
    columns: dict[int, Floats] = field(default_factory=dict)


class MdfLog:
    """An MDF4 file whose blocks were looked over before any of its data.

    Its groups are read some samples at a time, so that memory does not grow with the file.
    """

    time_column: int | None = None
    time_unit: str | None = None
    time_note: str | None = None

    def __init__(self, path: Path, most_bytes: int, progress: Progress | None) -> None:
        size = path.stat().st_size
        if size > most_bytes:
            raise LogError("too_large", f"the file has {size} bytes; {most_bytes} are taken")
        self._progress, self._size, self._backwards = progress, size, 0
        self._places: list[tuple[int, int | None]] = []
        self._names: list[str] = []
        self.columns: Sequence[RawColumn] = []
        self._stream = path.open("rb")
        try:
            self._mdf = self._open(path, most_bytes)
        except BaseException:
            self._stream.close()
            raise

    def _open(self, path: Path, most_bytes: int) -> Any:  # noqa: ANN401
        logging.getLogger("asammdf").setLevel(logging.CRITICAL)
        with path.open("rb") as stream:
            mark = stream.read(16)
        version = mark[8:12]
        if mark.startswith(UNFINISHED):
            message = "the MDF4 file was not finished, as when a logger loses its power"
            raise LogError("format_not_read", message, ("the file finalised by the logger's own program",))
        if not version.startswith(b"4"):
            text = shown_name(version.decode("latin-1"))
            raise LogError("format_not_read", f"MDF version {text!r} is not read", ("MDF version 4",))
        check_mdf4(path, most_bytes)
        with _told_as_damaged():
            # Late: it takes a second to load, and most logs are text.
            from asammdf import MDF  # noqa: PLC0415

            # As a stream, for given a path it maps or copies the file, and stumbles over a broken one again
            # when it is thrown away.
            mdf: Any = MDF(self._stream)
            columns = []
            for number, group in enumerate(mdf.groups):
                if self._has_times(mdf, number):
                    for index, channel in enumerate(group.channels):
                        if int(channel.channel_type) not in MASTERS:
                            columns.append(RawColumn(str(channel.name), str(channel.unit or "")))
                            self._places.append((number, index if is_plain(group, index) else None))
            groups = len(mdf.groups)
        if len(columns) > MAX_CHANNELS:
            message = f"the file has {len(columns)} channels; {MAX_CHANNELS} are taken"
            raise LogError("too_many_columns", message)
        if not columns and groups:
            raise LogError("no_time", "none of the channels of the file has times", WANTED)
        if not columns:
            raise LogError("not_a_log", "the file holds no channels", WANTED)
        self._names = numbered([column.name for column in columns])
        self.columns = columns
        return mdf

    @staticmethod
    def _has_times(mdf: Any, number: int) -> bool:  # noqa: ANN401
        master = mdf.masters_db.get(number)
        if master is None:
            return False
        group = mdf.groups[number]
        plain = is_plain(group, master) or int(group.channels[master].channel_type) == VIRTUAL_MASTER
        return plain and int(group.channels[master].sync_type) == TIME_MASTER

    def layout(self) -> Layout:
        """Return the form of the file, its columns not yet told."""
        columns = [Column(name=shown_name(name), written_unit="") for name in self._names]
        return Layout(format="mdf4", columns=columns)

    def head(self, wanted: Sequence[int]) -> Piece:
        """Return the first samples of the wanted channels."""
        groups = self._groups(wanted)
        count = _samples_at_once(groups)
        for group in groups:
            self._read(group, count)
        return _joined(groups, wanted, np.inf)

    def caveats(self) -> list[Caveat]:
        """Return what to mind about the file, as far as it was read."""
        if not self._backwards:
            return []
        text = f"the time stands still or goes back in {self._backwards} samples; left out"
        return [Caveat(code="time_goes_back", text=text)]

    def pieces(self, wanted: Sequence[int]) -> Iterator[Piece]:
        """Yield all samples of the wanted channels, each group at its own times."""
        groups = self._groups(wanted)
        count = _samples_at_once(groups)
        total = max(1, sum(group.cycles for group in groups))
        self._backwards = 0
        while True:
            for group in groups:
                while not group.times.size and group.read < group.cycles:
                    self._read(group, count)
            open_ends = [group.times[-1] for group in groups if group.read < group.cycles]
            piece = _joined(groups, wanted, float(min(open_ends, default=np.inf)))
            if piece.times.size:
                yield piece
            elif not open_ends:
                break
            if self._progress is not None:
                done = sum(group.read for group in groups)
                self._progress(self._size * done // total, self._size)
        with contextlib.suppress(Exception):
            self._mdf.close()
        self._stream.close()

    def _groups(self, wanted: Sequence[int]) -> list[_Group]:
        groups: dict[int, _Group] = {}
        for column in wanted:
            number, index = self._places[column]
            cycles = int(self._mdf.groups[number].channel_group.cycles_nr)
            groups.setdefault(number, _Group(number, cycles, [])).wanted.append((column, index))
        return list(groups.values())

    def _read(self, group: _Group, count: int) -> None:
        """Read the next samples of a group behind those that wait."""
        count = min(count, group.cycles - group.read)
        if count <= 0:
            return
        where = {"record_offset": group.read, "record_count": count}
        with _told_as_damaged():
            times = np.asarray(self._mdf.get_master(group.number, **where), dtype=np.float64)
            values = {
                column: self._numbers(group, index, times.size, where) for column, index in group.wanted
            }
        group.read += count
        keep = np.isfinite(times)
        highest = np.fmax.accumulate(np.concatenate(([group.last], np.where(keep, times, -np.inf))))
        keep &= times > highest[:-1]
        self._backwards += int(times.size - keep.sum())
        group.last = float(highest[-1])
        group.times = np.concatenate((group.times, times[keep]))
        for column, numbers in values.items():
            group.columns[column] = np.concatenate((group.columns.get(column, np.empty(0)), numbers[keep]))

    def _numbers(self, group: _Group, index: int | None, size: int, where: dict[str, int]) -> Floats:
        """Return the samples of a channel, NaN where it holds no numbers or they are called invalid."""
        if index is None:
            return np.full(size, np.nan)
        samples, invalid = self._mdf.get(
            group=group.number, index=index, samples_only=True, ignore_invalidation_bits=True, **where
        )
        values = np.asarray(samples)
        if values.ndim != 1 or values.dtype.kind not in "iufb" or values.size != size:
            return np.full(size, np.nan)
        numbers = values.astype(np.float64)
        if invalid is not None:
            numbers[np.asarray(invalid, dtype=bool)] = np.nan
        numbers[~np.isfinite(numbers)] = np.nan
        return numbers


def _samples_at_once(groups: Sequence[_Group]) -> int:
    columns = sum(len(group.wanted) for group in groups)
    return max(100, MOST_CELLS // max(1, columns * len(groups)))


def _joined(groups: Sequence[_Group], wanted: Sequence[int], until: float) -> Piece:
    """Take what waits in the groups up to and with a time [s], on all their times."""
    cuts = {group.number: int(np.searchsorted(group.times, until, side="right")) for group in groups}
    parts = [group.times[: cuts[group.number]] for group in groups]
    grid = np.unique(np.concatenate(parts)) if parts else np.empty(0)
    columns = {i: np.full(grid.size, np.nan) for i in wanted}
    for group in groups:
        cut = cuts[group.number]
        places = np.searchsorted(grid, group.times[:cut])
        for column, _ in group.wanted:
            columns[column][places] = group.columns.get(column, np.empty(0))[:cut]
            group.columns[column] = group.columns.get(column, np.empty(0))[cut:]
        group.times = group.times[cut:]
    return Piece(grid, columns)


def _leave_half_read(error: Exception) -> None:
    """Mark what the library had begun to read as closed: closing it once more would fail aloud."""
    trace = error.__traceback__
    while trace is not None:
        reading: Any = trace.tb_frame.f_locals.get("self")
        if type(reading).__module__.startswith("asammdf.") and hasattr(reading, "_closed"):
            reading._closed = True
        trace = trace.tb_next


@contextlib.contextmanager
def _told_as_damaged() -> Iterator[None]:
    """Turn whatever the library raises on a bad file into a `LogError`."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    except (LogError, MemoryError):
        raise
    except Exception as error:
        _leave_half_read(error)
        said = str(error).strip().splitlines()
        detail = f": {shown_name(said[0])}" if said else ""
        raise LogError("damaged", f"the MDF4 file is damaged{detail}") from error
