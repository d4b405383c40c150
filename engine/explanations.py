"""The most probable joint explanations: which sets of causes, taken together, explain the findings best.

An explanation says of every cause that is linked to a positive finding whether it is active; all others
are summed out. Its log-probability is a sum of log-odds over the active causes plus, per positive finding,
log(1 - (1 - b) * prod(1 - q)), which is concave in the causes added (each further cause gains less). Branch
and bound uses two upper bounds on what adding causes can still gain: the sum of the single gains, and
the cover bound (each finding's largest gain less the cheapest share of a cause's cost that covers it).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from heapq import heappop, heappush, heappushpop

from engine.network import Floats, Network

MAX_NODES = 4000


@dataclass(frozen=True)
class Explanation:
    """A set of causes (indices, ascending) and the probability that exactly these are the active ones."""

    causes: tuple[int, ...]
    probability: float


@dataclass(frozen=True)
class Explanations:
    """The best explanations, best first; `proven` is False if the search stopped before it was sure."""

    best: tuple[Explanation, ...]
    proven: bool


def explain(
    network: Network, present: tuple[int, ...], prior: Floats, log_evidence: float, count: int = 3
) -> Explanations:
    """Return the `count` most probable explanations of the findings `present`.

    `prior` [C] are the priors with the absent findings worked in and excluded causes 0; `log_evidence`
    is the log of P(present) under them (`engine.elimination.walk`).
    """
    odds: dict[int, float] = {}
    rest = 0.0
    links: dict[int, list[tuple[int, float]]] = {}
    for column, finding in enumerate(present):
        for cause in network.parents[finding]:
            p = float(prior[cause])
            if p > 0.0:
                if cause not in links:
                    odds[cause] = math.log(p) - math.log1p(-p)
                    rest += math.log1p(-p)
                    links[cause] = []
                links[cause].append((column, float(network.strength[finding, cause])))
    idle = [1.0 - float(network.background[f]) for f in present]
    search = _Search(odds, links, count)
    search.run(idle)
    best = sorted(search.best, reverse=True)
    return Explanations(
        tuple(
            Explanation(tuple(sorted(causes)), min(1.0, math.exp(score + rest - log_evidence)))
            for score, causes in best
        ),
        search.proven,
    )


@dataclass
class _Node:
    """A set of causes that may still grow by its options, the most gainful first."""

    score: float
    causes: tuple[int, ...]
    idle: list[float]
    options: list[tuple[float, int]]


class _Search:
    """Best-first branch and bound over sets of causes."""

    def __init__(self, odds: dict[int, float], links: dict[int, list[tuple[int, float]]], count: int) -> None:
        self.odds = odds
        self.links = links
        self.count = count
        self.best: list[tuple[float, tuple[int, ...]]] = []
        self.proven = True
        self._queue: list[tuple[float, int, _Node]] = []
        self._pushed = 0

    def run(self, idle: list[float]) -> None:
        score = sum(_log1m(s) for s in idle)
        self._push(score, (), idle, list(self.links))
        while self._queue:
            negative_bound, _, node = heappop(self._queue)
            if self._hopeless(-negative_bound):
                return
            if self._pushed > MAX_NODES:
                self.proven = False
                return
            self._grow(node)

    def _grow(self, node: _Node) -> None:
        later = sum(gain for gain, _ in node.options if gain > 0.0)
        for i, (gain, cause) in enumerate(node.options):
            if gain > 0.0:
                later -= gain
            if self._hopeless(node.score + gain + later):
                return
            after = node.idle.copy()
            for column, strength in self.links[cause]:
                after[column] *= 1.0 - strength
            rest = [option for _, option in node.options[i + 1 :]]
            self._push(node.score + gain, (*node.causes, cause), after, rest)

    def _push(self, score: float, causes: tuple[int, ...], idle: list[float], options: list[int]) -> None:
        if len(self.best) < self.count:
            heappush(self.best, (score, causes))
        elif score > self.best[0][0]:
            heappushpop(self.best, (score, causes))
        gains, bound = self._gains(idle, options)
        if gains and not self._hopeless(score + bound):
            self._pushed += 1
            heappush(self._queue, (-score - bound, self._pushed, _Node(score, causes, idle, gains)))

    def _hopeless(self, bound: float) -> bool:
        return len(self.best) == self.count and bound <= self.best[0][0]

    def _gains(self, idle: list[float], options: list[int]) -> tuple[list[tuple[float, int]], float]:
        """Return what each option alone would add, most first, and the most that any set of them can."""
        singles = 0.0
        gains: list[tuple[float, int]] = []
        share: dict[int, float] = {}
        now = [_log1m(s) for s in idle]
        for cause in options:
            gain = odds = self.odds[cause]
            mine = self.links[cause]
            price = -odds / len(mine)
            for column, strength in mine:
                gain += math.log1p(-idle[column] * (1.0 - strength)) - now[column]
                if price < share.get(column, math.inf):
                    share[column] = price
            gains.append((gain, cause))
            if gain > 0.0:
                singles += gain
        gains.sort(reverse=True)
        if singles <= 0.0:
            return gains, gains[0][0] if gains else 0.0
        cover = sum(max(0.0, -now[column] - price) for column, price in share.items())
        return gains, min(singles, cover)


def _log1m(idle: float) -> float:
    return math.log1p(-idle) if idle < 1.0 else -1e300
