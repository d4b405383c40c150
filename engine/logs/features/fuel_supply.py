"""Fuel supply in a log: pressure against boost, under load and in corners; injector duty; tank pressure."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from engine.logs.feature import Event, Feature, Looked
from engine.logs.features.parts import (
    Held,
    Settings,
    beyond,
    event_of,
    highest_held,
    median,
    rolling,
    where,
)
from engine.logs.segments import Pull, Segments, known, load_of
from engine.logs.stretch import Flags, Floats, Span, Stretch, smooth, spans_of
from engine.measures.limits import Limits

SHOWN = ("engine_speed", "throttle", "boost", "fuel_pressure", "injector_duty", "lambda", "battery_voltage")
CORNERS = (
    "lateral_acceleration",
    "longitudinal_acceleration",
    "engine_speed",
    "boost",
    "fuel_pressure",
    "lambda",
)

FLAT = "fuel_pressure_flat_with_boost_logged"
FALLS = "fuel_pressure_falls_at_load_logged"
CORNER = "fuel_pressure_dips_in_corners_logged"
DUTY = "injector_duty_over_limit_logged"
TANK = "tank_pressure_rises_under_boost_logged"


def _over_manifold(stretch: Stretch) -> Floats:
    """Return the fuel pressure over the manifold [kPa] with the engine running."""
    running = known(stretch, "engine_speed") > 600.0
    return where(known(stretch, "fuel_pressure") - known(stretch, "boost"), running)


def _flat(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    """Return the slope of fuel pressure over boost: one with a reference, nothing without.

    The slope is taken between medians in classes of boost, over all of them and over the lower half: a weak
    pump bends the line down at its end only.
    """
    read = Settings(limits, FLAT)
    boost = smooth(known(stretch, "boost"), stretch.samples(0.2))
    fuel = smooth(known(stretch, "fuel_pressure"), stretch.samples(0.2))
    usable = (known(stretch, "engine_speed") > 600.0) & ~np.isnan(boost) & ~np.isnan(fuel)
    # The regulator follows a little late, so what changes fast says nothing.
    moves = np.abs(np.gradient(boost, stretch.step_s)) if boost.size > 1 else np.zeros(boost.size)
    usable &= moves <= read("boost_moves_at_most_per_s", "kPa")
    classes = _classes(
        boost[usable], fuel[usable], read("class", "kPa"), stretch.samples(read("least_time", "s"))
    )
    if len(classes) < 3 or classes[-1][0] - classes[0][0] < read("least_spread", "kPa"):
        return Looked()
    if classes[-1][0] < read("least_boost", "kPa"):
        return Looked()
    middle = 0.5 * (classes[0][0] + classes[-1][0])
    lower = [pair for pair in classes if pair[0] <= middle]
    slopes = [_slope(classes)]
    if len(lower) >= 3:
        slopes.append(_slope(lower))
    size = max(slopes)
    if not beyond(limits, FLAT, size):
        return Looked((), 1, size)
    top = int(np.nanargmax(np.where(usable, boost, np.nan)))
    about = stretch.samples(1.5)
    span = Span(max(0, top - about), min(stretch.length, top + about))
    more = {
        "fuel pressure at lowest boost kPa": round(classes[0][1], 1),
        "lowest boost kPa": round(classes[0][0], 1),
        "fuel pressure at highest boost kPa": round(classes[-1][1], 1),
        "highest boost kPa": round(classes[-1][0], 1),
    }
    return Looked([event_of(stretch, Held(size, span), SHOWN, more=more)], 1, size)


def _classes(boost: Floats, fuel: Floats, width: float, least: int) -> list[tuple[float, float]]:
    """Return the median boost and fuel pressure in each class of boost that has enough samples."""
    numbers = np.floor(boost / width).astype(np.int64)
    found = []
    for number in np.unique(numbers).tolist():
        inside = numbers == number
        if np.sum(inside) >= least:
            found.append((float(np.median(boost[inside])), float(np.median(fuel[inside]))))
    return found


def _slope(pairs: list[tuple[float, float]]) -> float:
    """Return the median of the slopes between all pairs (Theil and Sen), which wrong points do not bend."""
    slopes = [
        (other[1] - one[1]) / (other[0] - one[0])
        for i, one in enumerate(pairs)
        for other in pairs[i + 1 :]
        if other[0] > one[0]
    ]
    return float(np.median(slopes))


def _base(stretch: Stretch, over: Floats, read: Settings) -> float:
    """Return the pressure over the manifold off load: at cruise, else at idle; NaN without either."""
    boost, speed = known(stretch, "boost"), known(stretch, "engine_speed")
    load = load_of(stretch)
    calm: Flags = boost < read("base_below_boost", "kPa")
    if load is not None:
        calm &= load < read("base_below_throttle", "percent")
    least = stretch.samples(read("base_time", "s"))
    for flags in (calm & (speed > 1500.0), calm & (speed > 600.0)):
        found = over[flags & ~np.isnan(over)]
        if found.size >= least:
            return float(np.median(found))
    return float("nan")


def _loaded(segments: Segments, boost: Floats, least_kpa: float) -> Iterator[Pull]:
    for pull in segments.pulls:
        inside = boost[pull.span.slice]
        if np.nanmax(inside, initial=-np.inf) >= least_kpa:
            yield pull


def _falls(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    read = Settings(limits, FALLS)
    over, boost = _over_manifold(stretch), known(stretch, "boost")
    base = _base(stretch, over, read)
    hold, settle = stretch.samples(read("hold", "s")), stretch.samples(read("settles", "s"))
    events: list[Event] = []
    sizes: list[float] = []
    for pull in _loaded(segments, boost, read("least_boost", "kPa")):
        inside = over[pull.span.start + settle : pull.span.end]
        reference = base
        if np.isnan(reference):
            # A log of the pull alone: its own beginning, before the load has come on.
            early = rolling(inside, hold, 0.5)
            reference = float(early[0]) if early.size else float("nan")
        held = highest_held(reference - inside, hold, pull.span.start + settle)
        if held is None:
            continue
        sizes.append(held.size)
        if beyond(limits, FALLS, held.size):
            more = {
                "pressure over manifold off load kPa": round(reference, 1),
                "pressure over manifold kPa": round(median(over[held.span.slice]), 1),
            }
            events.append(event_of(stretch, held, SHOWN, pull.gear, more))
    return Looked(events, len(sizes), max(sizes, default=None))


def _corners(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    """Return how far the pressure over the manifold dips in a corner or when braking.

    It is held against the straights at the same boost, so that a pump that fails at load everywhere, or a
    regulator without its reference, is not taken for fuel that runs to one side.
    """
    read = Settings(limits, CORNER)
    over, boost = _over_manifold(stretch), known(stretch, "boost")
    sideways = np.abs(smooth(known(stretch, "lateral_acceleration"), stretch.samples(0.3)))
    forward = smooth(known(stretch, "longitudinal_acceleration"), stretch.samples(0.3))
    hard, easy = read("least_acceleration", "g_0"), read("straight_below", "g_0")
    turning = (sideways >= hard) | (forward <= -hard)
    straight = (sideways < easy) & ~(np.abs(forward) >= hard)
    hold, late = stretch.samples(read("hold", "s")), stretch.samples(read("pressure_is_late_by", "s"))
    dip = _below_straights(over, boost, straight, read, stretch.samples(read("straight_time", "s")))
    events: list[Event] = []
    sizes: list[float] = []
    for span in spans_of(turning, stretch.samples(read("corner_time", "s")), late):
        held = highest_held(dip[span.start : span.end + late], hold, span.start, 0.25)
        if held is None:
            continue
        sizes.append(held.size)
        if beyond(limits, CORNER, held.size):
            events.append(event_of(stretch, held, CORNERS))
    return Looked(events, len(sizes), max(sizes, default=None))


def _below_straights(over: Floats, boost: Floats, straight: Flags, read: Settings, least: int) -> Floats:
    """Return how far pressure is below what the straights show at the same boost, NaN where they show none.

    The lower tenth of the straights counts, not their median: what they show too is not the corner's.
    """
    width = read("class", "kPa")
    number = np.floor(boost / width)
    base = np.full(over.size, np.nan, dtype=np.float64)
    usable = straight & ~np.isnan(over) & ~np.isnan(boost)
    for one in np.unique(number[~np.isnan(number)]).tolist():
        near = over[usable & (np.abs(number - one) <= 1.0)]
        if near.size >= least:
            base[number == one] = float(np.quantile(near, 0.1))
    return base - over


def _duty_of(stretch: Stretch) -> tuple[Floats, bool]:
    """Return the injector duty [per cent] and True where it is logged, else that of one shot per cycle.

    ``duty = pulse [ms] * speed [rpm] / 1200``: a cycle of a four-stroke engine takes 120000 ms / rpm.
    """
    duty = known(stretch, "injector_duty")
    if not np.all(np.isnan(duty)):
        return duty, True
    return known(stretch, "injector_pulse") * known(stretch, "engine_speed") / 1200.0, False


def _duty(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    read = Settings(limits, DUTY)
    duty, logged = _duty_of(stretch)
    speed, boost = known(stretch, "engine_speed"), known(stretch, "boost")
    hold = stretch.samples(read("hold", "s"))
    names = (*SHOWN, "injector_pulse")
    usable = where(duty, ~(stretch.channel("cut_active") > 0.5) & (speed > 600.0))
    events: list[Event] = []
    sizes: list[float] = []
    for pull in segments.pulls:
        held = highest_held(usable[pull.span.slice], hold, pull.span.start)
        if held is None:
            continue
        tried = (speed >= read("chance_above", "rpm")) & ~(boost < read("chance_boost", "kPa"))
        # A pulse with two shots per cycle opens twice as long as worked out here: that clears nothing.
        if logged and np.any(tried[pull.span.slice] & ~np.isnan(boost[pull.span.slice])):
            sizes.append(held.size)
        if beyond(limits, DUTY, held.size):
            more = {} if logged else {"injector duty worked out %": round(held.size, 1)}
            events.append(event_of(stretch, held, names, pull.gear, more))
    return Looked(events, len(sizes), max(sizes, default=None))


def _tank(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    """Return by how much the tank pressure in a pull is above what it was off boost."""
    read = Settings(limits, TANK)
    tank, boost = known(stretch, "tank_pressure"), known(stretch, "boost")
    off = tank[(boost < 0.0) & ~np.isnan(tank)]
    base = float(np.median(off)) if off.size >= stretch.samples(1.0) else 0.0
    hold, after = stretch.samples(read("hold", "s")), stretch.samples(read("looks_after", "s"))
    events: list[Event] = []
    sizes: list[float] = []
    for pull in _loaded(segments, boost, read("least_boost", "kPa")):
        inside = Span(pull.span.start, min(stretch.length, pull.span.end + after))
        held = highest_held(tank[inside.slice] - base, hold, inside.start)
        if held is None:
            continue
        sizes.append(held.size)
        if beyond(limits, TANK, held.size):
            more = {"tank pressure off boost kPa": round(base, 2)}
            events.append(
                event_of(stretch, held, ("engine_speed", "boost", "tank_pressure"), pull.gear, more)
            )
    return Looked(events, len(sizes), max(sizes, default=None))


PRESSURES = ("engine_speed", "boost", "fuel_pressure")

FEATURES: tuple[Feature, ...] = (
    Feature(FLAT, PRESSURES, _flat, least_chances=1, smallest_is_worst=True),
    Feature(FALLS, PRESSURES, _falls, least_chances=2),
    Feature(CORNER, (*PRESSURES, "lateral_acceleration"), _corners, least_chances=6),
    Feature(DUTY, ("engine_speed",), _duty, either=("injector_duty", "injector_pulse"), least_chances=2),
    Feature(TANK, ("engine_speed", "boost", "tank_pressure"), _tank, least_chances=2),
)
