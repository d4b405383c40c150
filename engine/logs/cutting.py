"""Cuts rows into pieces to look at one by one: at holes, at clocks that start anew, between pulls."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import pairwise

import numpy as np

from engine.logs.errors import LogError
from engine.logs.layout import Caveat
from engine.logs.stretch import Floats, spans_of

HOLE_S = 5.0
RESET_S = 1.0
MOST_ROWS = 60_000
LOOK_BACK_SHARE = 0.3
CALM_SHARE = 0.02
MANY_RESTARTS, ROWS_PER_RESTART = 200, 50
MANY_HOLES, ROWS_PER_HOLE = 1000, 10

Rows = tuple[Floats, dict[str, Floats]]


class Cutter:
    """Takes rows as they come and gives out pieces whose times rise strictly and have no long hole.

    A piece ends where the time has a hole or starts anew, or, when it grows long, in its last part where the
    driver asks for least, so that no pull is cut in two. Times of a log whose clock starts anew are moved on,
    so that they rise over the whole log. `step_s` is that of the even time base, which bounds a piece too.
    """

    def __init__(self, step_s: float) -> None:
        self._longest_s = MOST_ROWS * step_s
        self._times: list[Floats] = []
        self._columns: list[Mapping[str, Floats]] = []
        self._last = -np.inf
        self._moved = 0.0
        self._first: float | None = None
        self.rows = self.timed = 0
        self._no_time = self._backwards = self._resets = self._holes = 0

    def take(self, times: Floats, columns: Mapping[str, Floats]) -> Iterator[Rows]:
        """Take rows and yield the pieces that are whole.

        Raises `LogError` for a time that jumps about or whose samples stand by themselves.
        """
        self.rows += times.size
        told = ~np.isnan(times)
        self.timed += int(told.sum())
        self._no_time = self.rows - self.timed
        if not told.all():
            times, columns = times[told], {name: values[told] for name, values in columns.items()}
        if times.size == 0:
            return
        for start, end in self._runs(times):
            yield from self._append(times[start:end], {n: v[start:end] for n, v in columns.items()})
            self._refuse_what_is_no_time()
        if self._times and (
            sum(part.size for part in self._times) > MOST_ROWS
            or self._times[-1][-1] - self._times[0][0] > self._longest_s
        ):
            yield from self._shorten()

    def _refuse_what_is_no_time(self) -> None:
        if self._resets > max(MANY_RESTARTS, self.rows // ROWS_PER_RESTART):
            message = f"the time starts anew {self._resets} times in {self.rows} lines: it is no running time"
            raise LogError("time_jumps", message)
        if self._holes > max(MANY_HOLES, self.rows // ROWS_PER_HOLE):
            message = f"{self._holes} of {self.rows} samples come more than {HOLE_S:g} s after the one before"
            raise LogError("time_jumps", message, ("samples at least every second",))

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
            yield from self._shorten()
            yield _joined(self._times, self._columns)
            self._times, self._columns = [], []

    def _shorten(self) -> Iterator[Rows]:
        """Yield all but the last part, cut where the driver asks for least."""
        times, columns = _joined(self._times, self._columns)
        begin = 0
        while True:
            late = int(np.searchsorted(times, times[begin] + self._longest_s, side="right"))
            end = min(begin + MOST_ROWS, late)
            if end >= times.size:
                break
            start = begin + max(1, int((end - begin) * (1.0 - LOOK_BACK_SHARE)))
            cut = start + _quietest(columns, start, end)
            yield times[begin:cut], {name: values[begin:cut] for name, values in columns.items()}
            begin = cut
        self._times = [times[begin:]]
        self._columns = [{name: values[begin:] for name, values in columns.items()}]


def _joined(times: list[Floats], columns: list[Mapping[str, Floats]]) -> Rows:
    names = columns[0].keys()
    return np.concatenate(times), {name: np.concatenate([c[name] for c in columns]) for name in names}


def _quietest(columns: Mapping[str, Floats], start: int, end: int) -> int:
    """Return the middle of the longest time, from `start` on, in which the driver asks for least."""
    for name in ("throttle", "pedal", "boost", "engine_speed"):
        late = columns[name][start:end] if name in columns else np.empty(0)
        known = late[~np.isnan(late)]
        if known.size:
            low, high = float(known.min()), float(known.max())
            with np.errstate(invalid="ignore"):
                runs = spans_of(late <= low + CALM_SHARE * (high - low))
            longest = max(runs, key=len)
            return (longest.start + longest.end) // 2
    return 0


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _holes(count: int) -> str:
    return "a hole" if count == 1 else f"{count} holes"
