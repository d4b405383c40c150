"""The samples around an event that are kept so that it can be drawn."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from engine.logs.feature import Event
from engine.logs.stretch import Floats, Stretch

BEFORE_S = 2.0
AFTER_S = 2.0
LONGEST_S = 90.0
MAX_POINTS = 400
MAX_CHANNELS = 5


@dataclass(frozen=True)
class Clip:
    """Samples of a few channels around an event: times [s] and values in the kept units."""

    times: Floats
    channels: Mapping[str, Floats]


def clip_of(stretch: Stretch, event: Event) -> Clip:
    """Return at most `MAX_POINTS` points of the channels of an event, which lies within the stretch.

    Where there are more samples, the lowest and the highest of each group are kept, so that no spike is lost.
    """
    longest = min(event.end_s, event.start_s + LONGEST_S)
    first = max(0, int((event.start_s - BEFORE_S - stretch.start_s) / stretch.step_s))
    last = min(stretch.length, int((longest + AFTER_S - stretch.start_s) / stretch.step_s) + 1)
    names = [name for name in event.channels if stretch.has(name)][:MAX_CHANNELS]
    times = stretch.time[first:last]
    if times.size <= MAX_POINTS:
        return Clip(times.copy(), {name: stretch.channels[name][first:last].copy() for name in names})
    group = -(-times.size * 2 // MAX_POINTS)
    whole = times.size // group * group
    middles = times[:whole].reshape(-1, group).mean(axis=1)
    return Clip(
        np.repeat(middles, 2),
        {name: _extremes(stretch.channels[name][first : first + whole], group) for name in names},
    )


def _extremes(values: Floats, group: int) -> Floats:
    """Return the lowest and the highest of each group, in the order in which they come."""
    rows = values.reshape(-1, group)
    holes = np.isnan(rows)
    low_at = np.where(holes, np.inf, rows).argmin(axis=1)
    high_at = np.where(holes, -np.inf, rows).argmax(axis=1)
    index = np.arange(rows.shape[0])
    first, second = np.minimum(low_at, high_at), np.maximum(low_at, high_at)
    found = np.empty(rows.shape[0] * 2)
    found[::2], found[1::2] = rows[index, first], rows[index, second]
    return found
