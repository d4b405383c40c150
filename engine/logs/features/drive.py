"""Clutch and tyres: engine speed that runs away from the wheels, driven wheels from the others."""

from __future__ import annotations

import numpy as np

from engine.logs.feature import Feature, Looked
from engine.logs.features.levels import looked_at
from engine.logs.features.parts import Held, Settings, highest_held, median, where
from engine.logs.segments import Segments, known, load_of
from engine.logs.stretch import Flags, Floats, Span, Stretch, smooth
from engine.measures.limits import Limits

SHOWN = ("engine_speed", "road_speed", "driven_wheel_speed", "boost", "gear")

FLARES = "engine_speed_flares_in_gear_logged"
SPINS = "tyre_slip_on_rollers_logged"
DISAGREE = "wheel_speeds_disagree_seen_logged"


def _flares(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    """The ratio of engine to wheel speed in a pull against that at gentle throttle in the same gear.

    Where the log has no gear, against the lowest of the pull itself: a clutch that slips from the start of it
    is then not seen.
    """
    read = Settings(limits, FLARES)
    wheels = "driven_wheel_speed" if stretch.has("driven_wheel_speed") else "road_speed"
    short = stretch.samples(0.3)
    road, speed = smooth(known(stretch, wheels), short), smooth(known(stretch, "engine_speed"), short)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = where(speed / road, road > read("least_road", "km/h"))
    hold = stretch.samples(read("hold", "s"))
    gentle, gears = _gently(stretch), np.round(stretch.channel("gear"))
    found = []
    for pull in segments.pulls:
        inside = ratio[pull.span.slice]
        if len(pull.span) < 3 * hold or np.isnan(inside).mean() > 0.4:
            continue
        base = float(np.nanquantile(inside, 0.1))
        if pull.gear is not None:
            usual = median(where(ratio, gentle & (gears == pull.gear)))
            # A shift under way is no gear: what is far off does not count.
            base = usual if 0.7 * base < usual < 1.05 * base else base
        held = highest_held(100.0 * (inside / base - 1.0), hold, pull.span.start)
        if held is not None:
            found.append(Held(held.size, pull.span))
    return looked_at(stretch, limits, FLARES, found, SHOWN)


def _others(stretch: Stretch) -> str:
    return "undriven_wheel_speed" if stretch.has("undriven_wheel_speed") else "road_speed"


def _apart(stretch: Stretch, least: float) -> Floats:
    """Return how far the driven wheels run ahead of the others [per cent], where the car moves."""
    others = known(stretch, _others(stretch))
    with np.errstate(invalid="ignore", divide="ignore"):
        apart: Floats = 100.0 * (known(stretch, "driven_wheel_speed") / others - 1.0)
    return where(apart, others > least)


def _gently(stretch: Stretch) -> Flags:
    load = load_of(stretch)
    return np.ones(stretch.length, dtype=bool) if load is None else load < 40.0


def _spins(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    read = Settings(limits, SPINS)
    apart = _apart(stretch, read("least_road", "km/h"))
    # Tyres of unlike size make a constant difference; only what a pull adds is slip.
    usual = median(where(apart, _gently(stretch)))
    apart = apart - (0.0 if np.isnan(usual) else usual)
    hold = stretch.samples(read("hold", "s"))
    found = []
    for pull in segments.pulls:
        held = highest_held(apart[pull.span.slice], hold, pull.span.start)
        if held is not None:
            found.append(Held(held.size, pull.span))
    return looked_at(stretch, limits, SPINS, found, (*SHOWN, "undriven_wheel_speed"))


def _disagree(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    read = Settings(limits, DISAGREE)
    apart = np.abs(where(_apart(stretch, read("least_road", "km/h")), _gently(stretch)))
    moving = np.flatnonzero(~np.isnan(apart))
    if moving.size < stretch.samples(read("least_time", "s")):
        return Looked()
    span = Span(int(moving[0]), int(moving[0]) + stretch.samples(10.0))
    return looked_at(stretch, limits, DISAGREE, [Held(median(apart), span)], SHOWN)


FEATURES = (
    Feature(FLARES, ("engine_speed",), _flares, either=("driven_wheel_speed", "road_speed"), least_chances=2),
    Feature(
        SPINS,
        ("engine_speed", "driven_wheel_speed"),
        _spins,
        either=("undriven_wheel_speed", "road_speed"),
        least_chances=2,
    ),
    Feature(
        DISAGREE,
        ("driven_wheel_speed",),
        _disagree,
        either=("undriven_wheel_speed", "road_speed"),
        least_chances=1,
    ),
)
