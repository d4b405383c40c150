"""A wideband that answers late, or not at all, when the mixture asked for changes."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from engine.logs.feature import Feature, Looked
from engine.logs.features.parts import Held, Settings, beyond, event_of, median, top_speed_rpm
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


@dataclass(frozen=True)
class _Answer:
    """A pull in which the target changes: the reading, what it should follow, boost and speed as shares."""

    span: Span
    shown: Floats
    asked: Floats
    first: float
    loaded: Floats
    fast: Floats
    settle: int


def _answer(stretch: Stretch, pull: Pull, read: Settings) -> _Answer | None:
    """Return the answer of the reading to a pull, None if too little was asked of it or is known.

    Changes to leaner tell nothing: with the throttle shut many engines follow no target.
    """
    measured, target = known(stretch, "lambda"), known(stretch, "lambda_target")
    before, travel = stretch.samples(0.5), stretch.samples(0.15)
    lead = Span(max(0, pull.span.start - 2 * before), max(0, pull.span.start - before))
    look = Span(lead.end, min(pull.span.end, pull.span.start + stretch.samples(read("looks_until", "s"))))
    if not len(lead) or len(look) < stretch.samples(read("looks_at_least", "s")) + before:
        return None
    asked = target[max(0, look.start - travel) : look.end - travel]
    first = median(measured[lead.slice])
    change = median(target[lead.slice]) - median(asked[-before:])
    if not change >= read("least_change", "dimensionless") or np.isnan(first) or np.isnan(asked).any():
        return None
    if asked.size != len(look):
        return None
    loaded = np.clip(known(stretch, "boost")[look.slice][before:] / read("least_boost", "kPa"), 0.0, 1.0)
    speed = known(stretch, "engine_speed")[look.slice][before:]
    fast = np.clip(speed / top_speed_rpm(stretch) - 0.4, 0.0, 0.25) / 0.25
    shown = measured[look.slice][before:]
    if np.mean(np.isnan(shown) | np.isnan(loaded) | np.isnan(fast)) > 0.2:
        return None
    return _Answer(look, shown, asked, first, loaded, fast, before)


def _misfit(answers: list[_Answer], tau_s: float, step_s: float) -> float:
    """Return the mean square by which the readings differ from their targets with a lag.

    A distance from the target is allowed for that comes with boost and with speed, the same in all pulls: a
    lean or rich engine is not a slow sensor.
    """
    errors, rows = [], []
    for one in answers:
        errors.append(one.shown - lagged(one.asked, one.first, tau_s, step_s)[one.settle :])
        rows.append(np.column_stack((one.loaded, one.fast)))
    error, basis = np.concatenate(errors), np.concatenate(rows)
    usable = ~np.isnan(error) & ~np.isnan(basis).any(axis=1)
    off, *_ = np.linalg.lstsq(basis[usable], error[usable], rcond=None)
    return float(np.mean((error[usable] - basis[usable] @ off) ** 2))


def _slow(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    """Return the lag [s] with which lambda best follows its target into the pulls of the stretch.

    It counts only if it explains the readings far better than a prompt sensor would, and in two pulls.
    """
    read = Settings(limits, SLOW)
    stuck = _stuck_throughout(stretch, segments, read)
    if stuck is not None:
        return Looked([event_of(stretch, stuck, SHOWN)], 1, stuck.size)
    answers = [one for pull in segments.pulls if (one := _answer(stretch, pull, read)) is not None]
    answers = answers[: round(read("most_pulls", "dimensionless"))]
    if not answers:
        return Looked()
    noise = read("noise", "dimensionless") ** 2
    misfits = [_misfit(answers, tau, stretch.step_s) + noise for tau in LAGS_S]
    best = int(np.argmin(misfits))
    tau = LAGS_S[best]
    prompt = min(m for m, lag in zip(misfits, LAGS_S, strict=True) if lag <= 0.3)
    longest = read("longest_credible", "s")
    late = min(m for m, lag in zip(misfits, LAGS_S, strict=True) if 1.25 <= lag <= longest)
    apart = max(prompt, late) >= read("told_apart_by", "dimensionless") * misfits[best]
    # What fits nothing, or stands still here and moves elsewhere, is the mixture.
    fits = misfits[best] <= read("worst_fit", "dimensionless") ** 2
    moves = tau > longest and _range(stretch) >= read("least_change", "dimensionless")
    if not apart or not fits or moves:
        return Looked()
    if len(answers) < 2 or not beyond(limits, SLOW, tau):
        return Looked((), len(answers), tau)
    events = [event_of(stretch, Held(tau, one.span), SHOWN) for one in answers]
    return Looked(events, len(answers), tau)


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
