"""A wideband that answers late, or not at all, when the mixture asked for changes."""

from __future__ import annotations

import math

import numpy as np

from engine.logs.feature import Feature, Looked
from engine.logs.features.parts import Held, Settings, beyond, event_of, median
from engine.logs.segments import Pull, Segments, known, load_of
from engine.logs.stretch import Floats, Span, Stretch
from engine.measures.limits import Limits

SHOWN = ("engine_speed", "throttle", "boost", "lambda", "lambda_target")

SLOW = "wideband_slow_or_stuck_logged"


LAGS_S = (0.0, 0.15, 0.3, 0.45, 0.6, 0.8, 1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 30.0)


def lagged(values: Floats, start: float, tau_s: float, step_s: float) -> Floats:
    """Return what a reading with a first-order lag of `tau_s` shows of `values`, from the level `start` on.

    ``dy/dt = (x - y) / tau``

    >>> shown = lagged(np.ones(101), 0.0, 1.0, 0.01)
    >>> round(float(shown[100]), 3)
    0.632

    Source: the step response of a first-order lag.
    """
    if tau_s <= 0.0:
        return values
    share = -math.expm1(-step_s / tau_s)
    shown = np.empty_like(values)
    level = start
    for i, value in enumerate(values.tolist()):
        shown[i] = level
        level += share * (value - level)
    return shown


def _lag(stretch: Stretch, pull: Pull, read: Settings) -> Held | None:
    """Return the lag [s] with which lambda best follows its target into a pull, None if that is not told.

    A distance from the target is allowed for, constant and with boost: a lean or rich engine is not a slow
    sensor. A lag counts only if it explains the reading far better than a prompt sensor would. Changes to leaner tell
    nothing: with the throttle shut many engines follow no target.
    """
    measured, target = known(stretch, "lambda"), known(stretch, "lambda_target")
    before, travel = stretch.samples(0.5), stretch.samples(0.15)
    lead = Span(max(0, pull.span.start - 2 * before), max(0, pull.span.start - before))
    look = Span(lead.end, min(pull.span.end, pull.span.start + stretch.samples(read("looks_until", "s"))))
    if not len(lead) or len(look) < stretch.samples(read("looks_at_least", "s")) + before:
        return None
    shown = measured[look.slice][before:]
    asked = target[max(0, look.start - travel) : look.end - travel]
    start = median(measured[lead.slice])
    change = median(target[lead.slice]) - median(asked[-before:])
    if not change >= read("least_change", "dimensionless") or np.isnan(start):
        return None
    if np.isnan(asked).any() or asked.size != len(look):
        return None
    loaded = np.clip(known(stretch, "boost")[look.slice][before:] / read("least_boost", "kPa"), 0.0, 1.0)
    usable = ~np.isnan(shown) & ~np.isnan(loaded)
    if usable.mean() < 0.8:
        return None
    basis = np.column_stack((loaded, np.ones(loaded.size)))[usable]
    misfits = []
    for tau in LAGS_S:
        error = (shown - lagged(asked, start, tau, stretch.step_s)[before:])[usable]
        off, *_ = np.linalg.lstsq(basis, error, rcond=None)
        misfits.append(float(np.var(error - basis @ off)) + read("noise", "dimensionless") ** 2)
    best = int(np.argmin(misfits))
    prompt = min(m for m, tau in zip(misfits, LAGS_S, strict=True) if tau <= 0.3)
    late = min(m for m, tau in zip(misfits, LAGS_S, strict=True) if tau >= 1.25)
    if max(prompt, late) < read("told_apart_by", "dimensionless") * misfits[best]:
        return None
    if misfits[best] > read("worst_fit", "dimensionless") ** 2:
        return None
    tau = LAGS_S[best]
    if max(prompt, late) < read("told_apart_by", "dimensionless") * misfits[best]:
        return None
    if tau > read("longest_credible", "s") and _range(stretch) >= read("least_change", "dimensionless"):
        # It moves elsewhere: what stands still here is the mixture.
        return None
    return Held(tau, look)


def _slow(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    """Return the lag of lambda at the pulls.

    One late answer among prompt ones is the mixture, not the sensor: it takes two, and half of all.
    """
    read = Settings(limits, SLOW)
    stuck = _stuck_throughout(stretch, segments, read)
    if stuck is not None:
        return Looked([event_of(stretch, stuck, SHOWN)], 1, stuck.size)
    lags = [lag for pull in segments.pulls if (lag := _lag(stretch, pull, read)) is not None]
    late = [lag for lag in lags if beyond(limits, SLOW, lag.size)]
    largest = max((lag.size for lag in lags), default=None)
    if len(late) < 2 or 2 * len(late) < len(lags):
        return Looked((), len(lags), largest)
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
