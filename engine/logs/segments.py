"""Pulls, steady spans, idling and gears: the parts of a stretch in which something can be judged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from engine.logs.gears import gear_of
from engine.logs.stretch import Flags, Floats, Span, Stretch, bridged, smooth, spans_of

FULL_THROTTLE_PERCENT = 80.0
FULL_SHARE = 0.9
LEAST_FULL_STOP_PERCENT = 60.0
SHORTEST_PULL_S = 0.8
LEAST_PULL_RISE_RPM = 300.0
STEADY_S = 3.0
STEADY_SPEED_RPM = 120.0
STEADY_LOAD_PERCENT = 12.0
RUNNING_RPM = 400.0
LIMITER_SHARE = 0.012
IDLE_RPM = (450.0, 1300.0)
LONGEST_HOLE_S = 0.6
"""Channels that are logged slowly, or that miss a few samples, are taken as a straight line in between."""


@dataclass(frozen=True)
class Pull:
    """A span at full throttle in which the engine runs up; `gear` is None where the log does not tell it."""

    span: Span
    gear: int | None


@dataclass(frozen=True)
class Segments:
    """The parts of one stretch. `steady` are spans with the engine running at constant speed and load."""

    pulls: Sequence[Pull]
    steady: Sequence[Span]
    idle: Sequence[Span]
    running: Sequence[Span]


def known(stretch: Stretch, name: str) -> Floats:
    """Return a channel with its short holes (up to 0.6 s) bridged; kept, as many features ask for it."""
    kept = stretch.cache.get("bridged " + name)
    if kept is None:
        kept = bridged(stretch.channel(name), stretch.samples(LONGEST_HOLE_S))
        stretch.cache["bridged " + name] = kept
    assert isinstance(kept, np.ndarray)
    return kept


def load_of(stretch: Stretch) -> Floats | None:
    """Return the driver's demand [per cent], short holes bridged: the throttle, else the pedal, else None."""
    for name in ("throttle", "pedal"):
        if stretch.has(name) and not np.all(np.isnan(stretch.channel(name))):
            return known(stretch, name)
    return None


def full_load_percent(load: Floats) -> float:
    """Return from which demand [per cent] on the throttle counts as fully open: 80, or less on a short scale.

    A throttle whose signal stops at 60 to 89 per cent is taken as open from nine tenths of that, if the
    signal rests there (a tenth of the time above half): a foot does not hold still so well.
    """
    found = load[~np.isnan(load)]
    if not found.size:
        return FULL_THROTTLE_PERCENT
    stop = float(found.max())
    opened = found[found > stop / 2]
    rests = opened.size > 0 and float(np.mean(opened > stop - 1.0)) >= 0.1
    if LEAST_FULL_STOP_PERCENT <= stop < FULL_THROTTLE_PERCENT / FULL_SHARE and rests:
        return min(FULL_THROTTLE_PERCENT, FULL_SHARE * stop)
    return FULL_THROTTLE_PERCENT


def segments_of(stretch: Stretch) -> Segments:
    """Cut a stretch into pulls, steady spans, idling and running.

    A pull is full throttle (see `full_load_percent`; without a throttle channel, boost above 20 kPa) for
    0.8 s or more while the engine speed rises by 300 rpm or more; it ends where the speed first reaches its
    highest, so that a limiter is not part of it, and at a shift. A steady span keeps the engine speed within
    120 rpm and the throttle within 12 per cent for 3 s or more. Numbers are common practice.
    """
    speed = known(stretch, "engine_speed")
    running = speed > RUNNING_RPM
    return Segments(
        pulls=_pulls(stretch, speed),
        steady=_steady(stretch, speed, running),
        idle=_idle(stretch, speed),
        running=spans_of(running, stretch.samples(2.0), stretch.samples(0.2)),
    )


def full_load(stretch: Stretch) -> Flags:
    """Return where the throttle is fully open; without a throttle channel, where boost is above 20 kPa."""
    load = load_of(stretch)
    if load is not None:
        return load >= full_load_percent(load)
    return known(stretch, "boost") > 20.0


def _pulls(stretch: Stretch, speed: Floats) -> list[Pull]:
    found = []
    flags = full_load(stretch) & (speed > RUNNING_RPM)
    shortest = stretch.samples(SHORTEST_PULL_S)
    for span in spans_of(flags, shortest, stretch.samples(0.1)):
        for part in _between_shifts(stretch, speed, span):
            pull = _run_up(stretch, speed, part)
            inside = speed[pull.slice]
            inside = inside[~np.isnan(inside)]
            if len(pull) < shortest or inside.size <= 2:
                continue
            if float(inside[-3:].max() - inside[:3].min()) >= LEAST_PULL_RISE_RPM:
                found.append(Pull(pull, gear_of(stretch, pull)))
    return found


def _run_up(stretch: Stretch, speed: Floats, span: Span) -> Span:
    """End a span where the speed first comes near its highest (1.2 per cent): what follows is the limiter."""
    inside = smooth(speed[span.slice], stretch.samples(0.1))
    if np.all(np.isnan(inside)):
        return span
    reached = np.flatnonzero(inside >= (1.0 - LIMITER_SHARE) * np.nanmax(inside))
    return Span(span.start, span.start + int(reached[0]) + 1)


def _between_shifts(stretch: Stretch, speed: Floats, span: Span) -> list[Span]:
    """Cut a span where the engine speed falls fast: a shift at full throttle."""
    inside = speed[span.slice]
    window = stretch.samples(0.25)
    if inside.size <= window:
        return [span]
    fast = inside[:-window] - inside[window:] > 350.0
    drop = np.zeros(inside.size, dtype=bool)
    drop[window:] = fast
    drop[:-window] |= fast
    pieces = spans_of(~drop, stretch.samples(SHORTEST_PULL_S))
    return [Span(span.start + piece.start, span.start + piece.end) for piece in pieces]


def _steady(stretch: Stretch, speed: Floats, running: Flags) -> list[Span]:
    """Return the spans whose every sample lies in 3 s over which speed and load keep within their bands."""
    window = stretch.samples(STEADY_S)
    if speed.size < window:
        return []
    # A single noisy sample must not cut a span in two.
    calm = _ranges(smooth(speed, stretch.samples(0.3)), window) <= STEADY_SPEED_RPM
    load = load_of(stretch)
    if load is not None:
        calm &= ~(_ranges(smooth(load, stretch.samples(0.3)), window) > STEADY_LOAD_PERCENT)
    flags = np.zeros(speed.size, dtype=bool)
    for run in spans_of(calm):
        flags[run.start : run.end + window - 1] = True
    return spans_of(flags & running, window)


def _ranges(values: Floats, samples: int) -> Floats:
    """Return highest less lowest over each window of `samples`; entry i is of the window that begins at i."""
    high = low = values
    size = 1
    while 2 * size <= samples:
        high, low = np.maximum(high[:-size], high[size:]), np.minimum(low[:-size], low[size:])
        size *= 2
    rest = samples - size
    if rest:
        high, low = np.maximum(high[:-rest], high[rest:]), np.minimum(low[:-rest], low[rest:])
    ranges: Floats = high - low
    return ranges


def _idle(stretch: Stretch, speed: Floats) -> list[Span]:
    low, high = IDLE_RPM
    flags = (speed > low) & (speed < high)
    load = load_of(stretch)
    if load is not None:
        flags &= load <= max(float(np.nanmin(load)) + 3.0, 3.0)
    flags &= ~(stretch.channel("road_speed") > 5.0)
    return spans_of(flags, stretch.samples(STEADY_S), stretch.samples(0.2))
