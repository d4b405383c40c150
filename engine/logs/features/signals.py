"""Signals that jump, and levels that are wrong at idle or in the crankcase."""

from __future__ import annotations

import numpy as np

from engine.logs.feature import Feature, Looked
from engine.logs.features.levels import look_for_level, looked_at
from engine.logs.features.parts import Held, Settings, median, where
from engine.logs.segments import Segments, known
from engine.logs.stretch import Flags, Span, Stretch, spans_of
from engine.measures.limits import Limits

JUMPS = "throttle_reading_jumps_logged"
CRANKCASE = "crankcase_pressure_high_logged"
VACUUM = "idle_vacuum_weak_logged"
FAST_IDLE = "high_idle_logged"


def _jumps(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    """A throttle that is elsewhere for a moment and back: no foot and no motor does that."""
    read = Settings(limits, JUMPS)
    throttle = stretch.channel("throttle")
    if stretch.length < 3 or stretch.step_s > read("slowest_step", "s"):
        return Looked()
    side = stretch.samples(read("side", "s"))
    if stretch.length <= 2 * side:
        return Looked()
    before, here, after = throttle[: -2 * side], throttle[side:-side], throttle[2 * side :]
    off = np.abs(here - (before + after) / 2.0)
    back = np.abs(before - after) <= read("back_within", "percent")
    spike = np.full(stretch.length, np.nan)
    spike[side:-side] = np.where(back, off, 0.0)
    minute = stretch.samples(60.0)
    times = round(read("least_times", "dimensionless"))
    found = []
    for start in range(0, stretch.length, minute):
        inside = np.nan_to_num(spike[start : start + minute])
        least = 0.3 * float(inside.max(initial=0.0))
        each = [float(inside[run.slice].max()) for run in spans_of(inside > max(least, 1.0), 1, 2 * side)]
        ranked = np.sort(np.array([0.0] * times + each))
        if inside.size >= stretch.samples(20.0):
            place = start + int(np.argmax(inside))
            found.append(Held(float(ranked[-times]), Span(max(0, place - side), place + side + 1)))
    return looked_at(stretch, limits, JUMPS, found, ("throttle", "pedal", "engine_speed"))


def _crankcase(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    read = Settings(limits, CRANKCASE)
    pressure = known(stretch, "crankcase_pressure")
    running = known(stretch, "engine_speed") > 400.0
    boosted = known(stretch, "boost") >= read("least_boost", "kPa")
    shown = ("crankcase_pressure", "boost", "engine_speed")
    return look_for_level(
        stretch, limits, CRANKCASE, pressure, running, read("hold", "s"), shown, cleared_by=boosted
    )


def _warm(stretch: Stretch, least: float) -> Flags:
    if not stretch.has("coolant_temperature"):
        return np.zeros(stretch.length, dtype=bool)
    flags: Flags = known(stretch, "coolant_temperature") >= least
    return flags


def _idles(stretch: Stretch, segments: Segments, read: Settings, name: str) -> list[Held]:
    values = where(known(stretch, name), _warm(stretch, read("warm", "degC")))
    settle = stretch.samples(read("settles", "s"))
    found = []
    for span in segments.idle:
        # The throttle has just shut: speed and pressure still come down.
        inside = values[span.start + settle : span.end]
        if inside.size >= stretch.samples(read("hold", "s")) and not np.isnan(median(inside)):
            found.append(Held(median(inside), Span(span.start + settle, span.end)))
    return found


def _vacuum(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    found = _idles(stretch, segments, Settings(limits, VACUUM), "boost")
    return looked_at(stretch, limits, VACUUM, found, ("boost", "engine_speed", "throttle"))


def _fast_idle(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    found = _idles(stretch, segments, Settings(limits, FAST_IDLE), "engine_speed")
    return looked_at(stretch, limits, FAST_IDLE, found, ("engine_speed", "throttle", "coolant_temperature"))


FEATURES = (
    Feature(JUMPS, ("throttle",), _jumps, least_chances=None),
    Feature(CRANKCASE, ("engine_speed", "boost", "crankcase_pressure"), _crankcase, least_chances=2),
    Feature(VACUUM, ("engine_speed", "boost", "coolant_temperature"), _vacuum, least_chances=1),
    Feature(FAST_IDLE, ("engine_speed", "coolant_temperature"), _fast_idle, least_chances=1),
)
