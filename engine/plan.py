"""How a set of positive findings is walked: folding, components, and an order of the causes.

Causes that reach only one positive finding are folded into that finding's background first; causes that
reach none keep their prior. What is left falls apart into components that are walked one by one, each in
an order that keeps few findings open at once (see `engine.elimination`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from engine.network import Bools, Floats, Ints, Network

OPEN, CAUSE, CLOSE = 0, 1, 2
MATRIX_WIDTH = 5
"""Up to this many open findings a cause's effect is kept as a matrix."""
ORDERS_TRIED = 6


class TooWideError(Exception):
    """No order was found that keeps few enough findings open at once."""


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


def make_plan(
    network: Network, present: tuple[int, ...], active: Bools | None = None, widest: int = 24
) -> Plan:
    """Plan the walk for the positive findings `present`; only causes in the mask `active` [C] play a part.

    Raises `TooWideError` where every order tried would hold more than `widest` findings open.
    """
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
        order = _order(findings, causes, widest)
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


def _order(findings: tuple[int, ...], shared: dict[int, tuple[int, ...]], widest: int) -> list[int]:
    """Order the causes so that few findings are open at once: the best of a few greedy walks."""
    best: list[int] | None = None
    best_cost = float(2**widest) * max(2, len(shared)) * (len(findings) + 1)
    starts = sorted(shared, key=lambda c: (len(shared[c]), c))[:ORDERS_TRIED]
    for start in starts:
        order, cost = _greedy(findings, shared, start, best_cost, widest)
        if cost < best_cost:
            best, best_cost = order, cost
    if best is None:
        raise TooWideError(f"{len(findings)} findings hang together through {len(shared)} causes")
    return best


def _greedy(
    findings: tuple[int, ...],
    shared: dict[int, tuple[int, ...]],
    start: int,
    limit: float,
    widest: int,
) -> tuple[list[int], float]:
    """Return an order and its cost; the cost is infinite where it is given up for one of the limits."""
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
        if cost >= limit or len(is_open) > widest:
            return order, float("inf")
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
                matrix = switch_on(matrix, axis, strength)
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


def switch_on(alpha: Floats, axis: int, strength: float) -> Floats:
    """Switch one finding on with probability `strength` where it is off."""
    lanes = alpha.shape[0]
    old = alpha.reshape(lanes, 2**axis, 2, -1)
    new = np.empty_like(old)
    np.multiply(old[:, :, 0, :], 1.0 - strength, out=new[:, :, 0, :])
    np.multiply(old[:, :, 0, :], strength, out=new[:, :, 1, :])
    new[:, :, 1, :] += old[:, :, 1, :]
    return new.reshape(lanes, -1)


def switch_back(beta: Floats, axis: int, strength: float) -> Floats:
    """The transpose of `switch_on`."""
    lanes = beta.shape[0]
    old = beta.reshape(lanes, 2**axis, 2, -1)
    new = np.empty_like(old)
    new[:, :, 1, :] = old[:, :, 1, :]
    np.multiply(old[:, :, 0, :], 1.0 - strength, out=new[:, :, 0, :])
    new[:, :, 0, :] += strength * old[:, :, 1, :]
    return new.reshape(lanes, -1)
