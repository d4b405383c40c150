"""Lower and upper bounds on posteriors where the exact sum would be too large.

Some positive findings are left out of the exact walk and replaced by factors that fall apart over the
causes: from above by a tangent, log(1 - exp(-x)) <= l*x - g(l) with g(l) = (l+1)log(l+1) - l*log(l); from
below by Jensen's inequality, sharing the finding out among its causes (Jaakkola and Jordan 1999,
Variational probabilistic inference and the QMR-DT network). Both only reweight priors, so the same walk
sums the rest exactly, and P(cause | evidence) lies between the bounds whatever the quality of the factors.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from engine.elimination import spread, walk
from engine.network import Bools, Floats, Network, reweight
from engine.plan import Plan, TooWideError, make_plan

ROUNDS = 6
MOST_KEPT = 40
"""Positive findings that are tried to be summed exactly; more would only take longer to plan."""


@dataclass(frozen=True)
class Bounded:
    """Bounds [C] on every marginal, and what was done to get them."""

    low: Floats
    high: Floats
    estimate: Floats
    log_evidence: float
    """Of the upper model; an upper bound on log P(present)."""
    left_out: tuple[int, ...]
    plan: Plan
    prior: Floats
    """[C] the priors of the upper model, which stand in for those of the case in later steps."""


def thin_plan(
    network: Network, present: tuple[int, ...], active: Bools, width: int
) -> tuple[Plan, tuple[int, ...]]:
    """Leave out positive findings, those of the most causes first, until the walk is at most `width` wide."""
    by_causes = sorted(present, key=lambda f: (sum(bool(active[c]) for c in network.parents[f]), f))
    kept = by_causes[:MOST_KEPT]
    while True:
        try:
            plan = make_plan(network, tuple(kept), active, width)
        except TooWideError:
            kept = kept[: -max(1, len(kept) // 8)]
        else:
            return plan, tuple(f for f in present if f not in plan.present)


def bounded_posterior(
    network: Network, present: tuple[int, ...], prior: Floats, active: Bools, width: int
) -> Bounded:
    """Bound P(cause | findings present) for all causes with a walk at most `width` wide.

    `prior` [C] has the absent findings worked in. Raises nothing; a finding without background is bounded
    from below by 0.
    """
    plan, left_out = thin_plan(network, present, active, width)
    theta = -network.log_off[list(left_out)]
    idle = -np.log1p(-network.background[list(left_out)])
    share = np.where(theta > 0.0, prior * theta, 0.0) + 1e-12 * (theta > 0.0)
    share /= np.maximum(share.sum(axis=1, keepdims=True), 1e-300)
    lit = idle + theta @ prior + 1.0
    best_upper = best_lower = None
    for _ in range(ROUNDS):
        slope = 1.0 / np.expm1(np.maximum(lit, 1e-9))
        conjugate = (slope + 1.0) * np.log1p(slope) - slope * np.log(slope)
        upper_constant = float((slope * idle - conjugate).sum())
        lower_weight, lower_constant = _lower(theta, idle, share)
        weights = np.stack([slope @ theta, lower_weight])
        priors, scale = reweight(prior, weights)
        walked = walk(plan, priors[:, plan.engaged], 2)
        marginal = spread(plan, priors, walked.marginal)
        upper = (float(walked.log_evidence[0] + scale[0]) + upper_constant, marginal[0], priors[0])
        lower = (float(walked.log_evidence[1] + scale[1]) + lower_constant, marginal[1])
        if best_upper is None or upper[0] < best_upper[0]:
            best_upper = upper
        if best_lower is None or lower[0] > best_lower[0]:
            best_lower = lower
        lit = idle + theta @ marginal[0]
        share = np.where(theta > 0.0, marginal[1] * theta + 1e-12, 0.0)
        share /= np.maximum(share.sum(axis=1, keepdims=True), 1e-300)
    assert best_upper is not None and best_lower is not None
    low, high = _interval(best_upper[0], best_upper[1], best_lower[0], best_lower[1])
    estimate = np.clip(best_upper[1], low, high)
    return Bounded(low, high, estimate, best_upper[0], left_out, plan, best_upper[2])


def _lower(theta: Floats, idle: Floats, share: Floats) -> tuple[Floats, float]:
    with np.errstate(divide="ignore", invalid="ignore"):
        dark = np.log(-np.expm1(-idle))
        part = np.where(share > 0.0, theta / np.where(share > 0.0, share, 1.0), 0.0)
        lift = np.log(-np.expm1(-(idle[:, None] + part))) - dark[:, None]
    weight = np.where(share > 0.0, share * lift, 0.0).sum(axis=0)
    return weight, float(dark.sum())


def _interval(log_upper: float, upper: Floats, log_lower: float, lower: Floats) -> tuple[Floats, Floats]:
    gap = np.exp(min(0.0, log_lower - log_upper))
    active_high, idle_high = upper, 1.0 - upper
    active_low, idle_low = gap * lower, gap * (1.0 - lower)
    with np.errstate(invalid="ignore", divide="ignore"):
        low = np.where(active_low > 0.0, active_low / (active_low + idle_high), 0.0)
        high = np.where(active_high > 0.0, active_high / (active_high + idle_low), 0.0)
    return np.minimum(low, high), np.maximum(low, high)
