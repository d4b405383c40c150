"""What to ask and what to test next: the expected value of every question and test, all at once.

The value of a step is myopic (Heckerman, Breese and Rommelse 1995, Decision-theoretic troubleshooting):
how many bits of doubt about the causes it is expected to remove, and by how many minutes it is expected to
lower the loss of the verdict, against the minutes and the risk it takes. Doubt is the sum over the causes
of the entropy of P(cause | evidence), which bounds the joint entropy from above; a bit of it is worth more
the worse the cause.

Every finding is first priced alone, all of them in one pass; the best few steps are then valued by the
joint result of up to three findings.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations

import numpy as np

from engine.links import Groups
from engine.network import Bools, Floats, Ints
from engine.posterior import Posterior, Reasoner
from engine.splits import Splits, entropy, expected_doubt

JOINT_FINDINGS = 3
"""A test that settles more findings is valued by the most telling three together: a lower bound."""
SHORTLIST = 8
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

    `loss` [V, 4] in minutes, per verdict and worst consequence (nothing, advise, mend_first, stop);
    `minutes_per_bit` [C] what a bit of doubt about a cause is worth; `general_share` the share that a check
    counts for which no cause of a positive finding can make turn out positive.
    """

    loss: Floats
    minutes_per_bit: Floats
    general_share: float = 1.0


Allow = Callable[[Candidate], bool]


class Menu:
    """Candidates with their (candidate, finding) pairs as arrays, built once for many cases."""

    def __init__(self, candidates: Sequence[Candidate]) -> None:
        self.candidates = tuple(sorted(candidates, key=lambda candidate: candidate.name))
        self.names = tuple(candidate.name for candidate in self.candidates)
        owner = [i for i, candidate in enumerate(self.candidates) for _ in candidate.findings]
        self.owner: Ints = np.array(owner, dtype=np.intp)
        self.finding: Ints = np.array([f for c in self.candidates for f in c.findings], dtype=np.intp)
        self.accuracy: Floats = np.array([a for c in self.candidates for a in c.accuracy]).reshape(-1, 2)
        self.minutes: Floats = np.array([c.minutes + c.risk for c in self.candidates])


@dataclass(frozen=True)
class Choice:
    """A candidate with the findings of it that are not known yet, and what is known of its worth so far."""

    candidate: Candidate
    findings: tuple[int, ...]
    accuracy: tuple[tuple[float, float], ...]
    bits: float
    saved: float
    worth: float
    share: float


@dataclass(frozen=True)
class Alone:
    """What the P open (candidate, finding) pairs of a menu are worth, each finding taken alone.

    `share` [P] is 1, or the general share; `best` [candidates] is the worth of the most telling finding,
    below 0 where none is open.
    """

    menu: Menu
    pairs: Ints
    bits: Floats
    saved: Floats
    worth: Floats
    share: Floats
    best: Floats

    @property
    def order(self) -> list[int]:
        """Candidates, most worth first, then by name."""
        order: list[int] = np.argsort(-self.best, kind="stable").tolist()
        return order

    def choice(self, candidate: int) -> Choice:
        """Return a candidate with its most telling open findings."""
        start, stop = np.searchsorted(self.menu.owner[self.pairs], [candidate, candidate + 1])
        mine = sorted(range(start, stop), key=lambda pair: -self.worth[pair])
        finding, accuracy = self.menu.finding[self.pairs], self.menu.accuracy[self.pairs]
        used = sorted(mine[:JOINT_FINDINGS], key=lambda pair: int(finding[pair]))
        return Choice(
            self.menu.candidates[candidate],
            tuple(int(finding[pair]) for pair in used),
            tuple((float(accuracy[pair, 0]), float(accuracy[pair, 1])) for pair in used),
            float(self.bits[mine[0]]),
            float(self.saved[mine[0]]),
            float(self.worth[mine[0]]),
            max(float(self.share[pair]) for pair in used),
        )


