"""Looks for a level that a value holds beyond a limit, wherever some condition is met."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from engine.conditions import bounds_of
from engine.logs.feature import Event, Looked
from engine.logs.features.parts import Held, event_of, rolling, where
from engine.logs.stretch import Flags, Floats, Span, Stretch, spans_of
from engine.measures.limits import Limits


def look_for_level(
    stretch: Stretch,
    limits: Limits,
    limit_id: str,
    values: Floats,
    flags: Flags,
    hold_s: float,
    shown: Sequence[str],
    *,
    low: bool = False,
    cleared_by: Flags | None = None,
    clearing_s: float | None = None,
) -> Looked:
    """Return where `values` lie beyond the limit for `hold_s` while `flags` are set.

    The level of a window is its median, so that single wrong samples count for nothing. With `low` the lowest
    level is the worst. `cleared_by` are the samples that may speak for absence (all flagged ones if left
    out), each run of `clearing_s` (the hold if left out) being a chance.
    """
    hold = stretch.samples(hold_s)
    bounds = bounds_of(limits[limit_id].present, limits[limit_id].unit)
    judged = where(values, flags)
    with np.errstate(invalid="ignore"):
        single = (judged > bounds.low) & (judged < bounds.high)
    events = []
    # A median can only be beyond where half of the samples are: the rest of a long log is passed over.
    for near in spans_of(single, 1, hold):
        start, end = max(0, near.start - hold), min(stretch.length, near.end + hold)
        levels = rolling(judged[start:end], hold, 0.5)
        with np.errstate(invalid="ignore"):
            beyond = (levels > bounds.low) & (levels < bounds.high)
        for run in spans_of(beyond, 1, hold):
            span = Span(start + run.start, start + run.end + hold - 1)
            events.append(_event(stretch, span, levels[run.slice], shown, low))
    asked = flags if cleared_by is None else flags & cleared_by
    chance = stretch.samples(hold_s if clearing_s is None else clearing_s)
    runs = spans_of(asked & ~np.isnan(values), chance, stretch.samples(0.3))
    worst = [_worst(where(values, asked)[run.slice], hold, low) for run in runs]
    known = [value for value in worst if value is not None]
    largest = (min(known) if low else max(known)) if known else None
    return Looked(events, len(known), largest)


def _event(stretch: Stretch, span: Span, levels: Floats, shown: Sequence[str], low: bool) -> Event:
    size = float(np.nanmin(levels) if low else np.nanmax(levels))
    return event_of(stretch, Held(size, span), shown)


def _worst(values: Floats, hold: int, low: bool) -> float | None:
    """Return the worst median of windows of `hold` samples that begin a quarter of one apart."""
    hold = min(hold, values.size)
    windows = np.lib.stride_tricks.sliding_window_view(values, hold)[:: max(1, hold // 4)]
    windows = windows[~np.isnan(windows).any(axis=1)]
    if not windows.size:
        return None
    levels = np.median(windows, axis=1)
    return float(levels.min() if low else levels.max())


def events_beyond(
    stretch: Stretch, limits: Limits, limit_id: str, found: Sequence[Held], shown: Sequence[str]
) -> list[Event]:
    """Return those of the sizes found that lie beyond the limit, as events."""
    bounds = bounds_of(limits[limit_id].present, limits[limit_id].unit)
    return [event_of(stretch, held, shown) for held in found if bounds.holds(held.size)]


def looked_at(
    stretch: Stretch,
    limits: Limits,
    limit_id: str,
    found: Sequence[Held],
    shown: Sequence[str],
    *,
    low: bool = False,
) -> Looked:
    """Return sizes, one for each chance, as what a look gave."""
    sizes = [held.size for held in found]
    largest = (min(sizes) if low else max(sizes)) if sizes else None
    return Looked(events_beyond(stretch, limits, limit_id, found, shown), len(found), largest)
