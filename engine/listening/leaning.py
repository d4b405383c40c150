"""Which words are denied, or said to be as they should be, and what state that gives a finding.

A denied verb covers its whole clause ("the gearbox doesn't leak a drop"), a denied thing what follows ("turns
with no effort", "no smoke or anything"). A clause that
says that something is well denies the trouble with what it names ("the brakes are fine"), unless that itself
is denied ("doesn't feel right"). A clause of denials alone answers the question before it ("pinking? no").
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from engine.listening.wording import Clause, Run, Runs, Word, split_clauses
from engine.model import KnownState, WordGroup
from engine.phrasing import fold

OPPOSITE: dict[KnownState, KnownState] = {"present": "absent", "absent": "present"}

DENIAL_WEIGHT = 2.0
"""A denial is said on purpose, its absence is not."""


@dataclass(frozen=True, slots=True)
class Leaning:
    """Per word: is it denied, is it said to be well, and does it only serve to say so."""

    denied: tuple[bool, ...]
    well: tuple[bool, ...]
    serving: tuple[bool, ...]


@dataclass(frozen=True, slots=True)
class Telling:
    """How much a word tells of a sense.

    `denied` is the share of the sense's phrasings with the word that deny it; `deniable` (0 to 1) says how
    far to deny the word here turns the sense round.
    """

    weight: float
    denied: float
    deniable: float


@dataclass(frozen=True)
class DenialWords:
    """The word groups that decide what is denied."""

    denies: Runs
    denies_rest: Runs
    does_not_deny: Runs
    all_well: Runs
    turns: Runs
    beginnings: frozenset[str]
    """Every word that a run of the first four begins with: most words are none of them."""

    @classmethod
    def of(cls, groups: Iterable[WordGroup]) -> DenialWords:
        """Collect the runs of all groups by role."""
        runs: dict[str, set[Run]] = {}
        for group in groups:
            for words in group.words:
                runs.setdefault(group.role, set()).add(tuple(fold(words).split()))
        roles = ("denies", "denies_rest", "does_not_deny", "all_well", "turns")
        first = (run[0] for role in roles[:-1] for run in runs.get(role, ()) if run)
        denies, rest, harmless, well, turns = (Runs(runs.get(role, ())) for role in roles)
        return cls(denies, rest, harmless, well, turns, frozenset(first))

    def leaning(self, text: str, words: Sequence[Word], clauses: Sequence[Clause]) -> Leaning:
        """Return the leaning of each of `words` of `text`, which `clauses` divide."""
        denied, fine, serving = ([False] * len(words) for _ in range(3))
        for number, clause in enumerate(clauses):
            denied_from, well = self._clause(words, clause, serving)
            if well:
                fine[clause.first : clause.last] = [True] * (clause.last - clause.first)
            if denied_from is not None:
                denied[denied_from : clause.last] = [True] * (clause.last - denied_from)
                self._answer(text, words, clauses, number, denied)
        return Leaning(tuple(denied), tuple(fine), tuple(serving))

    @staticmethod
    def _answer(
        text: str, words: Sequence[Word], clauses: Sequence[Clause], number: int, denied: list[bool]
    ) -> None:
        """Deny the question that this clause answers, if it begins its sentence and the one before asks."""
        first, here = clauses[number].first, clauses[number].sentence
        begins = number > 0 and clauses[number - 1].sentence != here
        if not begins or "?" not in text[words[first - 1].end : words[first].start]:
            return
        for clause in clauses[:number]:
            if clause.sentence == here - 1:
                denied[clause.first : clause.last] = [True] * (clause.last - clause.first)

    def of_phrasing(self, text: str, phrasing: Sequence[Word]) -> Leaning:
        """Return the leaning of a phrasing that stands by itself."""
        return self.leaning(text, phrasing, split_clauses(text, tuple(phrasing), self.turns))

    def _clause(self, words: Sequence[Word], clause: Clause, serving: list[bool]) -> tuple[int | None, bool]:
        """Mark the words that serve; return from where on it is denied, and whether it says all is well."""
        denied_from: int | None = None
        well = False
        folded = [word.folded for word in words[clause.first : clause.last]]
        at = clause.first
        while at < clause.last:
            if words[at].folded not in self.beginnings:
                at += 1
                continue
            found = {
                role: getattr(self, role).at(folded, at - clause.first, len(folded))
                for role in ("does_not_deny", "all_well", "denies", "denies_rest")
            }
            role = max(found, key=lambda name: found[name])
            length = found[role]
            if length and role != "does_not_deny":
                serving[at : at + length] = [True] * length
            if length and role == "all_well":
                # "Not right" denies that it is well: the trouble is there, and nothing is denied.
                well = denied_from is None
                denied_from = None
            elif length and role in {"denies", "denies_rest"}:
                # "On the throttle nothing": what has nothing behind it denies what is before it.
                whole = role == "denies" or at + length == clause.last
                start = clause.first if whole else at
                denied_from = start if denied_from is None else min(start, denied_from)
            at += max(length, 1)
        return denied_from, well


def state_of(
    state: KnownState,
    telling: Mapping[str, Telling],
    words: Sequence[Word],
    leaning: Leaning,
    clauses: Iterable[Clause],
) -> KnownState:
    """Return the state that a stretch of words gives a finding, of a sense that means `state`.

    To deny a trouble is to say that it is not there ("no smoke"); but to deny what ought to be ("won't
    start") is to say that something is wrong, and a word that the phrasings themselves deny means the same
    denied. That all is well turns every trouble round. Each word speaks by how much it tells of the sense,
    each clause by the square of that: what is meant stands in one clause, the others are around it.
    """
    opposite = same = 0.0
    for clause in clauses:
        flipped = total = 0.0
        for i in range(clause.first, clause.last):
            told = telling.get(words[i].stem)
            if told is None or leaning.serving[i]:
                continue
            total += told.weight
            if state == "absent":
                flipped += told.weight * told.deniable * (1.0 - told.denied) if leaning.denied[i] else 0.0
            elif leaning.well[i]:
                flipped += told.weight
            elif leaning.denied[i]:
                flipped += told.weight * told.deniable * (1.0 - told.denied)
            else:
                flipped += told.weight * told.denied
        opposite += total * flipped
        same += total * (total - flipped)
    return OPPOSITE[state] if DENIAL_WEIGHT * opposite > same else state