class Lookahead:
    """Values the candidates of a menu against one posterior; `known` [F] are findings that are not open."""

    def __init__(self, reasoner: Reasoner, posterior: Posterior, priced: Priced, known: Bools) -> None:
        self.reasoner = reasoner
        self.model = posterior.lane_model
        self.priced = priced
        self.known = known
        self.complaint = bool(posterior.evidence.present)
        self.open = np.flatnonzero(~known)
        self.place = np.cumsum(~known) - 1
        self.alone = Splits(reasoner, self.model, reasoner.single_groups.only(self.open))
        self.marginal: Floats = self.alone.marginal
        self.loss = float((priced.loss @ self.alone.total_severity).min())

    def value(
        self,
        menu: Menu,
        count: int,
        allow: Allow | None = None,
        first: Collection[str] = (),
    ) -> list[Valued]:
        """Return the `count` best candidates, best worth per minute first, then by name.

        `allow` is asked, best candidate first, whether one may be offered. Those that would tell nothing
        are left out. Candidates named in `first` stand before all others, told or not, and may be more.
        """
        alone = self._price(menu)
        named = {name: i for i, name in enumerate(menu.names)} if first else {}
        must = [
            alone.choice(i)
            for i in sorted(named[name] for name in first if name in named)
            if alone.best[i] > -1.0 and (allow is None or allow(menu.candidates[i]))
        ]
        places = max(0, count - len(must))
        short: list[Choice] = []
        for i in alone.order:
            if len(short) >= max(places, SHORTLIST) or alone.best[i] <= NOTHING or not places:
                break
            candidate = menu.candidates[i]
            if candidate.name not in first and (allow is None or allow(candidate)):
                short.append(alone.choice(i))
        joint = self._joint_table(must + short)
        ranked = [sorted((self._jointly(c, joint) for c in part), key=_order) for part in (must, short)]
        return [self._told(choice, joint) for choice in ranked[0] + ranked[1][:places]]

    def _price(self, menu: Menu) -> Alone:
        """Value every (candidate, open finding) pair of the menu alone."""
        pairs = np.flatnonzero(~self.known[menu.finding])
        owner, accuracy = menu.owner[pairs], menu.accuracy[pairs]
        drop, severity = expected_doubt(
            self.alone, self.place[menu.finding[pairs]], accuracy, self.priced.minutes_per_bit
        )
        bits, minutes = drop / LN2
        after = (severity @ self.priced.loss.T).min(axis=2).sum(axis=1)
        saved = np.maximum(self.loss - after, 0.0)
        general = self.alone.engaged_row[self.place[menu.finding[pairs]]] == 0
        share = np.where(general & self.complaint, self.priced.general_share, 1.0)
        worth = share * (saved + minutes) / menu.minutes[owner]
        best = np.full(len(menu.candidates), -1.0)
        np.maximum.at(best, owner, worth)
        return Alone(menu, pairs, bits, saved, worth, share, best)

    def _joint_table(self, choices: Sequence[Choice]) -> JointTable:
        groups = sorted(
            {
                group
                for choice in choices
                if len(choice.findings) > 1
                for size in range(2, len(choice.findings) + 1)
                for group in combinations(choice.findings, size)
            }
        )
        splits = None
        if groups:
            splits = Splits(self.reasoner, self.model, Groups.build(self.reasoner.network, groups))
        return JointTable({group: i for i, group in enumerate(groups)}, splits, self.alone, self.place)

    def _jointly(self, choice: Choice, table: JointTable) -> Choice:
        """Return the choice with the worth of its joint result."""
        if len(choice.findings) == 1:
            return choice
        outcomes = table.outcomes(choice.findings, choice.accuracy)
        before = entropy(self.marginal[outcomes.causes])
        drop = (before - outcomes.doubt()) / LN2
        bits = max(0.0, float(drop.sum()))
        minutes = max(0.0, float(drop @ self.priced.minutes_per_bit[outcomes.causes]))
        after = float((outcomes.severity @ self.priced.loss.T).min(axis=1).sum())
        saved = max(0.0, self.loss - after)
        candidate = choice.candidate
        worth = choice.share * (saved + minutes) / (candidate.minutes + candidate.risk)
        return replace(choice, bits=bits, saved=saved, worth=worth)

    def _told(self, choice: Choice, table: JointTable) -> Valued:
        outcomes = table.outcomes(choice.findings, choice.accuracy)
        results = []
        for i, f in enumerate(choice.findings):
            shows = [mask for mask in range(2 ** len(choice.findings)) if mask >> i & 1]
            results.append(self._result(f, True, outcomes, shows))
        results.append(self._result(choice.findings[0] if len(results) == 1 else None, False, outcomes, [0]))
        return Valued(choice.candidate, choice.bits, choice.saved, choice.worth, tuple(results))

    def _result(self, finding: int | None, present: bool, outcomes: Outcomes, masks: list[int]) -> Result:
        share = float(outcomes.share[masks].sum())
        whole = self.marginal.copy()
        joint = outcomes.joint[masks].sum(axis=0)
        whole[outcomes.causes] = np.clip(joint / max(share, 1e-300), 0.0, 1.0)
        return Result(finding, present, share, whole)


