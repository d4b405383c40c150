"""System voltage: sagging in pulls, low or high while running."""

from __future__ import annotations

import numpy as np

from engine.logs.feature import Feature, Looked
from engine.logs.features.levels import look_for_level, looked_at
from engine.logs.features.parts import Held, Settings, highest_held, median
from engine.logs.segments import Segments, known
from engine.logs.stretch import Flags, Span, Stretch
from engine.measures.limits import Limits

SHOWN = ("battery_voltage", "engine_speed", "throttle", "fuel_pressure")

SAGS = "voltage_falls_at_load_seen_logged"
LOW = "voltage_low_running_logged"
HIGH = "voltage_too_high_running_logged"


def _sags(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    read = Settings(limits, SAGS)
    volts = known(stretch, "battery_voltage")
    before, hold = stretch.samples(read("before", "s")), stretch.samples(read("hold", "s"))
    speed = known(stretch, "engine_speed")
    found = []
    for pull in segments.pulls:
        start = max(0, pull.span.start - before)
        # Only what was charging before can be said to sag in the pull.
        ahead = median(
            np.where(speed[start : pull.span.start] > 1200.0, volts[start : pull.span.start], np.nan)
        )
        held = highest_held(ahead - volts[pull.span.slice], hold, pull.span.start)
        if held is not None and not np.isnan(ahead):
            found.append(Held(held.size, Span(start, pull.span.end)))
    return looked_at(stretch, limits, SAGS, found, SHOWN)


def _running(stretch: Stretch, read: Settings) -> Flags:
    flags: Flags = known(stretch, "engine_speed") > read("least_speed", "rpm")
    return flags


def _low(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    read = Settings(limits, LOW)
    volts = known(stretch, "battery_voltage")
    return look_for_level(
        stretch, limits, LOW, volts, _running(stretch, read), read("hold", "s"), SHOWN, low=True
    )


def _high(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    read = Settings(limits, HIGH)
    volts = known(stretch, "battery_voltage")
    return look_for_level(stretch, limits, HIGH, volts, _running(stretch, read), read("hold", "s"), SHOWN)


NEEDS = ("engine_speed", "battery_voltage")

FEATURES = (
    Feature(SAGS, NEEDS, _sags, least_chances=2),
    Feature(LOW, NEEDS, _low, least_chances=2, smallest_is_worst=True),
    Feature(HIGH, NEEDS, _high, least_chances=2),
)
