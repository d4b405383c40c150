"""Boost against its target in a log: low, high, and the boost control at one of its ends."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from engine.logs.feature import Feature, Looked
from engine.logs.features.boost_shape import FEATURES as SHAPES
from engine.logs.features.parts import (
    Held,
    Settings,
    beyond,
    boosted_pulls,
    event_of,
    highest_held,
    target_steady,
    top_speed_rpm,
    where,
)
from engine.logs.segments import Pull, Segments, known
from engine.logs.stretch import Flags, Floats, Span, Stretch
from engine.measures.limits import Limits

SHOWN = ("engine_speed", "throttle", "boost", "boost_target", "boost_duty")

BELOW = "boost_below_target_logged"
OVER = "overboost_logged"
DUTY_HIGH = "gate_duty_at_limit_below_target_logged"
DUTY_ZERO = "gate_duty_at_zero_above_target_logged"
PART_THROTTLE = "boost_full_at_part_throttle_logged"


def _asked(stretch: Stretch, segments: Segments, least_kpa: float) -> Iterator[tuple[Pull, Span]]:
    """Give the pulls in which boost comes up or is asked for, each with its settled part.

    A pull that ends at low engine speed shows nothing of a turbocharger that comes up late: its boost is low
    because the exhaust is.
    """
    target = known(stretch, "boost_target")
    for pull, part in boosted_pulls(stretch, segments, -20.0):
        asked = target[part.slice]
        asked = asked[~np.isnan(asked)]
        if asked.size and float(np.median(asked)) >= least_kpa:
            yield pull, part


def _looked(stretch: Stretch, limits: Limits, limit_id: str, found: list[tuple[Pull, Held]]) -> Looked:
    events = [
        event_of(stretch, held, SHOWN, pull.gear)
        for pull, held in found
        if beyond(limits, limit_id, held.size)
    ]
    largest = max((held.size for _, held in found), default=None)
    return Looked(events, len(found), largest)


def _shortfalls(stretch: Stretch, segments: Segments, read: Settings) -> Iterator[tuple[Pull, Span, Floats]]:
    """Give for each pull the shortfall [kPa] over its settled part, NaN where it cannot be judged."""
    target, boost = known(stretch, "boost_target"), known(stretch, "boost")
    speed = known(stretch, "engine_speed")
    steady = target_steady(stretch, read("target_settles", "s"))
    least_speed = read("judged_above", "rpm")
    top = top_speed_rpm(stretch)
    for pull, part in _asked(stretch, segments, read("least_target", "kPa")):
        inside = speed[part.slice]
        if not np.nanmax(inside, initial=0.0) >= read("reaches_share_of_top_speed", "dimensionless") * top:
            continue
        judged: Flags = steady[part.slice] & (inside >= least_speed)
        yield pull, part, where((target - boost)[part.slice], judged)


def _below(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    read = Settings(limits, BELOW)
    hold = stretch.samples(read("hold", "s"))
    found = []
    for pull, part, shortfall in _shortfalls(stretch, segments, read):
        held = highest_held(shortfall, hold, part.start)
        if held is not None:
            found.append((pull, held))
    return _looked(stretch, limits, BELOW, found)


def _excesses(stretch: Stretch, segments: Segments, read: Settings) -> Iterator[tuple[Pull, Floats]]:
    """Give for each pull the excess [kPa] over target, NaN where the target has just moved."""
    target, boost = known(stretch, "boost_target"), known(stretch, "boost")
    steady = target_steady(stretch, read("target_settles", "s"))
    for pull, _ in _asked(stretch, segments, read("least_target", "kPa")):
        yield pull, where((boost - target)[pull.span.slice], steady[pull.span.slice])


def _over(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    read = Settings(limits, OVER)
    hold = stretch.samples(read("hold", "s"))
    share = 1.0 - read("share_of_hold", "dimensionless")
    found = []
    for pull, excess in _excesses(stretch, segments, read):
        held = highest_held(excess, hold, pull.span.start, share)
        if held is not None:
            found.append((pull, held))
    return _looked(stretch, limits, OVER, found)


def _duty_high(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    read = Settings(limits, DUTY_HIGH)
    duty = known(stretch, "boost_duty")
    hold = stretch.samples(read("hold", "s"))
    at_limit = duty >= read("least_duty", "percent")
    found = []
    for pull, part, shortfall in _shortfalls(stretch, segments, read):
        # Where the control is not at its end the shortfall is not one of the hardware: it counts as none.
        size = np.where(at_limit[part.slice], shortfall, np.minimum(shortfall, 0.0))
        held = highest_held(where(size, ~np.isnan(duty[part.slice])), hold, part.start)
        if held is not None:
            found.append((pull, held))
    return _looked(stretch, limits, DUTY_HIGH, found)


def _duty_zero(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    read = Settings(limits, DUTY_ZERO)
    duty = known(stretch, "boost_duty")
    hold = stretch.samples(read("hold", "s"))
    at_zero = duty <= read("most_duty", "percent")
    found = []
    for pull, excess in _excesses(stretch, segments, read):
        part = pull.span
        size = np.where(at_zero[part.slice], excess, np.minimum(excess, 0.0))
        held = highest_held(where(size, ~np.isnan(duty[part.slice])), hold, part.start)
        if held is not None:
            found.append((pull, held))
    return _looked(stretch, limits, DUTY_ZERO, found)


def _part_throttle(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    """Boost above what is asked for at a small throttle, while the full boost of the log is there."""
    read = Settings(limits, PART_THROTTLE)
    full = [
        float(np.nanmedian(known(stretch, "boost")[part.slice]))
        for _, part in boosted_pulls(stretch, segments, read("least_boost", "kPa"))
    ]
    if not full:
        return Looked()
    if _over(stretch, segments, limits).events:
        # Too much boost at full throttle as well is over-boost, and told as that.
        return Looked()
    load = known(stretch, "throttle")
    small = (load >= read("least_throttle", "percent")) & (load <= read("most_throttle", "percent"))
    hold, settle = stretch.samples(read("hold", "s")), stretch.samples(read("settles", "s"))
    boost, target = known(stretch, "boost"), known(stretch, "boost_target")
    # A throttle that has only just shut traps the boost of the pull for a moment.
    calm = np.zeros(load.size, dtype=bool)
    calm[settle:] = np.abs(load[settle:] - load[:-settle]) <= read("throttle_moves", "percent")
    size = where(boost - target, small & calm & (boost >= read("share_of_full", "dimensionless") * max(full)))
    held = highest_held(size, hold, 0)
    chances = 1 if np.any(small & calm) else 0
    if held is None or not beyond(limits, PART_THROTTLE, held.size):
        return Looked((), chances, 0.0 if chances else None)
    return Looked([event_of(stretch, held, SHOWN)], chances, held.size)


FEATURES: tuple[Feature, ...] = (
    Feature(BELOW, ("engine_speed", "boost", "boost_target"), _below, least_chances=2),
    Feature(OVER, ("engine_speed", "boost", "boost_target"), _over, least_chances=2),
    Feature(DUTY_HIGH, ("engine_speed", "boost", "boost_target", "boost_duty"), _duty_high, least_chances=2),
    Feature(DUTY_ZERO, ("engine_speed", "boost", "boost_target", "boost_duty"), _duty_zero, least_chances=2),
    Feature(PART_THROTTLE, ("engine_speed", "throttle", "boost", "boost_target"), _part_throttle),
    *SHAPES,
)
