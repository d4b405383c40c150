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


class _Search:
    """Best-first branch and bound over sets of causes."""

    def __init__(self, odds: dict[int, float], links: dict[int, list[tuple[int, float]]], count: int) -> None:
        self.odds = odds
        self.links = links
        self.count = count
        self.best: list[tuple[float, tuple[int, ...]]] = []
        self.proven = True

    def run(self, idle: list[float]) -> None:
        score = sum(math.log(1.0 - s) if s < 1.0 else -math.inf for s in idle)
        queue: list[tuple[float, int, float, tuple[int, ...], list[float], list[int]]] = []
        serial = 0

        def push(score: float, causes: tuple[int, ...], idle: list[float], options: list[int]) -> None:
            nonlocal serial
            self._offer(score, causes)
            ranked, bound = self._bound(score, idle, options)
            if ranked and (len(self.best) < self.count or bound > self.best[0][0]):
                heappush(queue, (-bound, serial, score, causes, idle, ranked))
                serial += 1

        push(score, (), idle, list(self.links))
        while queue:
            negative_bound, _, score, causes, idle, options = heappop(queue)
            if len(self.best) == self.count and -negative_bound <= self.best[0][0]:
                return
            if serial > MAX_NODES:
                self.proven = False
                return
            for i, cause in enumerate(options):
                gained = score + self.odds[cause]
                after = idle.copy()
                for column, strength in self.links[cause]:
                    after[column] = idle[column] * (1.0 - strength)
                    gained += math.log1p(-after[column]) - _log1m(idle[column])
                push(gained, (*causes, cause), after, options[i + 1 :])

    def _offer(self, score: float, causes: tuple[int, ...]) -> None:
        if score == -math.inf:
            return
        if len(self.best) < self.count:
            heappush(self.best, (score, causes))
        elif score > self.best[0][0]:
            heappushpop(self.best, (score, causes))

    def _bound(self, score: float, idle: list[float], options: list[int]) -> tuple[list[int], float]:
        """Return the options, most promising first, and the best score that any set of them can reach."""
        singles = 0.0
        worth: list[tuple[float, int]] = []
        share: dict[int, float] = {}
        now = [_log1m(s) for s in idle]
        for cause in options:
            gain = self.odds[cause]
            for column, strength in self.links[cause]:
                gain += math.log1p(-idle[column] * (1.0 - strength)) - now[column]
            worth.append((gain, cause))
            if gain > 0.0:
                singles += gain
            price = -self.odds[cause] / len(self.links[cause])
            for column, _ in self.links[cause]:
                if price < share.get(column, math.inf):
                    share[column] = price
        cover = sum(max(0.0, -now[column] - price) for column, price in share.items())
        worth.sort(reverse=True)
        best_single = worth[0][0] if worth else 0.0
        bound = min(singles, cover) if singles > 0.0 else best_single
        return [cause for _, cause in worth], score + bound


def _log1m(idle: float) -> float:
    return math.log1p(-idle) if idle < 1.0 else -1e300
