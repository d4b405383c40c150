"""Which questions and tests can be put to this car now, and why others cannot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from engine.conclusions import Conclusions
from engine.conditions import Atom
from engine.facts import Facts
from engine.knowledge import Knowledge
from engine.next_steps import Allow, Candidate, Lookahead, Menu, Valued

CONFIRMING = 0.5
"""Strength from which a finding can confirm a cause."""
CONFIRMING_TRIED = 12


@dataclass(frozen=True)
class OfferedTests:
    """The tests offered, best first after those that rules require, and what stands in the way.

    `confirms` says which leading cause a test is to confirm; `check_first` says per offered test what must be
    ruled out before it; `refused` says per test that would have been offered why it is not.
    """

    tests: tuple[Valued, ...]
    confirms: dict[str, list[str]]
    check_first: dict[str, list[str]]
    refused: dict[str, list[str]]


@dataclass(frozen=True)
class Offers:
    """The menus of a knowledge base: what can be asked on a call, and the tests."""

    knowledge: Knowledge
    questions: Menu
    tests: Menu

    @classmethod
    def build(cls, knowledge: Knowledge) -> Offers:
        """Turn the findings that can be asked and the tests into candidates."""
        decision = knowledge.source.manifest.decision
        questions = [
            Candidate(finding, (knowledge.finding_index[finding],), ((1.0, 1.0),), decision.question_minutes)
            for finding, entry in knowledge.source.findings.items()
            if "call" in entry.found_at
        ]
        tests = [
            Candidate(
                test,
                tuple(knowledge.finding_index[f] for f in entry.settles),
                tuple((accuracy.sensitivity, accuracy.specificity) for accuracy in entry.settles.values()),
                entry.minutes,
                sum(decision.risk_minutes.get(activity, 0.0) for activity in entry.involves),
            )
            for test, entry in knowledge.source.tests.items()
        ]
        return cls(knowledge, Menu(questions), Menu(tests))

    def ask(self, lookahead: Lookahead, facts: Facts, count: int) -> tuple[Valued, ...]:
        """Return the best questions; what was asked and is not known is not asked again."""
        undecided = facts.undecided
        return tuple(
            lookahead.value(self.questions, count, lambda candidate: candidate.name not in undecided)
        )

    def test(
        self,
        lookahead: Lookahead,
        facts: Facts,
        conclusions: Conclusions,
        leading: Sequence[int],
        count: int,
    ) -> OfferedTests:
        """Return the best tests that nothing forbids.

        Those that rules require and the one that best confirms each `leading` cause (indices) come before
        the others: nobody should take a car apart on a probability alone.
        """
        refused: dict[str, list[str]] = {}
        check_first: dict[str, list[str]] = {}

        def allow(candidate: Candidate) -> bool:
            refusals, check_first[candidate.name] = self._prerequisites(candidate.name, facts, conclusions)
            if refusals:
                refused[candidate.name] = refusals
            return not refusals

        confirms: dict[str, list[str]] = {}
        for cause in leading:
            name = self._confirming(lookahead, cause, allow)
            if name is not None:
                confirms.setdefault(name, []).append(self.knowledge.cause_ids[cause])
        first = {**conclusions.required_tests, **confirms}
        offered = lookahead.value(self.tests, count, allow, first)
        return OfferedTests(tuple(offered), confirms, check_first, refused)

    def _confirming(self, lookahead: Lookahead, cause: int, allow: Allow) -> str | None:
        """Return the allowed test that speaks most for the cause per minute, were the cause there.

        Only findings count that the cause makes present with `CONFIRMING` strength or more and that are not
        known yet. A test is worth P(it shows the finding | cause) * log of its likelihood ratio.
        """
        menu, network = self.tests, self.knowledge.network
        strength = np.where(lookahead.known[menu.finding], 0.0, network.strength[menu.finding, cause])
        background = network.background[menu.finding]
        sensitivity, specificity = menu.accuracy[:, 0], menu.accuracy[:, 1]
        there = 1.0 - (1.0 - background) * (1.0 - strength)
        shown = there * sensitivity + (1.0 - there) * (1.0 - specificity)
        otherwise = background * sensitivity + (1.0 - background) * (1.0 - specificity)
        telling = np.where(strength >= CONFIRMING, shown * np.log(shown / otherwise), 0.0)
        worth = telling / menu.minutes[menu.owner]
        for pair in np.argsort(-worth, kind="stable")[:CONFIRMING_TRIED].tolist():
            candidate: Candidate = menu.candidates[int(menu.owner[pair])]
            if worth[pair] > 0.0 and allow(candidate):
                return candidate.name
        return None

    def _prerequisites(
        self, test_id: str, facts: Facts, conclusions: Conclusions
    ) -> tuple[list[str], list[str]]:
        """Return why the test must not be offered, and what is to be checked before it."""
        refusals, checks = [], []
        for activity in self.knowledge.source.tests[test_id].involves:
            rule = conclusions.forbidden.get(activity)
            if rule is not None:
                label = self.knowledge.source.rules[rule].label
                refusals.append(f"{activity.replace('_', ' ')} is forbidden while: {label}")
        for need in self.knowledge.needs[test_id]:
            truths = [all_hold(parts, facts, conclusions) for parts in need.alternatives]
            if True in truths:
                continue
            if None in truths and not need.must_be_known:
                checks.append(need.because)
            else:
                refusals.append(need.because)
        return refusals, checks


def all_hold(atoms: frozenset[Atom], facts: Facts, conclusions: Conclusions) -> bool | None:
    """Tell whether all of the atoms hold; None where that is not known."""
    truths = [facts.truth(atom, conclusions.states) for atom in atoms]
    if False in truths:
        return False
    return None if None in truths else True
