"""Pulls, steady spans, idling and gears: the parts of a stretch in which something can be judged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from engine.logs.gears import gear_of
from engine.logs.stretch import Floats, Span, Stretch, smooth, spans_of

FULL_THROTTLE_PERCENT = 80.0
SHORTEST_PULL_S = 0.8
LEAST_PULL_RISE_RPM = 300.0
STEADY_S = 3.0
STEADY_SPEED_RPM = 120.0
RUNNING_RPM = 400.0
IDLE_RPM = (450.0, 1300.0)


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


def load_of(stretch: Stretch) -> Floats | None:
    """Return the driver's demand [per cent]: the throttle, else the pedal, else None."""
    for name in ("throttle", "pedal"):
        if stretch.has(name):
            return stretch.channel(name)
    return None


def segments_of(stretch: Stretch) -> Segments:
    """Cut a stretch into pulls, steady spans, idling and running.

    A pull is full throttle (above 80 per cent of what the channel reaches; without a throttle channel, boost
    above 20 kPa) for 0.8 s or more while the engine speed rises by 300 rpm or more. A steady span keeps
    engine speed within 120 rpm for 3 s or more. Numbers are common practice.
    """
    speed = stretch.channel("engine_speed")
    running = speed > RUNNING_RPM
    return Segments(
        pulls=_pulls(stretch, speed),
        steady=_steady(stretch, speed, running),
        idle=_idle(stretch, speed),
        running=spans_of(running, stretch.samples(2.0), stretch.samples(0.2)),
    )


def _full_load(stretch: Stretch) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    load = load_of(stretch)
    with np.errstate(invalid="ignore"):
        if load is not None:
            return load >= FULL_THROTTLE_PERCENT
        return stretch.channel("boost") > 20.0


def _pulls(stretch: Stretch, speed: Floats) -> list[Pull]:
    found = []
    flags = _full_load(stretch) & (speed > RUNNING_RPM)
    for span in spans_of(flags, stretch.samples(SHORTEST_PULL_S), stretch.samples(0.1)):
        for part in _between_shifts(stretch, speed, span):
            inside = speed[part.slice]
            known = inside[~np.isnan(inside)]
            if known.size > 2 and float(known[-3:].max() - known[:3].min()) >= LEAST_PULL_RISE_RPM:
                found.append(Pull(part, gear_of(stretch, part)))
    return found


def _between_shifts(stretch: Stretch, speed: Floats, span: Span) -> list[Span]:
    """Cut a span where the engine speed falls fast: a shift at full throttle."""
    inside = speed[span.slice]
    window = stretch.samples(0.25)
    if inside.size <= window:
        return [span]
    drop = np.zeros(inside.size, dtype=bool)
    with np.errstate(invalid="ignore"):
        drop[window:] = inside[:-window] - inside[window:] > 350.0
        drop[:-window] |= inside[:-window] - inside[window:] > 350.0
    pieces = spans_of(~drop, stretch.samples(SHORTEST_PULL_S))
    return [Span(span.start + piece.start, span.start + piece.end) for piece in pieces]


def _steady(
    stretch: Stretch, speed: Floats, running: np.ndarray[tuple[int], np.dtype[np.bool_]]
) -> list[Span]:
    """Return spans over which the engine speed stays within its band and the load does not step."""
    window = stretch.samples(STEADY_S)
    slow = smooth(speed, window)
    with np.errstate(invalid="ignore"):
        flags = running & (np.abs(speed - slow) < STEADY_SPEED_RPM / 2)
        half = max(1, window // 2)
        drift = np.full(speed.size, np.inf)
        drift[half:-half] = np.abs(slow[2 * half :] - slow[: -2 * half])
        flags &= drift < STEADY_SPEED_RPM
    load = load_of(stretch)
    if load is not None:
        with np.errstate(invalid="ignore"):
            flags &= ~(np.abs(load - smooth(load, window)) > 8.0)
    return spans_of(flags, window)


def _idle(stretch: Stretch, speed: Floats) -> list[Span]:
    low, high = IDLE_RPM
    with np.errstate(invalid="ignore"):
        flags = (speed > low) & (speed < high)
        load = load_of(stretch)
        if load is not None:
            closed = np.nanmin(load) + 3.0 if np.any(~np.isnan(load)) else 3.0
            flags &= load <= max(closed, 3.0)
        road = stretch.channel("road_speed")
        flags &= ~(road > 5.0)
    return spans_of(flags, stretch.samples(STEADY_S))
