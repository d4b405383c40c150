"""Which questions and tests can be put to this car now, and why others cannot."""

from __future__ import annotations

from dataclasses import dataclass

from engine.conclusions import Conclusions
from engine.conditions import Atom
from engine.facts import Facts
from engine.knowledge import Knowledge
from engine.next_steps import Candidate, Lookahead, Menu, Valued


@dataclass(frozen=True)
class OfferedTests:
    """The tests offered, best first after those that rules require, and what stands in the way.

    `check_first` says per offered test what must be ruled out before it; `refused` says per test that
    would have been offered why it is not.
    """

    tests: tuple[Valued, ...]
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

    def test(self, lookahead: Lookahead, facts: Facts, conclusions: Conclusions, count: int) -> OfferedTests:
        """Return the best tests that nothing forbids."""
        refused: dict[str, list[str]] = {}
        check_first: dict[str, list[str]] = {}

        def allow(candidate: Candidate) -> bool:
            refusals, check_first[candidate.name] = self._prerequisites(candidate.name, facts, conclusions)
            if refusals:
                refused[candidate.name] = refusals
            return not refusals

        offered = lookahead.value(self.tests, count, allow, conclusions.required_tests)
        return OfferedTests(tuple(offered), check_first, refused)

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
            truths = [_all_hold(parts, facts, conclusions) for parts in need.alternatives]
            if True in truths:
                continue
            if None in truths and not need.must_be_known:
                checks.append(need.because)
            else:
                refusals.append(need.because)
        return refusals, checks


def _all_hold(atoms: frozenset[Atom], facts: Facts, conclusions: Conclusions) -> bool | None:
    truths = [facts.truth(atom, conclusions.states) for atom in atoms]
    if False in truths:
        return False
    return None if None in truths else True
