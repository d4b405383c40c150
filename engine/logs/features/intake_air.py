"""Charge air: too hot at load, climbing through a pull, hot before it, or a reading that cannot be."""

from __future__ import annotations

import numpy as np

from engine.logs.feature import Feature, Looked
from engine.logs.features.levels import look_for_level, looked_at
from engine.logs.features.parts import Held, Settings, boosted_pulls, median
from engine.logs.segments import Segments, known
from engine.logs.stretch import Span, Stretch
from engine.measures.limits import Limits

SHOWN = ("intake_temperature", "boost", "engine_speed", "road_speed")

HOT = "charge_air_too_hot_logged"
CLIMBS = "charge_air_climbs_all_through_pull_logged"
BEFORE = "charge_air_hot_before_pull_logged"
ABSURD = "air_temp_reading_implausible_logged"


def _hot(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    read = Settings(limits, HOT)
    flags = np.zeros(stretch.length, dtype=bool)
    for _, part in boosted_pulls(stretch, segments, read("least_boost", "kPa")):
        flags[part.slice] = True
    return look_for_level(
        stretch, limits, HOT, known(stretch, "intake_temperature"), flags, read("hold", "s"), SHOWN
    )


def _climbs(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    """The rise from the first to the last half second of a pull, if it goes on to the end."""
    read = Settings(limits, CLIMBS)
    air = known(stretch, "intake_temperature")
    ends = stretch.samples(0.5)
    found = []
    for pull, _ in boosted_pulls(stretch, segments, read("least_boost", "kPa")):
        span = pull.span
        if len(span) < stretch.samples(read("least_time", "s")):
            continue
        middle = (span.start + span.end) // 2
        first = median(air[span.start : span.start + ends])
        half = median(air[middle - ends // 2 : middle + ends // 2 + 1])
        last = median(air[span.end - ends : span.end])
        rise = last - first
        if np.isnan(rise):
            continue
        # A sensor that gives back heat from standing falls or levels; only one that keeps on climbs.
        goes_on = last - half >= read("share_in_second_half", "dimensionless") * rise
        found.append(Held(rise if goes_on else min(rise, 0.0), span))
    return looked_at(stretch, limits, CLIMBS, found, SHOWN)


def _before(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    read = Settings(limits, BEFORE)
    air = known(stretch, "intake_temperature")
    ahead = stretch.samples(read("before", "s"))
    found = []
    for pull in segments.pulls:
        start = max(0, pull.span.start - ahead)
        level = median(air[start : pull.span.start])
        if not np.isnan(level):
            found.append(Held(level, Span(start, pull.span.end)))
    return looked_at(stretch, limits, BEFORE, found, SHOWN)


def _absurd(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    read = Settings(limits, ABSURD)
    air = known(stretch, "intake_temperature")
    flags = ~np.isnan(air)
    return look_for_level(stretch, limits, ABSURD, air, flags, read("hold", "s"), SHOWN, low=True)


FEATURES = (
    Feature(HOT, ("engine_speed", "boost", "intake_temperature"), _hot, least_chances=2),
    Feature(CLIMBS, ("engine_speed", "boost", "intake_temperature"), _climbs, least_chances=2),
    Feature(BEFORE, ("engine_speed", "intake_temperature"), _before, least_chances=2),
    Feature(ABSURD, ("intake_temperature",), _absurd, least_chances=None, smallest_is_worst=True),
)
