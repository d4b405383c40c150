"""Exact sums over a noisy-OR network with positive findings, by positive terms only.

Quickscore sums alternating terms and loses all digits; here every term is positive. The causes are
walked in an order; a vector over the on/off states of the findings that are open carries the probability
of what has happened so far. A finding opens just before the first of its causes (it may already be on by
its background), an active cause switches it on with the strength of the link, and when its last cause is
past it must be on, so it leaves the vector. A backward pass gives the marginals. What stays is as wide as
the open frontier, not as the number of positive findings.

Causes that reach only one positive finding are folded into that finding's background first; causes that
reach none keep their prior. What is left falls apart into components that are walked one by one.

A *lane* is one set of priors over the same positive findings: the plain posterior, the posterior without
one piece of evidence, the posterior had one more finding been absent. All lanes go through one walk as a
leading axis.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from engine.network import Bools, Floats, Ints, Network

OPEN, CAUSE, CLOSE = 0, 1, 2
MATRIX_WIDTH = 5
HELD_NUMBERS = 4_000_000
"""Numbers that one pass may hold (32 MB); more lanes are walked in turns."""
TINY = np.finfo(np.float64).tiny


@dataclass(frozen=True)
class Step:
    """One step of a walk.

    OPEN: the finding in column `item` comes in as the last axis. CLOSE: the axis `item` must be on and
    goes. CAUSE: `item` is a cause, `edges` its (axis, strength) pairs, and `matrix` [S, S], where it is
    small enough, what the cause does to the vector when it is active.
    """

    kind: int
    item: int
    edges: tuple[tuple[int, float], ...] = ()
    matrix: Floats | None = None


@dataclass(frozen=True)
class Component:
    """Positive findings that hang together through causes, and the walk over them."""

    columns: Ints
    causes: Ints
    steps: tuple[Step, ...]
    width: int
    """The largest number of findings open at once."""
    size: int
    """Numbers held per lane, all steps together."""
    touched: Ints
    """All causes with a say in this component, those folded into a background included."""


@dataclass(frozen=True)
class Plan:
    """How one set of positive findings is walked.

    Column i belongs to the finding `present[i]`. Causes that reach a positive finding are *engaged*; inside
    a plan they are numbered by their place in `engaged`.
    """

    network: Network
    present: tuple[int, ...]
    engaged: Ints
    """Numbers in the network of the E engaged causes, ascending."""
    folded_cause: Ints
    """Causes that reach just one positive finding [K], in the order of `folded_column`."""
    folded_column: Ints
    folded_strength: Floats
    starts: Ints
    """Columns that have folded causes, and where each begins in the K."""
    start_columns: Ints
    alone: Ints
    """Columns that no cause connects to another."""
    components: tuple[Component, ...]

    @cached_property
    def width(self) -> int:
        """The largest number of findings open at once, over all components."""
        return max((component.width for component in self.components), default=1)


def make_plan(network: Network, present: tuple[int, ...], active: Bools | None = None) -> Plan:
    """Plan the walk for the positive findings `present`; only causes in the mask `active` [C] play a part."""
    present = tuple(sorted(present))
    parents = {f: tuple(c for c in network.parents[f] if active is None or active[c]) for f in present}
    reach: dict[int, list[int]] = {}
    for finding in present:
        for cause in parents[finding]:
            reach.setdefault(cause, []).append(finding)
    shared = {cause: tuple(found) for cause, found in reach.items() if len(found) > 1}
    local = {c: i for i, c in enumerate(sorted(reach))}
    folded = [
        (local[c], i, float(network.strength[f, c]))
        for i, f in enumerate(present)
        for c in parents[f]
        if c not in shared
    ]
    columns = [column for _, column, _ in folded]
    starts = [k for k, column in enumerate(columns) if k == 0 or columns[k - 1] != column]
    alone: list[int] = []
    components: list[Component] = []
    for findings in _connected(present, shared):
        if len(findings) == 1:
            alone.append(present.index(findings[0]))
            continue
        causes = {c: shared[c] for f in findings for c in parents[f] if c in shared}
        order = _order(findings, causes)
        steps, width = _steps(network, present, order, causes, local)
        touched = sorted({local[c] for f in findings for c in parents[f]})
        components.append(
            Component(
                _ints([present.index(f) for f in findings]),
                _ints([local[c] for c in order]),
                steps,
                width,
                _size(steps),
                _ints(touched),
            )
        )
    return Plan(
        network, present, _ints(sorted(reach)), _ints([c for c, _, _ in folded]), _ints(columns),
        np.array([q for _, _, q in folded]), _ints(starts), _ints([columns[k] for k in starts]),
        _ints(alone), tuple(components),
    )  # fmt: skip


def _ints(values: list[int]) -> Ints:
    return np.array(values, dtype=np.intp)


def _connected(present: tuple[int, ...], shared: dict[int, tuple[int, ...]]) -> list[tuple[int, ...]]:
    group = {f: f for f in present}

    def root(f: int) -> int:
        while group[f] != f:
            group[f] = group[group[f]]
            f = group[f]
        return f

    for findings in shared.values():
        for f in findings[1:]:
            group[root(f)] = root(findings[0])
    members: dict[int, list[int]] = {}
    for f in present:
        members.setdefault(root(f), []).append(f)
    return [tuple(found) for found in members.values()]


def _order(findings: tuple[int, ...], shared: dict[int, tuple[int, ...]]) -> list[int]:
    """Order the causes so that few findings are open at once: the best of a few greedy walks."""
    best: list[int] = sorted(shared)
    best_cost = float("inf")
    starts = sorted(shared, key=lambda c: (len(shared[c]), c))[:6]
    for start in starts:
        order, cost = _greedy(findings, shared, start, best_cost)
        if cost < best_cost:
            best, best_cost = order, cost
    return best


def _greedy(
    findings: tuple[int, ...], shared: dict[int, tuple[int, ...]], start: int, limit: float
) -> tuple[list[int], float]:
    waiting = dict.fromkeys(findings, 0)
    causes_of: dict[int, list[int]] = {f: [] for f in findings}
    for cause, found in shared.items():
        for f in found:
            waiting[f] += 1
            causes_of[f].append(cause)
    left = dict(shared)
    is_open: set[int] = set()
    order: list[int] = []
    cost = 0.0

    def growth(cause: int) -> tuple[int, int, int]:
        found = left[cause]
        opens = sum(f not in is_open for f in found)
        closes = sum(waiting[f] == 1 for f in found)
        return opens - closes, opens, cause

    while left:
        if not order:
            cause = start
        else:
            near = {c for f in is_open for c in causes_of[f] if c in left} or left.keys()
            cause = min(near, key=growth)
        found = left.pop(cause)
        is_open.update(found)
        cost += float(2 ** len(is_open)) * (len(found) + 1)
        if cost >= limit:
            return order, cost
        for f in found:
            waiting[f] -= 1
            if not waiting[f]:
                is_open.discard(f)
        order.append(cause)
    return order, cost


def _steps(
    network: Network,
    present: tuple[int, ...],
    order: list[int],
    shared: dict[int, tuple[int, ...]],
    local: dict[int, int],
) -> tuple[tuple[Step, ...], int]:
    waiting: dict[int, int] = {}
    for cause in order:
        for f in shared[cause]:
            waiting[f] = waiting.get(f, 0) + 1
    axes: list[int] = []
    steps: list[Step] = []
    width = 0
    for cause in order:
        for f in shared[cause]:
            if f not in axes:
                axes.append(f)
                steps.append(Step(OPEN, present.index(f)))
        width = max(width, len(axes))
        edges = tuple((axes.index(f), float(network.strength[f, cause])) for f in shared[cause])
        matrix = None
        if len(axes) <= MATRIX_WIDTH:
            matrix = np.eye(2 ** len(axes))
            for axis, strength in edges:
                matrix = _switch(matrix, axis, strength)
        steps.append(Step(CAUSE, local[cause], edges, matrix))
        for f in shared[cause]:
            waiting[f] -= 1
            if not waiting[f]:
                steps.append(Step(CLOSE, axes.index(f)))
                axes.remove(f)
    return tuple(steps), width


def _size(steps: tuple[Step, ...]) -> int:
    size, held = 0, 1
    for step in steps:
        size += held
        held = held * 2 if step.kind == OPEN else held // 2 if step.kind == CLOSE else held
    return size


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
        alpha = _switch(alpha, axis, strength)
    return alpha


def _apply_back(beta: Floats, step: Step) -> Floats:
    if step.matrix is not None:
        return beta @ step.matrix.T
    for axis, strength in step.edges:
        beta = _switch_back(beta, axis, strength)
    return beta


def _switch(alpha: Floats, axis: int, strength: float) -> Floats:
    """Switch one finding on with probability `strength` where it is off."""
    lanes = alpha.shape[0]
    old = alpha.reshape(lanes, 2**axis, 2, -1)
    new = np.empty_like(old)
    np.multiply(old[:, :, 0, :], 1.0 - strength, out=new[:, :, 0, :])
    np.multiply(old[:, :, 0, :], strength, out=new[:, :, 1, :])
    new[:, :, 1, :] += old[:, :, 1, :]
    return new.reshape(lanes, -1)


def _switch_back(beta: Floats, axis: int, strength: float) -> Floats:
    """The transpose of `_switch`."""
    lanes = beta.shape[0]
    old = beta.reshape(lanes, 2**axis, 2, -1)
    new = np.empty_like(old)
    new[:, :, 1, :] = old[:, :, 1, :]
    np.multiply(old[:, :, 0, :], 1.0 - strength, out=new[:, :, 0, :])
    new[:, :, 0, :] += strength * old[:, :, 1, :]
    return new.reshape(lanes, -1)
