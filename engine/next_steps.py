"""What to ask and what to test next: the expected value of every question and test, all at once.

The value of a step is myopic (Heckerman, Breese and Rommelse 1995, Decision-theoretic troubleshooting):
how many bits of doubt about the causes it is expected to remove, and by how many minutes it is expected to
lower the loss of the verdict, against the minutes and the risk it takes. Doubt is the sum over the causes
of the entropy of P(cause | evidence); it bounds the joint entropy from above.

Were finding f absent, only the priors of its causes would change, so one lane of the walk prices that
answer, and the answer "present" is the complement: P(c, f = 1 | e) = P(c | e) - P(c, f = 0 | e).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from engine.elimination import walk
from engine.network import Bools, Floats
from engine.posterior import Posterior, Reasoner

JOINT_FINDINGS = 3
"""A test that settles more findings is valued by the most telling three together: a lower bound."""
SHORTLIST = 12
NOTHING = 1e-9
LN2 = float(np.log(2.0))


@dataclass(frozen=True)
class Candidate:
    """A question (one finding, answered truthfully) or a test, as indices.

    `accuracy` holds (sensitivity, specificity) per finding; `minutes` what it takes and `risk` the
    minutes its risk counts for.
    """

    name: str
    findings: tuple[int, ...]
    accuracy: tuple[tuple[float, float], ...]
    minutes: float
    risk: float = 0.0


@dataclass(frozen=True)
class Result:
    """One result of a step: its probability and P(cause | evidence and result) [C].

    `finding` is the finding (index) that it shows `present` or not; None stands for all of them absent.
    """

    finding: int | None
    present: bool
    probability: float
    marginal: Floats


@dataclass(frozen=True)
class Valued:
    """A candidate with its value."""

    candidate: Candidate
    bits: float
    loss_reduction: float
    worth_per_minute: float
    results: tuple[Result, ...]


@dataclass(frozen=True)
class Priced:
    """What the losses of the verdicts and the time are worth.

    `loss` [V, 4] in minutes, per verdict and worst consequence (nothing, advise, mend_first, stop).
    """

    loss: Floats
    minutes_per_bit: float


@dataclass(frozen=True)
class _Split:
    """P(all of a set of findings absent, x | evidence) for x nothing, a severity [4], a cause [C]."""

    share: float
    severity: Floats
    joint: Floats


class Lookahead:
    """Values candidates against one posterior."""

    def __init__(self, reasoner: Reasoner, posterior: Posterior, priced: Priced) -> None:
        self.reasoner = reasoner
        self.model = posterior.lane_model
        self.priced = priced
        self._splits: dict[frozenset[int], _Split] = {}
        self._roughs: dict[str, float] = {}
        self._base_log: float | None = None
        self._walk([frozenset()])
        start = self._splits[frozenset()]
        self.marginal = start.joint
        self.severity = start.severity
        self.doubt = float(_entropy(self.marginal).sum()) / LN2
        self.loss = float((priced.loss @ self.severity).min())

    def value(self, candidates: Sequence[Candidate], count: int, worthless: bool = False) -> list[Valued]:
        """Return the `count` best candidates, best worth per minute first, then by name.

        Those that would tell nothing are left out unless `worthless`.
        """
        if not candidates:
            return []
        singles = {f for candidate in candidates for f in candidate.findings}
        self._walk([frozenset([f]) for f in sorted(singles)])
        ranked = sorted(candidates, key=lambda candidate: (-self.rough(candidate), candidate.name))
        short = [c for c in ranked[: max(count, SHORTLIST)] if worthless or self.rough(c) > NOTHING]
        chosen = {c.name: self._chosen(c) for c in short}
        self._walk(
            sorted(
                {
                    frozenset(group)
                    for findings in chosen.values()
                    for size in range(2, len(findings) + 1)
                    for group in combinations(findings, size)
                },
                key=sorted,
            )
        )
        valued = [self._valued(candidate, chosen[candidate.name]) for candidate in short]
        valued.sort(key=lambda v: (-round(v.worth_per_minute, 9), v.candidate.name))
        return valued[:count]

    def _walk(self, groups: Sequence[frozenset[int]]) -> None:
        """Compute the splits of the groups of findings that are not known yet, as lanes of one walk."""
        groups = [group for group in groups if group not in self._splits]
        if not groups:
            return
        network = self.reasoner.network
        lanes = len(groups)
        prior = np.repeat(self.model.prior[None], lanes, axis=0)
        log_scale = np.zeros(lanes)
        for lane, group in enumerate(groups):
            for f in group:
                parents = list(network.parents[f])
                p, q = prior[lane, parents], network.strength[f, parents]
                log_scale[lane] += np.log1p(-network.background[f]) + np.log1p(-p * q).sum()
                prior[lane, parents] = p * (1.0 - q) / (1.0 - p * q)
        silenced = [np.where(off, 0.0, prior) for off in self._silent()]
        off_scale = np.stack([np.where(off, np.log1p(-prior), 0.0).sum(axis=1) for off in self._silent()])
        walked = walk(self.model.plan, np.concatenate([prior, *silenced]), lanes)
        log_all = walked.log_evidence[:lanes] + log_scale
        if self._base_log is None:
            self._base_log = float(log_all[0])
        base = self._base_log
        share = np.exp(np.minimum(0.0, log_all - base))
        log_off = walked.log_evidence[lanes:].reshape(3, lanes) + off_scale + log_scale - base
        below = np.minimum(np.exp(log_off), share)
        below[1] = np.minimum(below[1], below[0])
        below[2] = np.minimum(below[2], below[1])
        severity = np.stack([below[2], below[1] - below[2], below[0] - below[1], share - below[0]], axis=1)
        for lane, group in enumerate(groups):
            joint = share[lane] * walked.marginal[lane]
            self._splits[group] = _Split(float(share[lane]), severity[lane], joint)

    def _silent(self) -> list[Bools]:
        groups = self.reasoner.groups
        return [groups[2], groups[1] | groups[2], groups[0] | groups[1] | groups[2]]

    def rough(self, candidate: Candidate) -> float:
        """Return the worth per minute of a candidate by its single most telling finding."""
        if candidate.name not in self._roughs:
            self._walk([frozenset([f]) for f in candidate.findings])
            self._roughs[candidate.name] = max(
                self._worth(candidate, *self._gain((f,), (accuracy,)))
                for f, accuracy in zip(candidate.findings, candidate.accuracy, strict=True)
            )
        return self._roughs[candidate.name]

    def _chosen(self, candidate: Candidate) -> tuple[int, ...]:
        if len(candidate.findings) <= JOINT_FINDINGS:
            return candidate.findings
        gains = [
            (self._worth(candidate, *self._gain((f,), (accuracy,))), f)
            for f, accuracy in zip(candidate.findings, candidate.accuracy, strict=True)
        ]
        gains.sort(key=lambda scored: (-scored[0], scored[1]))
        return tuple(sorted(f for _, f in gains[:JOINT_FINDINGS]))

    def _worth(self, candidate: Candidate, bits: float, saved: float) -> float:
        return (saved + bits * self.priced.minutes_per_bit) / (candidate.minutes + candidate.risk)

    def _valued(self, candidate: Candidate, findings: tuple[int, ...]) -> Valued:
        accuracy = tuple(candidate.accuracy[candidate.findings.index(f)] for f in findings)
        bits, saved = self._gain(findings, accuracy)
        results = []
        for f, (sensitivity, specificity) in zip(findings, accuracy, strict=True):
            split = self._splits[frozenset([f])]
            shown = sensitivity * (1.0 - split.share) + (1.0 - specificity) * split.share
            joint = sensitivity * (self.marginal - split.joint) + (1.0 - specificity) * split.joint
            results.append(Result(f, True, shown, np.clip(joint / max(shown, 1e-300), 0.0, 1.0)))
        clear = self._outcomes(findings, accuracy)
        share, joint = float(clear[0][0]), clear[2][0]
        last = Result(
            findings[0] if len(findings) == 1 else None, False, share,
            np.clip(joint / max(share, 1e-300), 0.0, 1.0),
        )  # fmt: skip
        return Valued(candidate, bits, saved, self._worth(candidate, bits, saved), (*results, last))

    def _gain(
        self, findings: tuple[int, ...], accuracy: tuple[tuple[float, float], ...]
    ) -> tuple[float, float]:
        share, severity, joint = self._outcomes(findings, accuracy)
        safe = np.maximum(share, 1e-300)
        doubt = float((share[:, None] * _entropy(np.clip(joint / safe[:, None], 0.0, 1.0))).sum()) / LN2
        loss = float((severity @ self.priced.loss.T).min(axis=1).sum())
        return max(0.0, self.doubt - doubt), max(0.0, self.loss - loss)

    def _outcomes(
        self, findings: tuple[int, ...], accuracy: tuple[tuple[float, float], ...]
    ) -> tuple[Floats, Floats, Floats]:
        """Return P(result), P(result, severity) and P(result, cause) for the 2**k results of k findings.

        Result 0 shows all absent; bit i of a result is set where finding i shows present.
        """
        k = len(findings)
        rows = []
        for mask in range(2**k):
            group = frozenset(f for i, f in enumerate(findings) if not mask >> i & 1)
            split = self._splits[group]
            rows.append(np.concatenate([[split.share], split.severity, split.joint]))
        table = np.stack(rows)
        cube = table.reshape((2,) * k + (-1,))
        for i, (sensitivity, specificity) in enumerate(accuracy):
            axis = k - 1 - i
            absent, free = np.take(cube, 0, axis), np.take(cube, 1, axis)
            present = np.maximum(free - absent, 0.0)
            shows_absent = specificity * absent + (1.0 - sensitivity) * present
            shows_present = (1.0 - specificity) * absent + sensitivity * present
            cube = np.stack([shows_absent, shows_present], axis=axis)
        flat = cube.reshape(2**k, -1)
        return flat[:, 0], flat[:, 1:5], flat[:, 5:]


def _entropy(p: Floats) -> Floats:
    """Binary entropy of each p, in nats."""
    q = 1.0 - p
    with np.errstate(divide="ignore", invalid="ignore"):
        first = np.where(p > 0.0, p * np.log(p), 0.0)
        second = np.where(q > 0.0, q * np.log(q), 0.0)
    return -(first + second)
