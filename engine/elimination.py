"""Exact sums over a noisy-OR network with positive findings, by positive terms only.

Quickscore sums alternating terms and loses all digits; here every term is positive. The causes are
walked in an order; a vector over the on/off states of the findings that are open carries the probability
of what has happened so far. A finding opens just before the first of its causes (it may already be on by
its background), an active cause switches it on with the strength of the link, and when its last cause is
past it must be on, so it leaves the vector. A backward pass gives the marginals. What stays is as wide as
the open frontier, not as the number of positive findings.

`engine.plan` says in which order, after folding and splitting what can be folded and split.

A *lane* is one set of priors over the same positive findings: the plain posterior, the posterior without
one piece of evidence, the posterior had one more finding been absent. All lanes go through one walk as a
leading axis.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from engine.network import Bools, Floats, Ints
from engine.plan import CLOSE, OPEN, Component, Plan, Step, switch_back, switch_on

HELD_NUMBERS = 4_000_000
"""Numbers that one pass may hold (32 MB); more lanes are walked in turns."""
TINY = np.finfo(np.float64).tiny


@dataclass(frozen=True)
class Walked:
    """Result of a walk over L lanes: `log_evidence` [L] and, for the first M lanes, `marginal` [M, E]."""

    log_evidence: Floats
    marginal: Floats


def walk(
    plan: Plan,
    prior: Floats,
    marginal_lanes: int,
    vacuous: Bools | None = None,
    base: Ints | None = None,
) -> Walked:
    """Sum over all states of the engaged causes, exactly, for every lane.

    `prior` [L, E] are the priors of the engaged causes in each lane (absent findings already worked in).
    Returns the log of P(all findings of the plan present) per lane, and P(cause | they are present) for
    the first `marginal_lanes` lanes. `vacuous` [L, len(plan.present)] marks, per lane, positive findings to
    be treated as if they had not been observed. `base` [L] names for each lane the lane it was made from
    (default: lane 0; a base is its own base, and bases of marginal lanes are marginal lanes); where a lane
    agrees with its base on all that a component depends on, the component is computed once.
    """
    lanes = prior.shape[0]
    base = np.zeros(lanes, dtype=np.intp) if base is None else base
    background = np.log1p(-plan.network.background[list(plan.present)])
    log_off = np.broadcast_to(background, (lanes, len(plan.present))).copy()
    spent = np.log1p(-prior[:, plan.folded_cause] * plan.folded_strength)
    if plan.starts.size:
        log_off[:, plan.start_columns] += np.add.reduceat(spent, plan.starts, axis=1)
    if vacuous is not None:
        log_off[vacuous] = -np.inf
    on = -np.expm1(log_off)
    marginal = prior[:marginal_lanes].copy()
    unlit = np.zeros((marginal_lanes, len(plan.present)))
    lit = np.ones((marginal_lanes, len(plan.present)))
    with np.errstate(divide="ignore"):
        log_evidence = np.log(on[:, plan.alone]).sum(axis=1)
    if plan.components:
        off = np.exp(log_off)
    for component in plan.components:
        differs = (prior[:, component.touched] != prior[np.ix_(base, component.touched)]).any(axis=1)
        if vacuous is not None:
            differs |= (vacuous[:, component.columns] != vacuous[np.ix_(base, component.columns)]).any(axis=1)
        differs[base] = True
        every = np.flatnonzero(differs)
        source = np.where(differs, np.arange(lanes), base)
        part_log = np.empty(lanes)
        share = max(1, HELD_NUMBERS // component.size)
        for start in range(0, every.size, share):
            rows = every[start : start + share]
            wanted = int(np.count_nonzero(rows < marginal_lanes))
            part = _Part(component, prior[rows], off[rows], on[rows])
            part_log[rows] = part.forward(wanted)
            if wanted:
                part.backward(wanted)
                marginal[np.ix_(rows[:wanted], component.causes)] = part.marginal
                unlit[np.ix_(rows[:wanted], component.columns)] = part.unlit
                lit[np.ix_(rows[:wanted], component.columns)] = part.lit
        log_evidence += part_log[source]
        if marginal_lanes and every.size < lanes:
            same = np.flatnonzero(~differs[:marginal_lanes])
            for target, columns in (
                (marginal, component.causes),
                (unlit, component.columns),
                (lit, component.columns),
            ):
                target[np.ix_(same, columns)] = target[np.ix_(base[same], columns)]
    if marginal_lanes and plan.folded_cause.size:
        marginal[:, plan.folded_cause] = _folded(plan, prior[:marginal_lanes], spent, log_off, unlit, lit)
    return Walked(log_evidence, marginal)


def spread(plan: Plan, prior: Floats, marginal: Floats) -> Floats:
    """Return marginals [L, C] of all causes: those walked [L, E], and `prior` [L, C] for the others."""
    whole = prior.copy()
    whole[:, plan.engaged] = marginal
    return whole


def _folded(plan: Plan, prior: Floats, spent: Floats, log_off: Floats, unlit: Floats, lit: Floats) -> Floats:
    """P(cause | evidence) [M, K] of the causes folded into the background of their one positive finding.

    `unlit` and `lit` [M, m] are the weights of everything else with a finding off and on by the background.
    """
    lanes = prior.shape[0]
    p = prior[:, plan.folded_cause]
    rest_off = np.exp(log_off[:lanes, plan.folded_column] - spent[:lanes])
    lit_k = lit[:, plan.folded_column]
    rest = rest_off * unlit[:, plan.folded_column] + (1.0 - rest_off) * lit_k
    active = p * (plan.folded_strength * lit_k + (1.0 - plan.folded_strength) * rest)
    idle = (1.0 - p) * rest
    total = active + idle
    return np.divide(active, total, out=p.copy(), where=total > 0.0)


class _Part:
    """The forward and backward pass over one component."""

    def __init__(self, component: Component, prior: Floats, off: Floats, on: Floats) -> None:
        self.component = component
        self.prior = prior
        self.off = off
        self.on = on
        self.kept: list[Floats] = []

    def forward(self, keep: int) -> Floats:
        """Return log P(findings present) per lane; remember the vectors of the first `keep` lanes."""
        lanes = self.prior.shape[0]
        alpha = np.ones((lanes, 1))
        log_scale = np.zeros(lanes)
        for step in self.component.steps:
            if keep:
                self.kept.append(alpha[:keep])
            if step.kind == OPEN:
                grown = np.empty((lanes, alpha.shape[1], 2))
                np.multiply(alpha, self.off[:, step.item, None], out=grown[:, :, 0])
                np.multiply(alpha, self.on[:, step.item, None], out=grown[:, :, 1])
                alpha = grown.reshape(lanes, -1)
            elif step.kind == CLOSE:
                alpha = alpha.reshape(lanes, 2**step.item, 2, -1)[:, :, 1, :].reshape(lanes, -1)
                peak = np.maximum(alpha.max(axis=1), TINY)
                alpha = alpha / peak[:, None]
                log_scale += np.log(peak)
            else:
                p = self.prior[:, step.item, None]
                alpha = (1.0 - p) * alpha + p * _apply(alpha, step)
        with np.errstate(divide="ignore"):
            return np.log(alpha[:, 0]) + log_scale

    def backward(self, lanes: int) -> None:
        """Fill `marginal` [lanes, causes] and `unlit`, `lit` [lanes, columns] of the component."""
        prior = self.prior[:lanes]
        beta = np.ones((lanes, 1))
        by_cause: dict[int, Floats] = {}
        by_column: dict[int, tuple[Floats, Floats]] = {}
        for step, alpha in zip(reversed(self.component.steps), reversed(self.kept), strict=True):
            if step.kind == CLOSE:
                old = beta.reshape(lanes, 2**step.item, -1)
                new = np.zeros((lanes, 2**step.item, 2, old.shape[2]))
                new[:, :, 1, :] = old
                beta = new.reshape(lanes, -1)
            elif step.kind == OPEN:
                pair = beta.reshape(lanes, -1, 2)
                by_column[step.item] = (
                    np.einsum("ls,ls->l", alpha, pair[:, :, 0]),
                    np.einsum("ls,ls->l", alpha, pair[:, :, 1]),
                )
                off = self.off[:lanes, step.item, None]
                on = self.on[:lanes, step.item, None]
                beta = off * pair[:, :, 0] + on * pair[:, :, 1]
                beta /= np.maximum(beta.max(axis=1, keepdims=True), TINY)
            else:
                p = prior[:, step.item]
                switched = _apply_back(beta, step)
                active = p * np.einsum("ls,ls->l", alpha, switched)
                idle = (1.0 - p) * np.einsum("ls,ls->l", alpha, beta)
                total = active + idle
                by_cause[step.item] = np.divide(active, total, out=p.copy(), where=total > 0.0)
                beta = (1.0 - p)[:, None] * beta + p[:, None] * switched
        self.marginal = np.stack([by_cause[int(c)] for c in self.component.causes], axis=1)
        self.unlit = np.stack([by_column[int(i)][0] for i in self.component.columns], axis=1)
        self.lit = np.stack([by_column[int(i)][1] for i in self.component.columns], axis=1)


def _apply(alpha: Floats, step: Step) -> Floats:
    if step.matrix is not None:
        return alpha @ step.matrix
    for axis, strength in step.edges:
        alpha = switch_on(alpha, axis, strength)
    return alpha


def _apply_back(beta: Floats, step: Step) -> Floats:
    if step.matrix is not None:
        return beta @ step.matrix.T
    for axis, strength in step.edges:
        beta = switch_back(beta, axis, strength)
    return beta