def _order(choice: Choice) -> tuple[float, str]:
    return -round(choice.worth, 9), choice.candidate.name


@dataclass(frozen=True)
class Outcomes:
    """P(result) [R], P(result, worst consequence) [R, 4] and P(result, cause) [R, K] for the `causes` K.

    Result 0 shows all absent; bit i of a result is set where finding i shows present.
    """

    share: Floats
    severity: Floats
    causes: Ints
    joint: Floats

    def doubt(self) -> Floats:
        """Expected doubt [K] about each cause after the result, in nats."""
        p = np.clip(self.joint / np.maximum(self.share, 1e-300)[:, None], 0.0, 1.0)
        doubt: Floats = self.share @ entropy(p)
        return doubt


@dataclass(frozen=True)
class JointTable:
    """The splits by group of findings: none, one alone, or several together."""

    index: dict[tuple[int, ...], int]
    joint: Splits | None
    alone: Splits
    place: Ints
    known: dict[tuple[object, ...], Outcomes] = field(default_factory=dict)

    def _find(self, group: tuple[int, ...]) -> tuple[Splits, int]:
        if len(group) == 1:
            return self.alone, int(self.place[group[0]])
        assert self.joint is not None
        return self.joint, self.index[group]

    def outcomes(self, findings: tuple[int, ...], accuracy: tuple[tuple[float, float], ...]) -> Outcomes:
        """Return what the joint result of `findings` (ascending) can be."""
        key = (findings, accuracy)
        if key not in self.known:
            self.known[key] = self._outcomes(findings, accuracy)
        return self.known[key]

    def _outcomes(self, findings: tuple[int, ...], accuracy: tuple[tuple[float, float], ...]) -> Outcomes:
        k = len(findings)
        groups = [
            self._find(tuple(f for i, f in enumerate(findings) if not mask >> i & 1))
            for mask in range(2**k - 1)
        ]
        causes = np.unique(np.concatenate([splits.moved(row) for splits, row in groups]))
        table = np.empty((2**k, 5 + causes.size))
        for mask, (splits, row) in enumerate(groups):
            table[mask, 0] = splits.share[row]
            table[mask, 1:5] = splits.severity[row]
            table[mask, 5:] = splits.share[row] * splits.whole(row)[causes]
        table[-1, 0] = 1.0
        table[-1, 1:5] = self.alone.total_severity
        table[-1, 5:] = self.alone.marginal[causes]
        cube = table.reshape((2,) * k + (-1,))
        for i, (sensitivity, specificity) in enumerate(accuracy):
            absent, free = cube.take(0, k - 1 - i), cube.take(1, k - 1 - i)
            present = np.maximum(free - absent, 0.0)
            shows_absent = specificity * absent + (1.0 - sensitivity) * present
            shows_present = (1.0 - specificity) * absent + sensitivity * present
            cube = np.stack([shows_absent, shows_present], axis=k - 1 - i)
        flat = cube.reshape(2**k, -1)
        return Outcomes(flat[:, 0], flat[:, 1:5], causes, flat[:, 5:])
