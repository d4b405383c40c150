"""P(cause | evidence) for every cause, and how much each finding speaks for and against it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from engine.bounds import bounded_posterior
from engine.elimination import Plan, make_plan, walk
from engine.network import Bools, Floats, Network, reweight

EXACT_WIDTH = 16
LANE_WIDTH = 11


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
    log_evidence: float
    exact: bool
    low: Floats
    high: Floats
    left_out: tuple[int, ...]
    prior: Floats
    """[C] with absent findings worked in and excluded causes 0."""
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
        self._plans: dict[tuple[tuple[int, ...], bytes], Plan] = {}

    def plan(self, present: tuple[int, ...], excluded: Bools) -> Plan:
        """Return the walk for these positive findings, remembered from earlier cases."""
        key = (present, excluded.tobytes())
        plan = self._plans.get(key)
        if plan is None:
            plan = make_plan(self.network, present, ~excluded)
            if len(self._plans) >= 2000:
                self._plans.clear()
            self._plans[key] = plan
        return plan

    def posterior(self, evidence: Evidence) -> Posterior:
        """Return the posterior: exact where the walk is at most `exact_width` wide, else with bounds."""
        network = self.network
        present, absent = evidence.present, evidence.absent
        base = network.without(evidence.excluded)
        total = network.log_off[list(absent)].sum(axis=0) if absent else np.zeros(base.size)
        plan = self.plan(present, evidence.excluded)
        priors, scales = reweight(base, total[None])
        bounded = None
        if plan.width > min(self.exact_width, self.lane_width):
            bounded = bounded_posterior(
                network, present, priors[0], ~evidence.excluded, min(self.exact_width, self.lane_width)
            )
        if plan.width <= self.exact_width:
            marginal, log_evidence, severity = self._summed(plan, priors[0])
            low = high = marginal
        else:
            assert bounded is not None
            marginal, _, severity = self._summed(bounded.plan, bounded.prior)
            log_evidence = bounded.log_evidence
            low, high = bounded.low, bounded.high
            marginal = np.clip(marginal, low, high)
        lane_log_evidence = log_evidence
        if bounded is None:
            lane_model = LaneModel(plan, priors[0], True)
        else:
            lane_model = LaneModel(bounded.plan, bounded.prior, False)
            lane_log_evidence = float(walk(bounded.plan, bounded.prior[None], 0).log_evidence[0])
        return Posterior(
            evidence=evidence,
            marginal=marginal,
            log_evidence=float(log_evidence + scales[0] + np.log1p(-network.background[list(absent)]).sum()),
            exact=plan.width <= self.exact_width,
            low=low,
            high=high,
            left_out=() if bounded is None or plan.width <= self.exact_width else bounded.left_out,
            prior=priors[0],
            severity=severity,
            lane_model=lane_model,
            lane_log_evidence=lane_log_evidence,
        )

    def _summed(self, plan: Plan, prior: Floats) -> tuple[Floats, float, Floats]:
        silenced, scale = _silenced(prior, self.groups)
        walked = walk(plan, np.concatenate([prior[None], silenced]), 1)
        share = walked.log_evidence[1:] + scale - walked.log_evidence[0]
        return walked.marginal[0], float(walked.log_evidence[0]), _severity(share)

    def weights(self, posterior: Posterior) -> Floats:
        """Return [E, C], E the present then the absent findings of the evidence.

        Each row is the change of the log-odds of every cause by that finding, given all the others (the
        weight of evidence in nats; positive speaks for the cause). Findings that a bounded lane model
        leaves out have a row of zeros.
        """
        evidence, model = posterior.evidence, posterior.lane_model
        present, absent = evidence.present, evidence.absent
        weights = np.zeros((len(present) + len(absent), self.network.prior.size))
        kept = [present.index(f) for f in model.plan.present]
        gone = -self.network.log_off[list(absent)]
        priors = np.concatenate([np.tile(model.prior, (1 + len(kept), 1)), reweight(model.prior, gone)[0]])
        vacuous = np.zeros((priors.shape[0], len(kept)), dtype=np.bool_)
        vacuous[np.arange(1, 1 + len(kept)), np.arange(len(kept))] = True
        odds = _log_odds(walk(model.plan, priors, priors.shape[0], vacuous).marginal)
        rows = kept + list(range(len(present), len(present) + len(absent)))
        weights[rows] = odds[:1] - odds[1:]
        return weights


def _silenced(prior: Floats, groups: Bools) -> tuple[Floats, Floats]:
    """Priors [3, C] with the stop causes, also the mend_first causes, and all causes off, and log P(off)."""
    off = np.stack([groups[2], groups[1] | groups[2], groups[0] | groups[1] | groups[2]])
    return np.where(off, 0.0, prior), np.where(off, np.log1p(-prior), 0.0).sum(axis=1)


def _severity(log_share: Floats) -> Floats:
    """Turn log P(no stop), P(no stop or mend_first), P(nothing) into a distribution over the worst one."""
    no_stop, no_mend, nothing = np.minimum(1.0, np.exp(log_share))
    no_mend = min(no_mend, no_stop)
    nothing = min(nothing, no_mend)
    return np.array([nothing, no_mend - nothing, no_stop - no_mend, 1.0 - no_stop])


def _log_odds(p: Floats) -> Floats:
    with np.errstate(divide="ignore", invalid="ignore"):
        odds = np.log(p) - np.log1p(-p)
    bounded: Floats = np.clip(np.nan_to_num(odds, nan=-700.0, posinf=700.0, neginf=-700.0), -700.0, 700.0)
    return bounded
