"""Plays a case on: the best step offered is taken and answered, until the cause is found.

What is measured is what a person would be answered, so every step goes through
`engine.triage.Triage.answer`.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Literal, Protocol

from engine.answer import PartName, QuestionPart, TestPart, TriageAnswer
from engine.case import FindingReport, TriageRequest
from engine.model import KnownState
from engine.triage import Options, Triage

State = Literal["present", "absent", "unknown"]

FOUND = 0.8
"""P(a true cause | evidence) from which on it counts as found."""
MOST_STEPS = 15
CAUSES_TOLD = 20
"""Causes told per step; of more than one at `FOUND` or above that many there can hardly be."""

_USUAL = Options()
_STEP_PARTS: frozenset[PartName] = frozenset({"causes", "next_questions", "next_tests"})


class Car(Protocol):
    """What answers questions and tests."""

    def asked(self, finding: str) -> State:
        """Return what is answered when this finding is asked for."""

    def tested(self, test: str) -> Mapping[str, KnownState]:
        """Return what a test shows; a finding that it does not settle this time is left out."""


@dataclass(frozen=True)
class Played:
    """How a case went: `found` at or above `FOUND` or not, after so many `steps` that took `minutes`."""

    found: bool
    steps: int
    minutes: float
    probability: float
    """The largest P(a true cause | evidence) at the end."""
    last: TriageAnswer


def first_answer(triage: Triage, request: TriageRequest) -> TriageAnswer:
    """Answer a case with every cause told, and the steps that a caller who names no number is offered."""
    return triage.answer(request, Options(_STEP_PARTS, len(triage.knowledge.cause_ids)))


def play(
    triage: Triage, request: TriageRequest, first: TriageAnswer, truth: Collection[str], car: Car
) -> Played:
    """Play a case on from its `first` answer until one of the causes `truth` is found.

    Each time the question worth most per minute is asked while it is worth more than the best test, else
    that test is done. A test is done once. It ends without success after `MOST_STEPS` steps, or when
    nothing is offered.
    """
    answer, done, minutes = first, set[str](), 0.0
    known: dict[str, State] = {report.id: report.state for report in request.findings}
    for steps in range(MOST_STEPS + 1):
        probability = max((c.probability for c in answer.causes or () if c.id in truth), default=0.0)
        step = best_step(answer, done)
        if probability >= FOUND or step is None or steps == MOST_STEPS:
            return Played(probability >= FOUND, steps, minutes, probability, answer)
        if isinstance(step, QuestionPart):
            known[step.finding] = car.asked(step.finding)
        else:
            done.add(step.id)
            # What was seen in a test stands above what was said before it.
            known.update(car.tested(step.id))
        minutes += step.minutes
        reports = [FindingReport(id=finding, state=state) for finding, state in known.items()]
        options = Options(_STEP_PARTS, CAUSES_TOLD, 1, _USUAL.tests + len(done))
        answer = triage.answer(request.model_copy(update={"findings": reports}), options)
    raise AssertionError("not reached")


def best_step(answer: TriageAnswer, done: Collection[str] = ()) -> QuestionPart | TestPart | None:
    """Return the offered step worth most per minute, of equal ones the test; None if none is worth it."""
    tests = [test for test in answer.next_tests or () if test.id not in done]
    steps = [*tests, *(answer.next_questions or ())]
    best = max(steps, key=lambda step: step.worth_per_minute, default=None)
    return best if best is not None and best.worth_per_minute > 0.0 else None
