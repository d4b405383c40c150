"""A piece of a log on an even time base, and the parts of it that features look at."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Span:
    """Samples from `start` up to but not including `end`."""

    start: int
    end: int

    def __len__(self) -> int:
        return self.end - self.start

    @property
    def slice(self) -> slice:
        """The samples as a slice."""
        return slice(self.start, self.end)


@dataclass(frozen=True)
class Stretch:
    """Samples of all channels at the times ``start_s + step_s * i``.

    `channels` are named without the prefix ``logged_`` and kept in the unit that ``kb/channels.yaml`` states;
    pressures against the reference stated there. A sample that is not known is NaN. Channels that the log
    does not have are not there.
    """

    start_s: float
    step_s: float
    channels: Mapping[str, Floats]
    length: int
    cache: dict[str, object] = field(default_factory=dict, repr=False, compare=False)

    def has(self, *names: str) -> bool:
        """Whether every one of these channels is in the log."""
        return all(name in self.channels for name in names)

    def channel(self, name: str) -> Floats:
        """Return a channel; all NaN where the log does not have it."""
        found = self.channels.get(name)
        return np.full(self.length, np.nan, dtype=np.float64) if found is None else found

    @cached_property
    def time(self) -> Floats:
        """The time [s] of each sample since the log began."""
        times: Floats = self.start_s + self.step_s * np.arange(self.length, dtype=np.float64)
        return times

    def samples(self, seconds: float) -> int:
        """Return how many samples a time [s] takes, one at least."""
        return max(1, round(seconds / self.step_s))


def spans_of(flags: Flags, shortest: int = 1, bridge: int = 0) -> list[Span]:
    """Return the runs of True of at least `shortest` samples; gaps of up to `bridge` samples are closed.

    >>> import numpy as np
    >>> spans_of(np.array([0, 1, 1, 0, 1, 0, 0, 1], dtype=bool), shortest=2, bridge=1)
    [Span(start=1, end=5)]
    """
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    starts, ends = edges[::2], edges[1::2]
    if bridge > 0 and starts.size:
        keep = np.concatenate(([True], starts[1:] - ends[:-1] > bridge))
        ends = np.append(ends[:-1][keep[1:]], ends[-1])
        starts = starts[keep]
    return [
        Span(int(start), int(end)) for start, end in zip(starts, ends, strict=True) if end - start >= shortest
    ]


def smooth(values: Floats, samples: int) -> Floats:
    """Return the centred moving mean over `samples`, NaN left out; NaN where a window has no sample.

    >>> smooth(np.array([1.0, np.nan, 3.0]), 3)
    array([1., 2., 3.])
    """
    if samples <= 1:
        return values
    known = ~np.isnan(values)
    sums = np.concatenate(([0.0], np.cumsum(np.where(known, values, 0.0))))
    counts = np.concatenate(([0], np.cumsum(known)))
    centre = np.arange(values.size)
    low = np.maximum(centre - samples // 2, 0)
    high = np.minimum(centre + (samples + 1) // 2, values.size)
    count = counts[high] - counts[low]
    with np.errstate(invalid="ignore"):
        mean = np.where(count > 0, (sums[high] - sums[low]) / np.maximum(count, 1), np.nan)
    found: Floats = mean.astype(np.float64)
    return found


def bridged(values: Floats, longest: int) -> Floats:
    """Return the values with holes of up to `longest` samples filled by a straight line.

    >>> bridged(np.array([1.0, np.nan, 3.0, np.nan, np.nan, 6.0, np.nan]), 1)
    array([ 1.,  2.,  3., nan, nan,  6., nan])
    """
    missing = np.isnan(values)
    if longest < 1 or not missing.any() or missing.all():
        return values
    places = np.arange(values.size)
    filled = values.copy()
    filled[missing] = np.interp(places[missing], places[~missing], values[~missing])
    for hole in spans_of(missing):
        if len(hole) > longest or hole.start == 0 or hole.end == values.size:
            filled[hole.slice] = np.nan
    return filled
