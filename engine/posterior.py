"""P(cause | evidence) for every cause, and how much each finding speaks for and against it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from engine.bounds import bounded_posterior
from engine.elimination import spread, walk
from engine.links import Groups
from engine.network import Bools, Floats, Network, reweight
from engine.plan import Plan, TooWideError, make_plan

EXACT_WIDTH = 16
LANE_WIDTH = 11
PLANS_REMEMBERED = 2000


@dataclass(frozen=True)
class Evidence:
    """What is known: findings present and absent (indices, ascending) and excluded causes (mask [C])."""

    present: tuple[int, ...]
    absent: tuple[int, ...]
    excluded: Bools


@dataclass(frozen=True)
class LaneModel:
    """The walk and the priors [C] that weights and next steps are computed with, lane by lane.

    That of the posterior itself, or where many lanes of it would take too long a bounding model with
    some findings reweighted instead of summed; `exact` tells.
    """

    plan: Plan
    prior: Floats
    exact: bool


@dataclass(frozen=True)
class Posterior:
    """The answer of the network.

    `marginal` [C] is P(cause | evidence). Where `exact` is False the true marginals lie between `low` and
    `high` [C], and `left_out` names the findings that were bounded instead of summed.
    """

    evidence: Evidence
    marginal: Floats
    weight: Floats | None
    """[E, C], E the present then the absent findings: the change of the log-odds of a cause by that finding,
    given all the others (weight of evidence in nats; positive speaks for). None if not wanted; a row of
    zeros for a finding that the lane model leaves out."""
    log_evidence: float
    exact: bool
    low: Floats
    high: Floats
    left_out: tuple[int, ...]
    severity: Floats
    """[4] P(worst active consequence is nothing, advise, mend_first, stop | evidence)."""
    lane_model: LaneModel
    lane_log_evidence: float
    """log P(present) by the lane model, absent findings not counted in."""


class Reasoner:
    """Posteriors over one network; remembers the plans of recent sets of positive findings.

    `severity_groups` [3, C] are masks of the causes whose consequence is advise, mend_first and stop.
    """

    def __init__(
        self,
        network: Network,
        severity_groups: Floats,
        exact_width: int = EXACT_WIDTH,
        lane_width: int = LANE_WIDTH,
    ) -> None:
        self.network = network
        self.groups = severity_groups > 0.0
        self.exact_width = exact_width
        self.lane_width = lane_width
        self.silent: Bools = np.logical_or.accumulate(self.groups[::-1], axis=0)
        """Masks [3, C] of the causes that are off where there is no stop, no mend_first either, nothing."""
        self.single_groups = Groups.singles(network)
        self._plans: dict[tuple[tuple[int, ...], bytes], Plan | None] = {}

    def plan(self, present: tuple[int, ...], excluded: Bools) -> Plan | None:
        """Return the walk for these positive findings, remembered from earlier cases; None if too wide."""
        key = (present, excluded.tobytes())
        if key not in self._plans:
            try:
                plan = make_plan(self.network, present, ~excluded, self.exact_width)
            except TooWideError:
                plan = None
            if len(self._plans) >= PLANS_REMEMBERED:
                self._plans.clear()
            self._plans[key] = plan
        return self._plans[key]

    def posterior(self, evidence: Evidence, weigh: bool = False) -> Posterior:
        """Return the posterior: exact where the walk is at most `exact_width` wide, else with bounds.

        With `weigh` the weights of evidence are computed too.
        """
        network = self.network
        present, absent = evidence.present, evidence.absent
        base = network.without(evidence.excluded)
        gone = network.log_off[list(absent)]
        priors, scales = reweight(base, gone.sum(axis=0, keepdims=True))
        prior = priors[0]
        plan = self.plan(present, evidence.excluded)
        exact = plan is not None
        bounded = None
        if plan is None or plan.width > self.lane_width:
            width = min(self.exact_width, self.lane_width)
            bounded = bounded_posterior(network, present, prior, ~evidence.excluded, width)
        if plan is not None and bounded is None:
            model = LaneModel(plan, prior, True)
            marginal, log_evidence, severity, weight = self._summed(model, evidence, weigh)
            low = high = marginal
            lane_log_evidence = log_evidence
        else:
            assert bounded is not None
            model = LaneModel(bounded.plan, bounded.prior, False)
            marginal, lane_log_evidence, severity, weight = self._summed(model, evidence, weigh)
            log_evidence = bounded.log_evidence
            if plan is not None:
                marginal, log_evidence, severity, _ = self._summed(
                    LaneModel(plan, prior, True), evidence, False
                )
                low = high = marginal
            else:
                low, high = bounded.low, bounded.high
                marginal = np.clip(marginal, low, high)
        return Posterior(
            evidence=evidence,
            marginal=marginal,
            weight=weight,
            log_evidence=float(log_evidence + scales[0] + np.log1p(-network.background[list(absent)]).sum()),
            exact=exact,
            low=low,
            high=high,
            left_out=() if exact or bounded is None else bounded.left_out,
            severity=severity,
            lane_model=model,
            lane_log_evidence=lane_log_evidence,
        )

    def _summed(
        self, model: LaneModel, evidence: Evidence, weigh: bool
    ) -> tuple[Floats, float, Floats, Floats | None]:
        """Return marginals [C], log P(present), severity [4] and, if wanted, weights [E, C], in one walk."""
        plan, prior = model.plan, model.prior
        start = prior[None, plan.engaged]
        lanes = [start]
        kept: list[int] = []
        if weigh:
            kept = [evidence.present.index(f) for f in plan.present]
            gone = -self.network.log_off[np.ix_(np.array(evidence.absent, dtype=np.intp), plan.engaged)]
            lanes += [np.repeat(start, len(kept), axis=0), reweight(start[0], gone)[0]]
        lanes.append(np.where(self.silent[:, plan.engaged], 0.0, start))
        stacked = np.concatenate(lanes)
        marginal_lanes = stacked.shape[0] - 3
        vacuous = None
        if weigh:
            vacuous = np.zeros((stacked.shape[0], len(kept)), dtype=np.bool_)
            vacuous[np.arange(1, 1 + len(kept)), np.arange(len(kept))] = True
        walked = walk(plan, stacked, marginal_lanes, vacuous)
        scale = self.silent @ np.log1p(-prior)
        below = np.exp(np.minimum(walked.log_evidence[-3:] + scale - walked.log_evidence[0], 0.0))
        severity = by_severity(np.concatenate([[1.0], below])[:, None])[0]
        weight = None
        if weigh:
            odds = _log_odds(walked.marginal)
            weight = np.zeros((len(evidence.present) + len(evidence.absent), prior.size))
            weight[np.ix_(np.array(kept, dtype=np.intp), plan.engaged)] = odds[:1] - odds[1 : 1 + len(kept)]
            rows = slice(len(evidence.present), None)
            weight[rows] = self.network.log_off[list(evidence.absent)]
            weight[rows, plan.engaged] = odds[:1] - odds[1 + len(kept) :]
        marginal = spread(plan, prior[None], walked.marginal[:1])[0]
        return marginal, float(walked.log_evidence[0]), severity, weight


def by_severity(below: Floats) -> Floats:
    """Turn P(x), P(x, no stop), P(x, no stop or mend_first), P(x, nothing) [4, G] into [G, 4] by severity."""
    below = np.minimum.accumulate(below, axis=0)
    return np.stack([below[3], below[2] - below[3], below[1] - below[2], below[0] - below[1]], axis=1)


def _log_odds(p: Floats) -> Floats:
    with np.errstate(divide="ignore", invalid="ignore"):
        odds = np.log(p) - np.log1p(-p)
    bounded: Floats = np.clip(np.nan_to_num(odds, nan=-700.0, posinf=700.0, neginf=-700.0), -700.0, 700.0)
    return bounded
