"""The walk for little time: the points worth most within so many minutes, with all that makes them safe.

Which stages and activities to make possible is tried in every combination, since each costs its way there and
the points that make it safe; for each, the rest is a 0/1 knapsack in whole half minutes (Bellman 1957). The
result has the largest sum of worth there is. That worth adds up is an approximation: two points that tell
the same are counted twice.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import chain, combinations
from typing import TypeVar

import numpy as np

from engine.inspection.order import Step

T = TypeVar("T")
PER_MINUTE = 2
"""Times are in whole half minutes."""


def worth_most(
    steps: Sequence[Step], stage_minutes: Mapping[int, float], minutes: float
) -> tuple[frozenset[str], float]:
    """Return the ids of the steps to take within `minutes`, and what they take with the ways to their stages.

    All steps are still to be done; a guard that is done already is not among them. Of sets with equal worth
    the shorter is taken.
    """
    budget = int(minutes * PER_MINUTE)
    best: tuple[float, int, frozenset[str]] = (0.0, 0, frozenset())
    stages = sorted({step.stage for step in steps})
    by_stage = {
        stage: frozenset.intersection(*(step.activities for step in steps if step.stage == stage))
        for stage in stages
    }
    extras = sorted({a for step in steps for a in step.activities - by_stage[step.stage]})
    for open_stages in _subsets(stages):
        way = sum(_halves(stage_minutes.get(stage, 0.0)) for stage in open_stages)
        if way > budget or not open_stages:
            continue
        for more in _subsets(extras):
            allowed = frozenset(more).union(*(by_stage[stage] for stage in open_stages))
            possible = [s for s in steps if s.stage in open_stages and s.activities <= allowed]
            must = [step for step in steps if step.guards & allowed]
            if not all(step in possible for step in must):
                continue
            found = _fill(possible, must, budget - way)
            if found is not None:
                worth, used, ids = found
                if (worth, -used - way) > (best[0] + 1e-12, -best[1]) and ids:
                    best = (worth, used + way, ids)
    return best[2], best[1] / PER_MINUTE


def _fill(possible: list[Step], must: list[Step], budget: int) -> tuple[float, int, frozenset[str]] | None:
    """Return worth, half minutes and ids of the best fill that holds all of `must`, None where none fits."""
    required = {step.id for step in must}
    room = budget - sum(_halves(step.minutes) for step in must)
    if room < 0:
        return None
    free = sorted((s for s in possible if s.id not in required and s.worth > 0.0), key=lambda s: s.id)
    table = np.zeros(room + 1)
    taken = np.zeros((len(free), room + 1), dtype=np.bool_)
    for i, step in enumerate(free):
        cost = _halves(step.minutes)
        if cost > room:
            continue
        better = table[: room + 1 - cost] + step.worth
        taken[i, cost:] = better > table[cost:] + 1e-12
        table[cost:] = np.where(taken[i, cost:], better, table[cost:])
    at = int(np.argmax(table >= table[-1] - 1e-12))
    used = budget - room + at
    ids = set(required)
    for i in range(len(free) - 1, -1, -1):
        if taken[i, at]:
            ids.add(free[i].id)
            at -= _halves(free[i].minutes)
    worth = float(table[-1]) + sum(step.worth for step in must)
    return worth, used, frozenset(ids)


def _halves(minutes: float) -> int:
    return round(minutes * PER_MINUTE)


def _subsets(items: Sequence[T]) -> Iterator[tuple[T, ...]]:
    return chain.from_iterable(combinations(items, size) for size in range(len(items) + 1))
