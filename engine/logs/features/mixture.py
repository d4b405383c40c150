"""Mixture in a log: lean or rich under boost, at idle and cruise, and after the throttle shuts."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from engine.logs.feature import Event, Feature, Looked
from engine.logs.features.parts import (
    Held,
    Settings,
    beyond,
    change_over,
    event_of,
    highest_held,
    median,
    where,
)
from engine.logs.features.wideband import FEATURES as WIDEBAND
from engine.logs.segments import Segments, full_load, known, load_of
from engine.logs.stretch import Flags, Floats, Span, Stretch, smooth, spans_of
from engine.measures.limits import Limits

SHOWN = ("engine_speed", "throttle", "boost", "lambda", "lambda_target", "fuel_pressure", "injector_duty")
TRIMS = ("engine_speed", "boost", "fuel_trim_short", "fuel_trim_long", "lambda", "coolant_temperature")

LEAN = "lean_under_boost_logged"
RICH = "rich_under_boost_logged"
LEAN_CRUISE = "lean_at_idle_and_cruise_logged"
RICH_CRUISE = "rich_at_idle_and_cruise_logged"
SHUT = "rich_at_throttle_shut_logged"

MISFIRE_OR_CUT = 1.4
"""No engine pulls on a mixture as lean as this: the fuel or the spark is cut."""


def under_boost(stretch: Stretch, segments: Segments, read: Settings) -> list[Span]:
    """Return the spans under boost at steady load, a while after the throttle opened, a shift or a cut."""
    settle = stretch.samples(read("settles", "s"))
    flags: Flags = known(stretch, "boost") >= read("least_boost", "kPa")
    for cut in spans_of(stretch.channel("cut_active") > 0.5):
        flags[cut.start : cut.end + settle] = False
    flags &= _in_pulls(stretch, segments, settle) & ~_just_risen(stretch, read)
    load = load_of(stretch)
    if load is not None:
        calm = np.zeros(load.size, dtype=bool)
        calm[settle:] = load[settle:] - load[:-settle] <= read("throttle_moves", "percent")
        # The last moments before the throttle shuts belong to the lift.
        lift = stretch.samples(0.2)
        calm[:-lift] &= load[:-lift] - load[lift:] <= read("throttle_moves", "percent")
        flags &= calm & (full_load(stretch) | (load >= read("least_throttle", "percent")))
    return spans_of(flags, stretch.samples(read("hold", "s")), stretch.samples(0.1))


def _just_risen(stretch: Stretch, read: Settings) -> Flags:
    """Return where boost comes up fast, and shortly after: the fuel that wets the ports is missing there."""
    boost = smooth(known(stretch, "boost"), stretch.samples(0.2))
    window, after = stretch.samples(0.4), stretch.samples(read("after_rise", "s"))
    fast = change_over(boost, window) > read("fast_rise_per_s", "kPa") * window * stretch.step_s
    risen = fast.copy()
    for run in spans_of(fast):
        risen[run.start : run.end + after] = True
    return risen


def _in_pulls(stretch: Stretch, segments: Segments, settle: int) -> Flags:
    """Return what is not at full load, and of full load the pulls from a while after each began.

    What lies between and after the pulls of one opening of the throttle is shifts and the limiter. One
    opening without a pull in it is a hill, and all of it counts.
    """
    counts = np.ones(stretch.length, dtype=bool)
    for run in spans_of(full_load(stretch), 1, stretch.samples(0.1)):
        inside = [pull.span for pull in segments.pulls if run.start <= pull.span.start < run.end]
        if inside:
            counts[run.slice] = False
        for pull in inside:
            counts[pull.start + settle : pull.end] = True
    return counts


def _spread(values: Floats, samples: int, highest: bool) -> Floats:
    """Return the highest or lowest value over each sample and the `samples` before it."""
    padded = np.concatenate((np.full(samples, np.nan), values))
    windows = np.lib.stride_tricks.sliding_window_view(padded, samples + 1)
    filled = np.where(np.isnan(windows), -np.inf if highest else np.inf, windows)
    found: Floats = filled.max(axis=1) if highest else filled.min(axis=1)
    return where(found, np.isfinite(found) & ~np.isnan(values))


def _error(stretch: Stretch, span: Span, read: Settings, lean: bool) -> tuple[Floats, bool]:
    """Return lambda over what is asked for (rich: under it, positive) in a span, and whether that is logged.

    The reading comes late: it is held against the leanest (richest) that was asked for shortly before.
    """
    late = stretch.samples(read("reading_is_late_by", "s"))
    start = max(0, span.start - late)
    measured = where(known(stretch, "lambda"), known(stretch, "lambda") < MISFIRE_OR_CUT)[span.slice]
    target = known(stretch, "lambda_target")[start : span.end]
    logged = bool(np.mean(~np.isnan(target[span.start - start :])) >= 0.5)
    if logged:
        asked = _spread(target, late, highest=lean)[span.start - start :]
    else:
        asked = np.full(measured.size, read("assumed_target", "dimensionless"), dtype=np.float64)
    return (measured - asked if lean else asked - measured), logged


def _under_boost(stretch: Stretch, segments: Segments, limits: Limits, limit_id: str) -> Looked:
    read = Settings(limits, limit_id)
    lean = limit_id == LEAN
    hold = stretch.samples(read("hold", "s"))
    sign = 1.0 if lean else -1.0
    boost = known(stretch, "boost")
    gears = stretch.channel("gear")
    events: list[Event] = []
    sizes: list[float] = []
    for span in under_boost(stretch, segments, read):
        error, logged = _error(stretch, span, read, lean)
        if not logged:
            error = where(error, boost[span.slice] >= read("least_boost_without_target", "kPa"))
        held = highest_held(error, hold, span.start)
        if held is None:
            continue
        size = sign * held.size
        if logged:
            # Without a target nothing can be cleared: what is asked for may be anything within reason.
            sizes.append(size)
        if beyond(limits, limit_id, size):
            gear = median(gears[held.span.slice])
            number = None if np.isnan(gear) else round(gear)
            events.append(event_of(stretch, _whole(error, held, span), SHOWN, number, size=size))
    worst = None if not sizes else max(sizes) if lean else min(sizes)
    return Looked(events, len(sizes), worst)


def _whole(error: Floats, held: Held, span: Span) -> Held:
    """Widen the span of an event to where the error stays above half its worst."""
    for run in spans_of(error > 0.5 * held.size, 1, 3):
        if span.start + run.start <= held.span.end and span.start + run.end >= held.span.start:
            start = min(held.span.start, span.start + run.start)
            return Held(held.size, Span(start, max(held.span.end, span.start + run.end)))
    return held


def _lean(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    return _under_boost(stretch, segments, limits, LEAN)


def _rich(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    return _under_boost(stretch, segments, limits, RICH)


def _calm_spans(stretch: Stretch, segments: Segments, read: Settings) -> Iterator[tuple[Span, bool]]:
    """Give the spans of idle and of steady cruise, warm and off boost, and whether it is idle."""
    boost, coolant = known(stretch, "boost"), stretch.channel("coolant_temperature")
    speed = known(stretch, "engine_speed")
    shortest = stretch.samples(read("shortest", "s"))
    for span, idle in [(s, True) for s in segments.idle] + [(s, False) for s in segments.steady]:
        settle = stretch.samples(read("settles", "s"))
        part = Span(min(span.start + settle, span.end), span.end)
        if len(part) < shortest or median(coolant[part.slice]) < read("least_coolant", "degC"):
            continue
        if not idle and median(speed[part.slice]) < read("cruise_above", "rpm"):
            continue
        if median(boost[part.slice]) > read("most_boost", "kPa"):
            continue
        yield part, idle


def _trim(stretch: Stretch) -> Floats:
    """Return what the trims add together; a trim that the log lacks, or that is not known, adds nothing."""
    short, long = known(stretch, "fuel_trim_short"), known(stretch, "fuel_trim_long")
    both: Floats = np.where(np.isnan(short), 0.0, short) + np.where(np.isnan(long), 0.0, long)
    return where(both, ~(np.isnan(short) & np.isnan(long)))


def _cruise(stretch: Stretch, segments: Segments, limits: Limits, limit_id: str) -> Looked:
    read = Settings(limits, limit_id)
    trim = _trim(stretch)
    least_known = read("shortest", "s") / 2.0
    events: list[Event] = []
    sizes: list[float] = []
    for span, idle in _calm_spans(stretch, segments, read):
        inside = trim[span.slice]
        if np.sum(~np.isnan(inside)) < stretch.samples(least_known):
            continue
        size = median(inside)
        sizes.append(size)
        if beyond(limits, limit_id, size):
            more = {"trims together %": round(size, 2), "at idle (1) or cruise (0)": float(idle)}
            events.append(event_of(stretch, Held(size, span), TRIMS, more=more))
    worst = None if not sizes else max(sizes) if limit_id == LEAN_CRUISE else min(sizes)
    return Looked(events, len(sizes), worst)


def _lean_cruise(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    return _cruise(stretch, segments, limits, LEAN_CRUISE)


def _rich_cruise(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    return _cruise(stretch, segments, limits, RICH_CRUISE)


def _shut(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    """Return how much richer than before the throttle shut it went for a moment; it counts if it comes back.

    One rich moment may be chance: it takes half of all lifts, and two of them.
    """
    read = Settings(limits, SHUT)
    load, boost = known(stretch, "throttle"), known(stretch, "boost")
    measured = known(stretch, "lambda")
    if np.all(np.isnan(load)):
        return Looked()
    closed = float(np.nanmin(load)) + read("shut_within", "percent")
    fast, before = stretch.samples(read("shuts_within", "s")), stretch.samples(0.5)
    last = stretch.samples(read("looks_until", "s"))
    hold = stretch.samples(read("hold", "s"))
    shut_from = np.flatnonzero((load[1:] <= closed) & (load[:-1] > closed)) + 1
    found: list[Held] = []
    for place in shut_from.tolist():
        early = Span(max(0, place - fast - before), max(0, place - fast))
        if len(early) < 2 or place + last > stretch.length:
            continue
        opened = np.nanmax(load[early.start : place], initial=0.0) >= read("least_throttle", "percent")
        if not opened or not median(boost[early.slice]) >= read("least_boost", "kPa"):
            continue
        usual = _usual(stretch, place - fast, stretch.samples(read("looks_back", "s")))
        dip = highest_held(usual - measured[place : place + last], hold, place)
        if dip is not None:
            found.append(dip)
    rich = [dip for dip in found if beyond(limits, SHUT, dip.size)]
    largest = max((dip.size for dip in found), default=None)
    if len(rich) < 2 or 2 * len(rich) < len(found):
        return Looked((), len(found), largest)
    return Looked([event_of(stretch, dip, SHOWN) for dip in rich], len(found), largest)


def _usual(stretch: Stretch, end: int, back: int) -> float:
    """Return how rich the mixture was before a lift: the richest tenth, or its target if that is richer.

    A limiter or a cut before the lift makes single moments lean, and what follows them is not rich.
    """
    before = Span(max(0, end - back), end)
    pushed = known(stretch, "boost")[before.slice] > 0.0
    seen = known(stretch, "lambda")[before.slice][pushed]
    seen = seen[~np.isnan(seen)]
    asked = median(known(stretch, "lambda_target")[before.slice][pushed])
    if not seen.size:
        return float("nan")
    richest = float(np.quantile(seen, 0.1))
    return richest if np.isnan(asked) else min(richest, asked)


FEATURES: tuple[Feature, ...] = (
    Feature(LEAN, ("engine_speed", "boost", "lambda"), _lean, least_chances=2),
    Feature(RICH, ("engine_speed", "boost", "lambda"), _rich, least_chances=2, smallest_is_worst=True),
    Feature(
        LEAN_CRUISE,
        ("engine_speed",),
        _lean_cruise,
        either=("fuel_trim_short", "fuel_trim_long"),
        least_chances=2,
    ),
    Feature(
        RICH_CRUISE,
        ("engine_speed",),
        _rich_cruise,
        either=("fuel_trim_short", "fuel_trim_long"),
        least_chances=2,
        smallest_is_worst=True,
    ),
    Feature(SHUT, ("throttle", "boost", "lambda"), _shut, least_chances=4),
    *WIDEBAND,
)
