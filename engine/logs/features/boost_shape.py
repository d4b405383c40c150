"""The shape of the boost trace of a pull: spike, creep, fall, swing, and a sensor at the end of its range."""

from __future__ import annotations

import numpy as np

from engine.logs.feature import Feature, Looked
from engine.logs.features.parts import (
    Held,
    Settings,
    beyond,
    boosted_pulls,
    change_over,
    event_of,
    median,
    rolling,
    top_speed_rpm,
    where,
)
from engine.logs.segments import Pull, Segments, known
from engine.logs.stretch import Floats, Span, Stretch, smooth, spans_of
from engine.measures.limits import Limits

SHOWN = ("engine_speed", "throttle", "boost", "boost_target", "boost_duty")

SPIKE = "boost_spike_logged"
CREEP = "boost_creep_logged"
FALL = "boost_falls_at_high_speed_logged"
SWING = "boost_oscillates_logged"
FROZEN = "map_frozen_at_ceiling_logged"

FLAT_KPA = 0.12
COARSEST_STEP_KPA = 2.5


def _spike(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    """Return the peak of boost above where it settles or, if that is higher, above target."""
    read = Settings(limits, SPIKE)
    boost = smooth(known(stretch, "boost"), stretch.samples(0.1))
    target = known(stretch, "boost_target")
    within = stretch.samples(read("comes_within", "s"))
    gone, later = stretch.samples(read("gone_after", "s")), stretch.samples(read("looks_until", "s"))
    events, sizes = [], []
    for pull, _ in boosted_pulls(stretch, segments, read("least_boost", "kPa")):
        inside = boost[pull.span.slice]
        asked = target[pull.span.slice]
        best: Held | None = None
        for place in _arrivals(inside, asked, read("comes_from_below", "kPa")):
            window = inside[place : place + within]
            if np.all(np.isnan(window)):
                continue
            peak = place + int(np.nanargmax(window))
            after = inside[peak + gone : peak + later]
            if after.size < max(1, (later - gone) // 2) or np.all(np.isnan(after)):
                continue
            reference = median(after)
            if not np.isnan(asked[peak]):
                reference = max(reference, float(np.nanmax(asked[max(0, peak - within) : peak + 1])))
            size = float(inside[peak] - reference)
            # What goes on falling, or swings, has not settled: that is no spike.
            if _moves(after) > read("settles_within", "dimensionless") * size:
                size = min(size, 0.0)
            if best is None or size > best.size:
                start = pull.span.start + place
                best = Held(size, Span(start, pull.span.start + peak + gone))
        if best is None:
            continue
        sizes.append(best.size)
        if beyond(limits, SPIKE, best.size):
            more = {"peak boost kPa": float(np.nanmax(boost[best.span.slice]))}
            events.append(event_of(stretch, best, SHOWN, pull.gear, more))
    # A single small overshoot among many pulls is the controller's, after a shift above all.
    if len(events) == 1 and events[0].size < read("once_is_enough", "kPa") and len(sizes) > 1:
        events = []
    return Looked(events, len(sizes), max(sizes, default=None))


def _moves(values: Floats) -> float:
    """Return how far values move, the outer tenths left out."""
    low, high = np.nanquantile(values, (0.1, 0.9))
    return float(high - low)


def _arrivals(boost: Floats, target: Floats, rise: float) -> list[int]:
    """Return where boost, coming from at least `rise` below, arrives at its target or near its plateau."""
    if np.all(np.isnan(boost)):
        return []
    plateau = median(boost[boost.size // 2 :])
    level = np.where(np.isnan(target), plateau, np.minimum(target, plateau)) - 5.0
    places = []
    low = False
    for place, (value, mark) in enumerate(zip(boost.tolist(), level.tolist(), strict=True)):
        if value < mark - rise:
            low = True
        elif low and value >= mark:
            places.append(place)
            low = False
    return places


def _error(stretch: Stretch, span: Span) -> tuple[Floats, bool]:
    """Return boost over target [kPa] over a span and True, or boost and False where no target is logged."""
    boost, target = known(stretch, "boost")[span.slice], known(stretch, "boost_target")[span.slice]
    if np.mean(~np.isnan(target)) >= 0.9:
        return boost - target, True
    return boost, False


def _fall_of_boost(stretch: Stretch, span: Span, window: int) -> float:
    """Return by how much the boost itself is lower at the end of a span than at its start."""
    boost = known(stretch, "boost")[span.slice]
    return median(boost[:window]) - median(boost[-window:])


def _creep(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    read = Settings(limits, CREEP)
    events, sizes = [], []
    for pull, _ in boosted_pulls(stretch, segments, read("least_boost", "kPa")):
        found = _creep_of(stretch, pull, read)
        if found is None:
            continue
        held, with_target = found
        sizes.append(held.size)
        least = 0.0 if with_target else read("without_target", "kPa")
        if held.size >= least and beyond(limits, CREEP, held.size):
            start, end = held.span.start, held.span.end
            speed = known(stretch, "engine_speed")
            more = {
                "engine speed at start rpm": median(speed[start : start + 3]),
                "engine speed at end rpm": median(speed[end - 3 : end]),
                "boost at end kPa": median(known(stretch, "boost")[end - 3 : end]),
            }
            events.append(event_of(stretch, held, SHOWN, pull.gear, more))
    return Looked(events, len(sizes), max(sizes, default=None))


def _creep_of(stretch: Stretch, pull: Pull, read: Settings) -> tuple[Held, bool] | None:
    """Return how far boost climbs after it has arrived, zero if it does not climb with speed throughout."""
    error, with_target = _error(stretch, pull.span)
    error = smooth(error, stretch.samples(0.3))
    speed = smooth(known(stretch, "engine_speed")[pull.span.slice], stretch.samples(0.3))
    first = _arrival(stretch, pull, error, with_target, read)
    if first is None:
        return None
    error, speed = error[first:], speed[first:]
    window = stretch.samples(0.4)
    levels = rolling(error, window, 0.5)
    if error.size < stretch.samples(read("shortest", "s")) or np.all(np.isnan(levels)):
        return None
    if not median(speed[-3:]) - median(speed[:3]) >= read("speed_rise", "rpm"):
        return None
    # A spike at the start must not hide the climb that follows it.
    low = int(np.nanargmin(levels[: max(1, levels.size // 2)]))
    end = float(levels[~np.isnan(levels)][-1])
    span = Span(pull.span.start + first + low, pull.span.end)
    rise = end - float(levels[low])
    climbs = -_fall_of_boost(stretch, span, window)
    if climbs < read("climbs_itself", "dimensionless") * rise:
        # A target that falls away from a boost that stands, or lags behind, is no climb.
        rise = min(rise, climbs)
    climb, run = levels[low:], speed[low : low + levels.size - low]
    both = ~np.isnan(climb) & ~np.isnan(run)
    if both.sum() < 4 or np.std(climb[both]) < 1e-6 or np.std(run[both]) < 1e-6:
        return Held(0.0, span), with_target
    steadily = float(np.corrcoef(climb[both], run[both])[0, 1]) >= read("least_correlation", "dimensionless")
    half = climb[both][both.sum() // 2]
    goes_on = end - float(half) >= read("late_share", "dimensionless") * rise
    return Held(rise if steadily and goes_on else min(rise, 0.0), span), with_target


def _arrival(stretch: Stretch, pull: Pull, error: Floats, with_target: bool, read: Settings) -> int | None:
    """Return from where boost has arrived: at target, or past the knee that ends the steep rise."""
    if with_target:
        found = np.flatnonzero(error >= -read("arrived_within", "kPa"))
        return int(found[0]) if found.size else None
    speed = smooth(known(stretch, "engine_speed")[pull.span.slice], stretch.samples(0.3))
    window = stretch.samples(0.4)
    gain, run = change_over(error, window), change_over(speed, window)
    steep = gain * 1000.0 > read("steep_per_1000_rpm", "kPa") * np.maximum(run, 1.0)
    high = error >= max(read("least_boost", "kPa"), 0.5 * float(np.nanmax(error)))
    found = np.flatnonzero(high & ~steep)
    return int(found[0]) if found.size else None


def _fall(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    """Return how far boost falls, against its target if there is one, from its plateau to the end."""
    read = Settings(limits, FALL)
    window = stretch.samples(read("hold", "s"))
    skip = stretch.samples(read("after_arrival", "s"))
    top = top_speed_rpm(stretch)
    events, sizes = [], []
    for pull, part in boosted_pulls(stretch, segments, read("least_boost", "kPa")):
        speed = known(stretch, "engine_speed")[part.slice]
        share = read("reaches_share_of_top_speed", "dimensionless")
        if not np.nanmax(speed, initial=0.0) >= share * top:
            continue
        error, with_target = _error(stretch, part)
        levels = rolling(error[skip:], window, 0.5)
        if levels.size < window or np.isnan(levels[-1]):
            continue
        best = int(np.nanargmax(levels))
        after = Span(part.start + skip + best, part.end)
        fall = min(float(levels[best] - levels[-1]), _fall_of_boost(stretch, after, window))
        run = speed[skip + best :]
        if not median(run[-3:]) - median(run[:3]) >= read("speed_rise", "rpm"):
            fall = min(fall, 0.0)
        sizes.append(fall)
        least = 0.0 if with_target else read("without_target", "kPa")
        if fall >= least and beyond(limits, FALL, fall):
            held = Held(fall, after)
            more = {
                "boost at start kPa": median(known(stretch, "boost")[held.span.slice][:window]),
                "boost at end kPa": median(known(stretch, "boost")[held.span.slice][-window:]),
                "engine speed at end rpm": median(speed[-3:]),
            }
            events.append(event_of(stretch, held, SHOWN, pull.gear, more))
    return Looked(events, len(sizes), max(sizes, default=None))


def swings(values: Floats, least: float) -> list[int]:
    """Return the turning points between which `values` swing by `least` or more, the first and last included.

    >>> swings(np.array([0.0, 5.0, 4.0, 6.0, 0.0, 7.0]), 3.0)
    [0, 3, 4, 5]
    """
    if not values.size:
        return []
    low = high = 0
    points: list[int] = []
    way = 0
    for i in range(1, values.size):
        if values[i] > values[high]:
            high = i
        if values[i] < values[low]:
            low = i
        if way <= 0 and values[i] - values[low] >= least:
            points.append(low)
            way, high = 1, i
        elif way >= 0 and values[high] - values[i] >= least:
            points.append(high)
            way, low = -1, i
    if way:
        points.append(high if way > 0 else low)
    return points


def _swing(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    """Return the size that at least two whole swings in a row have at steady throttle."""
    read = Settings(limits, SWING)
    events, sizes = [], []
    cut = stretch.channel("cut_active") > 0.5
    for pull, part in boosted_pulls(stretch, segments, read("least_boost", "kPa")):
        error, _ = _error(stretch, part)
        error = smooth(error, stretch.samples(0.08))
        error = error[: int(np.argmax(cut[part.slice]))] if np.any(cut[part.slice]) else error
        known_part = ~np.isnan(error)
        if len(part) < stretch.samples(read("shortest", "s")) or not known_part.all() or not error.size:
            continue
        held = _largest_swing(stretch, error, part.start, read)
        sizes.append(held.size)
        if beyond(limits, SWING, held.size):
            count = len(swings(error, held.size)) - 1
            hertz = count / 2.0 / max(len(held.span) * stretch.step_s, stretch.step_s)
            more = {"swings": float(count), "swings per second": round(hertz, 2)}
            events.append(event_of(stretch, held, SHOWN, pull.gear, more))
    return Looked(events, len(sizes), max(sizes, default=None))


def _largest_swing(stretch: Stretch, error: Floats, start: int, read: Settings) -> Held:
    least_count = round(read("half_swings", "dimensionless"))
    slow, fast = read("lowest_frequency", "Hz"), read("highest_frequency", "Hz")
    low, high = 0.0, float(np.ptp(error))
    best = Held(0.0, Span(start, start + error.size))
    for _ in range(12):
        size = 0.5 * (low + high)
        points = swings(error, size) if size > 0.0 else []
        run = _in_time(points, least_count, stretch.step_s, slow, fast)
        if run is None:
            high = size
        else:
            low = size
            best = Held(size, Span(start + run.start, start + run.end + 1))
    return best


def _in_time(points: list[int], least_count: int, step_s: float, slow: float, fast: float) -> Span | None:
    """Return the longest run of half swings of a credible length, if they are enough in a row."""
    steps = np.diff(points) * step_s
    fits = (steps <= 0.5 / slow) & (steps >= 0.5 / fast)
    runs = spans_of(fits, least_count)
    if not runs:
        return None
    longest = max(runs, key=len)
    return Span(points[longest.start], points[longest.end])


def _at_top(stretch: Stretch, pull: Pull) -> Span | None:
    """Return where in a pull the boost reads one and the same value, its highest; None if it never does."""
    inside = stretch.channel("boost")[pull.span.slice]
    if np.all(np.isnan(inside)):
        return None
    top = float(np.nanmax(inside))
    runs = spans_of(np.isnan(inside) | (inside >= top - FLAT_KPA), 2)
    runs = [run for run in runs if not np.all(np.isnan(inside[run.slice]))]
    if not runs:
        return None
    longest = max(runs, key=len)
    return Span(pull.span.start + longest.start, pull.span.start + longest.end)


def _step_of(stretch: Stretch) -> float:
    """Return the finest step of the boost channel [kPa]."""
    kept = stretch.cache.get("boost step")
    if isinstance(kept, float):
        return kept
    found = np.unique(np.round(stretch.channel("boost"), 4))
    steps = np.diff(found[~np.isnan(found)])
    step = float(np.quantile(steps, 0.1)) if steps.size else float("inf")
    stretch.cache["boost step"] = step
    return step


def _frozen(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    """Return how long [s] boost stood at its ceiling while the engine went on running up.

    A log whose steps are coarser than 2.5 kPa cannot show it.
    """
    read = Settings(limits, FROZEN)
    boost, target = stretch.channel("boost"), known(stretch, "boost_target")
    speed = known(stretch, "engine_speed")
    if np.all(np.isnan(boost)) or _step_of(stretch) > COARSEST_STEP_KPA:
        return Looked()
    ceiling = float(np.nanmax(boost))
    events, sizes = [], []
    for pull, part in boosted_pulls(stretch, segments, read("least_boost", "kPa")):
        span = _at_top(stretch, pull)
        size = 0.0 if span is None else len(span) * stretch.step_s
        if span is not None:
            asked = median(target[span.slice])
            run = speed[span.slice]
            same = float(np.nanmax(boost[span.slice])) >= ceiling - FLAT_KPA
            runs_up = median(run[-3:]) - median(run[:3]) >= read("speed_rise", "rpm")
            at_target = abs(ceiling - asked) <= read("near_target", "kPa")
            if not (same and runs_up and _jitters(stretch, part, ceiling, read)) or at_target:
                size = 0.0
        sizes.append(size)
        if span is not None and beyond(limits, FROZEN, size):
            events.append(event_of(stretch, Held(size, span), SHOWN, pull.gear))
    return Looked(events, len(sizes), max(sizes, default=None))


def _jitters(stretch: Stretch, part: Span, ceiling: float, read: Settings) -> bool:
    """Whether the signal moves from sample to sample elsewhere, so that standing still means something."""
    running = known(stretch, "engine_speed") > 1000.0
    below = where(stretch.channel("boost"), running)
    below[below >= ceiling - 5.0] = np.nan
    moves = np.abs(np.diff(below))
    moves = moves[~np.isnan(moves)]
    return bool(moves.size > len(part) and np.median(moves) >= read("least_jitter", "kPa"))


FEATURES: tuple[Feature, ...] = (
    Feature(SPIKE, ("engine_speed", "boost"), _spike, least_chances=2),
    Feature(CREEP, ("engine_speed", "boost"), _creep, least_chances=2),
    Feature(FALL, ("engine_speed", "boost"), _fall, least_chances=2),
    Feature(SWING, ("engine_speed", "boost"), _swing, least_chances=2),
    Feature(FROZEN, ("engine_speed", "boost"), _frozen, least_chances=3),
)
