"""How evenly the engine turns: misfire-like jitter of its speed, counted misfires, cuts on purpose."""

from __future__ import annotations

import numpy as np

from engine.logs.feature import Feature, Looked
from engine.logs.features.levels import looked_at
from engine.logs.features.parts import Held, Settings, boosted_pulls, rolling
from engine.logs.segments import Segments, known
from engine.logs.stretch import Floats, Span, Stretch
from engine.measures.limits import Limits

SHOWN = ("engine_speed", "boost", "lambda", "throttle", "misfire_count")

UNDER_BOOST = "misfire_under_boost_logged"
AT_IDLE = "misfire_at_idle_logged"
COUNTED = "misfires_counted_under_boost_logged"
CUT = "cut_flag_seen_logged"


def jitter(stretch: Stretch, lag_s: float) -> Floats:
    """Return how far each engine speed [rpm] lies off the line through those `lag_s` before and after.

    A run-up bends little in that time, a cylinder that does not fire makes a notch. At idle a notch lasts
    longer.
    """
    speed = stretch.channel("engine_speed")
    lag = stretch.samples(lag_s)
    found = np.full(stretch.length, np.nan)
    if stretch.length > 2 * lag:
        found[lag:-lag] = np.abs(speed[lag:-lag] - (speed[: -2 * lag] + speed[2 * lag :]) / 2.0)
    return found


def _worst(values: Floats, samples: int, share: float, start: int) -> Held | None:
    """Return the highest jitter that a `share` of the samples of a window exceed."""
    filled = np.where(np.isnan(values), 0.0, values)
    levels = rolling(filled, min(samples, filled.size), 1.0 - share)
    if not levels.size or np.isnan(values).mean() > 0.5:
        return None
    place = int(np.argmax(levels))
    return Held(float(levels[place]), Span(start + place, start + place + min(samples, filled.size)))


def _under_boost(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    read = Settings(limits, UNDER_BOOST)
    uneven = jitter(stretch, read("lag", "s"))
    cut = stretch.channel("cut_active") > 0.5
    uneven[cut] = np.nan
    edge, window = stretch.samples(read("edge", "s")), stretch.samples(read("window", "s"))
    found = []
    for _, part in boosted_pulls(stretch, segments, read("least_boost", "kPa")):
        start, end = part.start + edge, part.end - edge
        if end - start < window // 2:
            continue
        held = _worst(uneven[start:end], window, read("share", "dimensionless"), start)
        if held is not None:
            found.append(held)
    return looked_at(stretch, limits, UNDER_BOOST, found, SHOWN)


def _at_idle(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    read = Settings(limits, AT_IDLE)
    uneven = jitter(stretch, read("lag", "s"))
    window = stretch.samples(read("window", "s"))
    found = []
    for span in segments.idle:
        if len(span) < window:
            continue
        held = _worst(uneven[span.slice], window, read("share", "dimensionless"), span.start)
        if held is not None:
            found.append(held)
    return looked_at(stretch, limits, AT_IDLE, found, SHOWN)


def _counted(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    read = Settings(limits, COUNTED)
    count = known(stretch, "misfire_count")
    found = []
    for pull, _ in boosted_pulls(stretch, segments, read("least_boost", "kPa")):
        inside = count[pull.span.slice]
        inside = inside[~np.isnan(inside)]
        if inside.size > 1:
            found.append(Held(float(np.maximum(np.diff(inside), 0.0).sum()), pull.span))
    return looked_at(stretch, limits, COUNTED, found, SHOWN)


def _cut(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    flags = stretch.channel("cut_active")
    found = []
    for pull in segments.pulls:
        # The limiter comes as the pull ends, so a little behind it counts as well.
        span = Span(pull.span.start, min(stretch.length, pull.span.end + stretch.samples(1.0)))
        inside = flags[span.slice]
        if not np.all(np.isnan(inside)):
            found.append(Held(float(np.nansum(inside > 0.5)) * stretch.step_s, span))
    return looked_at(stretch, limits, CUT, found, ("cut_active", "engine_speed", "throttle", "boost"))


FEATURES = (
    Feature(UNDER_BOOST, ("engine_speed", "boost"), _under_boost, least_chances=2),
    Feature(COUNTED, ("engine_speed", "boost", "misfire_count"), _counted, least_chances=2),
    Feature(AT_IDLE, ("engine_speed",), _at_idle, least_chances=2),
    Feature(CUT, ("engine_speed", "cut_active"), _cut, least_chances=2),
)
