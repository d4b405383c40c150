"""Coolant: too hot, warming too fast, pressure that follows boost, a reading that jumps."""

from __future__ import annotations

import numpy as np

from engine.logs.feature import Feature, Looked
from engine.logs.features.levels import look_for_level, looked_at
from engine.logs.features.parts import Held, Settings, boosted_pulls, median
from engine.logs.segments import Segments, known
from engine.logs.stretch import Flags, Floats, Span, Stretch, smooth, spans_of
from engine.measures.limits import Limits

SHOWN = ("coolant_temperature", "engine_speed", "boost", "road_speed", "coolant_pressure")

AT_LOAD = "overheats_at_load_logged"
AT_IDLE = "overheats_at_idle_logged"
RISES = "coolant_rises_at_load_logged"
STEPS = "coolant_pressure_steps_with_boost_seen_logged"
FAST = "coolant_pressure_rises_fast_logged"
JUMPS = "temperature_gauge_jumps_logged"


def _at_load(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    read = Settings(limits, AT_LOAD)
    worked = known(stretch, "engine_speed") > read("least_speed", "rpm")
    coolant = known(stretch, "coolant_temperature")
    warm = coolant >= read("warm", "degC")
    return look_for_level(
        stretch,
        limits,
        AT_LOAD,
        coolant,
        worked,
        read("hold", "s"),
        SHOWN,
        cleared_by=warm,
        clearing_s=read("clearing", "s"),
    )


def _at_idle(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    read = Settings(limits, AT_IDLE)
    idles = np.zeros(stretch.length, dtype=bool)
    for span in segments.idle:
        idles[span.slice] = True
    coolant = known(stretch, "coolant_temperature")
    warm = coolant >= read("warm", "degC")
    return look_for_level(
        stretch,
        limits,
        AT_IDLE,
        coolant,
        idles,
        read("hold", "s"),
        SHOWN,
        cleared_by=warm,
        clearing_s=read("clearing", "s"),
    )


def _rises(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    """The rise over a window that begins warm, worked hard: a system that is behind."""
    read = Settings(limits, RISES)
    coolant = smooth(known(stretch, "coolant_temperature"), stretch.samples(2.0))
    window = stretch.samples(read("window", "s"))
    if stretch.length <= window:
        return Looked()
    worked = known(stretch, "engine_speed") > read("least_speed", "rpm")
    rise = np.full(stretch.length, np.nan)
    rise[:-window] = coolant[window:] - coolant[:-window]
    share = np.convolve(worked.astype(np.float64), np.ones(window) / window)[window - 1 :][: stretch.length]
    flags: Flags = (coolant >= read("warm", "degC")) & (share >= read("share_worked", "dimensionless"))
    found = []
    for run in spans_of(flags & ~np.isnan(rise), stretch.samples(1.0), stretch.samples(1.0)):
        place = run.start + int(np.nanargmax(rise[run.slice]))
        found.append(Held(float(rise[place]), Span(place, min(stretch.length, place + window))))
    return looked_at(stretch, limits, RISES, found, SHOWN)


def _steps(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    read = Settings(limits, STEPS)
    pressure, boost = known(stretch, "coolant_pressure"), known(stretch, "boost")
    coolant = known(stretch, "coolant_temperature")
    before, slowest = stretch.samples(read("before", "s")), stretch.samples(read("slowest_spool", "s"))
    found = []
    for pull, part in boosted_pulls(stretch, segments, read("least_boost", "kPa")):
        # A pull may begin long before boost does.
        low = np.flatnonzero(boost[pull.span.start : part.start] < read("off_boost", "kPa"))
        start = pull.span.start + (int(low[-1]) + 1 if low.size else 0)
        ahead = median(pressure[max(0, start - before) : start])
        # Only as boost arrives: over a long pull the coolant warms and its pressure rises by itself.
        soon = min(part.end, part.start + stretch.samples(read("soon", "s")))
        step = median(pressure[part.start : soon]) - ahead
        warmed = median(coolant[part.start : soon]) - median(coolant[max(0, start - before) : start])
        # What the heat itself explains is no gas.
        step -= read("by_warming", "kPa/delta_degC") * max(0.0, float(np.nan_to_num(warmed)))
        if not np.isnan(step) and part.start - start < slowest:
            found.append(Held(step, Span(max(0, start - before), part.end)))
    return looked_at(stretch, limits, STEPS, found, SHOWN)


def _fast(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    read = Settings(limits, FAST)
    pressure, coolant = known(stretch, "coolant_pressure"), known(stretch, "coolant_temperature")
    window = stretch.samples(read("window", "s"))
    found = []
    for span in segments.running:
        end = min(span.end, span.start + window)
        cold = coolant[span.start]
        if np.isnan(cold) or cold > read("cold", "degC") or end - span.start < window // 2:
            continue
        held = smooth(pressure, stretch.samples(2.0))[span.start : end].copy()
        # Once it is warm it has pressure anyway.
        held[coolant[span.start : end] > read("not_warm", "degC")] = np.nan
        if not np.all(np.isnan(held)):
            found.append(Held(float(np.nanmax(held) - held[~np.isnan(held)][0]), Span(span.start, end)))
    return looked_at(stretch, limits, FAST, found, SHOWN)


def _nth_largest(values: Floats, count: int, apart: int) -> float:
    """Return the count-th largest of the known values that lie so many samples apart; 0 where fewer do.

    A jump and its way back within that time count once.
    """
    left = np.nan_to_num(values, nan=0.0)
    size = 0.0
    for _ in range(count):
        place = int(np.argmax(left))
        size = float(left[place])
        left[max(0, place - apart) : place + apart + 1] = 0.0
    return size


def _jumps(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    """Coolant has too much heat in it to jump: a step within half a second is the sensor or its wiring."""
    read = Settings(limits, JUMPS)
    coolant = stretch.channel("coolant_temperature")
    lag = stretch.samples(read("within", "s"))
    if stretch.length <= lag:
        return Looked()
    step = np.full(stretch.length, np.nan)
    step[lag:] = np.abs(coolant[lag:] - coolant[:-lag])
    minute, times = stretch.samples(60.0), round(read("least_times", "dimensionless"))
    found: list[Held] = []
    for start in range(0, stretch.length, minute):
        inside = step[start : start + minute]
        if np.count_nonzero(~np.isnan(inside)) < stretch.samples(20.0):
            continue
        place = start + int(np.nanargmax(inside))
        size = _nth_largest(inside, times, 4 * lag)
        found.append(Held(size, Span(max(0, place - lag), place + 1)))
    return looked_at(stretch, limits, JUMPS, found, SHOWN)


FEATURES = (
    Feature(AT_LOAD, ("engine_speed", "coolant_temperature"), _at_load, least_chances=1),
    Feature(AT_IDLE, ("engine_speed", "coolant_temperature"), _at_idle, least_chances=1),
    Feature(RISES, ("engine_speed", "coolant_temperature"), _rises, least_chances=None),
    Feature(STEPS, ("engine_speed", "boost", "coolant_pressure"), _steps, least_chances=2),
    Feature(FAST, ("engine_speed", "coolant_temperature", "coolant_pressure"), _fast, least_chances=1),
    Feature(JUMPS, ("coolant_temperature",), _jumps, least_chances=None),
)
