"""Cuts rows into pieces to look at one by one: at holes, at clocks that start anew, between pulls."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import pairwise

import numpy as np

from engine.logs.layout import Caveat
from engine.logs.stretch import Floats

HOLE_S = 5.0
RESET_S = 1.0
MOST_ROWS = 60_000
LOOK_BACK_SHARE = 0.3

Rows = tuple[Floats, dict[str, Floats]]


class Cutter:
    """Takes rows as they come and gives out pieces whose times rise strictly and have no long hole.

    A piece ends where the time has a hole or starts anew, or, when it grows long, at the row of its last part
    where the driver asks for least, so that no pull is cut in two. Times of a log whose clock starts anew are
    moved on, so that they rise over the whole log.
    """

    def __init__(self) -> None:
        self._times: list[Floats] = []
        self._columns: list[Mapping[str, Floats]] = []
        self._last = -np.inf
        self._moved = 0.0
        self._first: float | None = None
        self.rows = 0
        self._no_time = self._backwards = self._resets = self._holes = 0

    def take(self, times: Floats, columns: Mapping[str, Floats]) -> Iterator[Rows]:
        """Take rows and yield the pieces that are whole."""
        self.rows += times.size
        told = ~np.isnan(times)
        self._no_time += int(times.size - told.sum())
        if not told.all():
            times, columns = times[told], {name: values[told] for name, values in columns.items()}
        if times.size == 0:
            return
        for start, end in self._runs(times):
            yield from self._append(times[start:end], {n: v[start:end] for n, v in columns.items()})
        if sum(part.size for part in self._times) > MOST_ROWS:
            yield from self._shorten()

    def rest(self) -> Iterator[Rows]:
        """Yield what is left at the end of the log."""
        yield from self._flush()

    def caveats(self) -> list[Caveat]:
        """Return what was wrong with the time of the log."""
        found = []
        if self._no_time:
            found.append(Caveat(code="time_missing", text=f"{self._no_time} lines have no time; left out"))
        if self._backwards:
            text = f"the time stands still or goes back in {self._backwards} lines; left out"
            found.append(Caveat(code="time_goes_back", text=text))
        if self._resets:
            text = f"the clock starts anew {_times(self._resets)}; each part is looked at by itself"
            found.append(Caveat(code="time_starts_anew", text=text))
        if self._holes:
            text = f"the log has {_holes(self._holes)} longer than {HOLE_S:g} s; nothing is read into them"
            found.append(Caveat(code="holes", text=text))
        return found

    def _runs(self, times: Floats) -> Iterator[tuple[int, int]]:
        """Yield the ranges of rows between two restarts of the clock."""
        falls = np.flatnonzero(np.diff(times) < -RESET_S) + 1
        edges = [0, *(int(at) for at in falls), times.size]
        yield from pairwise(edges)

    def _append(self, times: Floats, columns: dict[str, Floats]) -> Iterator[Rows]:
        if self._first is None:
            self._first = float(times[0])
        times = times - self._first + self._moved
        if times[0] < self._last - RESET_S:
            self._resets += 1
            yield from self._flush()
            move = self._last + 2 * HOLE_S - float(times[0])
            self._moved += move
            times = times + move
            self._last = float(times[0]) - 1e-6
        highest = np.maximum.accumulate(np.concatenate(([self._last], times)))[:-1]
        rising = times > highest
        self._backwards += int(times.size - rising.sum())
        times, columns = times[rising], {name: values[rising] for name, values in columns.items()}
        if times.size == 0:
            return
        before = np.concatenate(([self._last if np.isfinite(self._last) else times[0]], times[:-1]))
        cuts = np.flatnonzero(times - before > HOLE_S)
        edges = [0, *(int(at) for at in cuts), times.size]
        for k, (start, end) in enumerate(pairwise(edges)):
            if k > 0:
                self._holes += 1
                yield from self._flush()
            if end > start:
                self._times.append(times[start:end])
                self._columns.append({name: values[start:end] for name, values in columns.items()})
        self._last = float(times[-1])

    def _flush(self) -> Iterator[Rows]:
        if self._times:
            rows = _joined(self._times, self._columns)
            self._times, self._columns = [], []
            yield rows

    def _shorten(self) -> Iterator[Rows]:
        """Yield all but the last part, cut where the driver asks for least."""
        times, columns = _joined(self._times, self._columns)
        start = int(times.size * (1.0 - LOOK_BACK_SHARE))
        cut = start + _quietest(columns, start)
        self._times = [times[cut:]]
        self._columns = [{name: values[cut:] for name, values in columns.items()}]
        yield times[:cut], {name: values[:cut] for name, values in columns.items()}


def _joined(times: list[Floats], columns: list[Mapping[str, Floats]]) -> Rows:
    names = columns[0].keys()
    return np.concatenate(times), {name: np.concatenate([c[name] for c in columns]) for name in names}


def _quietest(columns: Mapping[str, Floats], start: int) -> int:
    for name in ("throttle", "pedal", "boost", "engine_speed"):
        if name in columns:
            late = columns[name][start:]
            if not np.all(np.isnan(late)):
                return int(np.nanargmin(late))
    return 0


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _holes(count: int) -> str:
    return "a hole" if count == 1 else f"{count} holes"
