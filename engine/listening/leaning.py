"""Which words are denied, or said to be as they should be.

A denied verb covers its whole clause ("the gearbox doesn't leak a drop"), a denied thing what follows ("turns
with no effort", "no smoke or anything"). A clause that says that something is well says so of what it names
("the brakes are fine"), unless that itself is denied ("doesn't feel right"). What was asked is refused, or
said to be well, by the clause that answers it ("pinking? no", "you asked about smoke: there is none").
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from engine.listening.wording import Clause, Run, Runs, Word, split_clauses
from engine.model import WordGroup
from engine.phrasing import fold


@dataclass(frozen=True, slots=True)
class Leaning:
    """Per word: is it denied, is it said to be well, and does it only serve to say so.

    `refused` words stand in what was asked and answered with a no: the whole of it is not so.
    """

    denied: tuple[bool, ...]
    well: tuple[bool, ...]
    serving: tuple[bool, ...]
    refused: tuple[bool, ...]


NO_ANSWER = frozenset({"nothing", "nowt", "nobody", "hardly", "barely"})
"""Denials that tell how little there is: alone in a clause they are what happens next, not a no."""

ROLES = ("does_not_deny", "all_well", "denies", "denies_rest")
"""Roles that decide what a clause says, the earlier ones first where two have the same words."""


@dataclass(frozen=True, slots=True)
class _Said:
    """What one clause says: from which word on it is denied, is it well, and how it may answer.

    `bare` says that it holds nothing but the denial and words that say nothing by themselves; `at_once`
    that nothing else comes before the denial.
    """

    denied_from: int | None
    well: bool
    bare: bool
    at_once: bool


@dataclass(frozen=True)
class DenialWords:
    """The word groups that decide what is denied."""

    denies: Runs
    denies_rest: Runs
    does_not_deny: Runs
    all_well: Runs
    turns: Runs
    asks: Runs
    affirms: Runs
    fills: Runs
    beginnings: frozenset[str]
    """Every word that a run of the first four begins with: most words are none of them."""

    @classmethod
    def of(cls, groups: Iterable[WordGroup]) -> DenialWords:
        """Collect the runs of all groups by role."""
        runs: dict[str, set[Run]] = {}
        for group in groups:
            for words in group.words:
                runs.setdefault(group.role, set()).add(tuple(fold(words).split()))
        by_role = {role: Runs(runs.get(role, ())) for role in (*ROLES, "turns", "asks", "affirms", "fills")}
        first = (run[0] for role in ROLES for run in runs.get(role, ()) if run)
        return cls(**by_role, beginnings=frozenset(first))

    def leaning(self, text: str, words: Sequence[Word], clauses: Sequence[Clause]) -> Leaning:
        """Return the leaning of each of `words` of `text`, which `clauses` divide."""
        denied, fine, serving, refused = ([False] * len(words) for _ in range(4))
        folded = [word.folded for word in words]
        asking = _sentences_that_ask(text, words, clauses)
        asked: list[int] = []
        for number, clause in enumerate(clauses):
            said = self._clause(folded, clause, serving)
            if said.well:
                fine[clause.first : clause.last] = [True] * (clause.last - clause.first)
            if said.denied_from is not None:
                denied[said.denied_from : clause.last] = [True] * (clause.last - said.denied_from)
            if clause.sentence in asking:
                asked.append(number)
                continue
            begins = number == 0 or clauses[number - 1].sentence != clause.sentence
            little = not NO_ANSWER.isdisjoint(folded[clause.first : clause.last])
            answers = said.bare or said.at_once or begins
            if self._has(self.affirms, folded, clause):
                asked.clear()
            elif said.denied_from is not None and answers:
                before = asked or ([number - 1] if said.bare and not begins and not little else [])
                # "No smoke, none": what is denied already is denied once more, not turned round.
                spoken = (n for n in before if not any(denied[clauses[n].first : clauses[n].last]))
                _cover(refused, clauses, spoken)
                asked.clear()
            elif said.well and answers:
                _cover(fine, clauses, asked)
                asked.clear()
            if self._has(self.asks, folded, clause):
                asked.append(number)
        return Leaning(tuple(denied), tuple(fine), tuple(serving), tuple(refused))

    def of_phrasing(self, text: str, phrasing: Sequence[Word]) -> Leaning:
        """Return the leaning of a phrasing that stands by itself."""
        return self.leaning(text, phrasing, split_clauses(text, tuple(phrasing), self.turns))

    def _clause(self, folded: Sequence[str], clause: Clause, serving: list[bool]) -> _Said:
        """Mark the words that serve, and return what the clause says."""
        denied_from: int | None = None
        well = spoken = at_once = False
        at = clause.first
        while at < clause.last:
            role, length = self._role(folded, at, clause.last)
            if length and role != "does_not_deny":
                serving[at : at + length] = [True] * length
                at_once = at_once or not spoken
            elif not length:
                length = self.fills.at(folded, at, clause.last)
                spoken = spoken or not length
            else:
                spoken = True
            if role == "all_well":
                # "Not right" denies that it is well: the trouble is there, and nothing is denied.
                well = denied_from is None
                denied_from = None
            elif role in {"denies", "denies_rest"}:
                # "On the throttle nothing": what has nothing behind it denies what is before it.
                whole = role == "denies" or at + length == clause.last
                start = clause.first if whole else at
                denied_from = start if denied_from is None else min(start, denied_from)
            at += max(length, 1)
        return _Said(denied_from, well, bare=not spoken, at_once=at_once)

    def _role(self, folded: Sequence[str], at: int, last: int) -> tuple[str, int]:
        """Return which role the words have that begin here, and how many they are; the longest run wins."""
        if folded[at] not in self.beginnings:
            return "", 0
        found = {role: getattr(self, role).at(folded, at, last) for role in ROLES}
        role = max(found, key=lambda name: found[name])
        return (role, found[role]) if found[role] else ("", 0)

    @staticmethod
    def _has(runs: Runs, folded: Sequence[str], clause: Clause) -> bool:
        numbers = (at for at in range(clause.first, clause.last) if runs.begin_with(folded[at]))
        return any(runs.at(folded, at, clause.last) for at in numbers)


def _sentences_that_ask(text: str, words: Sequence[Word], clauses: Sequence[Clause]) -> set[int]:
    """Return the numbers of the sentences that end in a question mark and that something follows."""
    ends = ((a, b) for a, b in pairwise(clauses) if a.sentence != b.sentence)
    return {a.sentence for a, b in ends if "?" in text[words[a.last - 1].end : words[b.first].start]}


def _cover(marks: list[bool], clauses: Sequence[Clause], numbers: Iterable[int]) -> None:
    for number in numbers:
        clause = clauses[number]
        marks[clause.first : clause.last] = [True] * (clause.last - clause.first)
