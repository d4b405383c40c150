"""A wideband that answers late, or not at all, when the mixture asked for changes."""

from __future__ import annotations

import numpy as np

from engine.logs.feature import Feature, Looked
from engine.logs.features.parts import Held, Settings, beyond, event_of, median
from engine.logs.segments import Segments, known, load_of
from engine.logs.stretch import Floats, Span, Stretch, spans_of
from engine.measures.limits import Limits

SHOWN = ("engine_speed", "throttle", "boost", "lambda", "lambda_target")

SLOW = "wideband_slow_or_stuck_logged"


def _steps(stretch: Stretch, target: Floats, read: Settings) -> list[Span]:
    """Return the changes of the lambda target to richer that are large enough to see.

    With the throttle shut many engines follow no target, so that changes to leaner tell nothing.

    A span begins where the target still stands and ends where it has changed.
    """
    window = stretch.samples(read("target_changes_within", "s"))
    least = read("least_change", "dimensionless")
    if target.size <= window:
        return []
    change = target[:-window] - target[window:]
    spans = []
    for run in spans_of(change >= least):
        # The steepest place of the run is where the step is.
        best = run.start + int(np.nanargmax(change[run.slice]))
        spans.append(Span(best, best + window))
    return spans


def _half_way(values: Floats, first: float, last: float) -> int | None:
    """Return the first sample at which values have gone half way from one level to another."""
    half = 0.5 * (first + last)
    passed = values <= half if last < first else values >= half
    found = np.flatnonzero(passed)
    return int(found[0]) if found.size else None


def _lag(stretch: Stretch, step: Span, read: Settings) -> Held | None:
    """Return by how much [s] lambda is later than its target half way through a step.

    A reading that has not moved by a fifth of the step at the end of the look, nor much anywhere in the
    stretch, counts as that late. Any other that stays short of half way is a mixture that is off, not a
    sensor that is slow: None.
    """
    measured, target = known(stretch, "lambda"), known(stretch, "lambda_target")
    before, look = stretch.samples(0.5), stretch.samples(read("looks_until", "s"))
    lead = Span(max(0, step.start - before), step.start + 1)
    asked = target[step.start : step.end + look]
    shown = measured[step.start : step.end + look]
    first, last = median(target[lead.slice]), median(asked[len(step) : len(step) + before])
    stands = spans_of(np.abs(asked[len(step) :] - last) <= 0.25 * abs(last - first), 1, 2)
    if not stands or stands[0].start > 1 or len(stands[0]) < stretch.samples(read("target_stands", "s")):
        return None
    length = len(step) + stands[0].end
    asked, shown = asked[:length], shown[:length]
    start = median(measured[lead.slice])
    if np.isnan(start) or np.mean(np.isnan(shown)) > 0.2 or np.isnan(first) or np.isnan(last):
        return None
    there = _half_way(asked, first, last)
    seen = _half_way(shown, start, start + last - first)
    if there is None:
        return None
    span = Span(step.start, step.start + length)
    if seen is not None:
        return Held(max(0.0, (seen - there) * stretch.step_s), span)
    moved = float(np.nanmax(np.abs(shown - start)))
    stuck = moved < read("stuck_below_share", "dimensionless") * abs(last - first)
    if stuck and _range(stretch) < read("least_change", "dimensionless"):
        return Held((length - there) * stretch.step_s, span)
    return None


def _slow(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    read = Settings(limits, SLOW)
    stuck = _stuck_throughout(stretch, segments, read)
    if stuck is not None:
        return Looked([event_of(stretch, stuck, SHOWN)], 1, stuck.size)
    target = known(stretch, "lambda_target")
    lags = [lag for step in _steps(stretch, target, read) if (lag := _lag(stretch, step, read)) is not None]
    if not lags:
        return Looked()
    late = [lag for lag in lags if beyond(limits, SLOW, lag.size)]
    largest = max(lag.size for lag in lags)
    if len(late) < 2 or 2 * len(late) < len(lags):
        # One late answer among prompt ones is the mixture, not the sensor.
        return Looked(
            (), len(lags), float(np.median([lag.size for lag in lags])) if len(lags) > 2 else largest
        )
    return Looked([event_of(stretch, lag, SHOWN) for lag in late], len(lags), largest)


def _stuck_throughout(stretch: Stretch, segments: Segments, read: Settings) -> Held | None:
    """Return the whole stretch if lambda stands still from closed throttle to full boost, more than once."""
    measured, boost = known(stretch, "lambda"), known(stretch, "boost")
    load = load_of(stretch)
    if load is None or len(segments.pulls) < 2 or np.all(np.isnan(measured)):
        return None
    running = known(stretch, "engine_speed") > 1000.0
    opened = running & (boost >= read("least_boost", "kPa"))
    shut = running & (load <= np.nanmin(load) + 3.0) & (boost < -20.0)
    most = read("looks_until", "s")
    if min(np.sum(opened), np.sum(shut)) * stretch.step_s < 1.0 or stretch.length * stretch.step_s < most:
        return None
    if np.sum(running & ~np.isnan(measured)) < 0.8 * np.sum(running):
        return None
    if _range(stretch) >= read("stands_within", "dimensionless"):
        return None
    return Held(most, Span(0, stretch.length))


def _range(stretch: Stretch) -> float:
    """Return how far lambda moves with the engine running, single samples left out; infinite if unknown."""
    seen = known(stretch, "lambda")[known(stretch, "engine_speed") > 1000.0]
    seen = seen[~np.isnan(seen)]
    if not seen.size:
        return float("inf")
    low, high = np.quantile(seen, (0.01, 0.99))
    return float(high - low)


FEATURES: tuple[Feature, ...] = (
    Feature(SLOW, ("engine_speed", "throttle", "boost", "lambda"), _slow, least_chances=3),
)
