"""How well golden cases are answered: figures over all of them, and every miss by name."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from engine.answer import KbStamp, TriageAnswer
from engine.case import FindingReport
from engine.figures import Figure, Figures, Outcome, by_group, figures, offered, outcome
from engine.golden import GoldenCase, Kind
from engine.model import KnownState, VerdictName
from engine.playing import FOUND, Played, State, first_answer, play
from engine.triage import Triage

Wrong = Literal[
    "dangerous", "needless", "verdict", "hold", "top_1", "top_3", "next_step", "not_reachable", "not_found"
]

RANKED_TOLD = 5


class Ranked(Figure):
    """A cause as it was ranked."""

    cause: str
    probability: float


class Miss(Figure):
    """A case that was not answered as expected: what is `wrong`, what was expected and what was answered."""

    name: str
    file: str
    line: int
    kind: Kind
    wrong: tuple[Wrong, ...]
    truth: tuple[str, ...]
    first: tuple[str, ...]
    ranked: tuple[Ranked, ...]
    true_ranks: dict[str, int | None]
    """The place of each true cause, from 1; None where it is excluded."""
    verdicts: tuple[VerdictName, ...]
    verdict: VerdictName
    basis: str
    holds: tuple[str, ...]
    """The rules that raised one."""
    next_steps: tuple[str, ...]
    offered: tuple[str, ...]
    steps: int
    reached: float
    """The largest P(a true cause) when it was played on."""


class Score(Figure):
    """The figures of golden cases, of all and by kind and file, and every miss, dangerous ones first."""

    kb: KbStamp
    figures: Figures
    by_kind: Mapping[str, Figures]
    by_file: Mapping[str, Figures]
    misses: tuple[Miss, ...]


@dataclass(frozen=True)
class TruthfulCar:
    """Answers as a golden case says; what it does not list nobody knows, and no test settles."""

    states: Mapping[str, KnownState]
    settles: Mapping[str, Sequence[str]]

    def asked(self, finding: str) -> State:
        """Return the state that is listed, else unknown."""
        return self.states.get(finding, "unknown")

    def tested(self, test: str) -> Mapping[str, KnownState]:
        """Return the findings of the test that are listed."""
        return {finding: self.states[finding] for finding in self.settles[test] if finding in self.states}


def score(triage: Triage, cases: Sequence[GoldenCase]) -> Score:
    """Answer every case, play it on truthfully, and compare with what a technician would answer.

    Raises `engine.errors.InputError` and `engine.errors.ChainerError`.
    """
    outcomes: list[Outcome] = []
    misses: list[Miss] = []
    for case in cases:
        answer = first_answer(triage, case.case)
        car = _car(triage, case)
        played = play(triage, case.case, answer, case.truth, car)
        outcomes.append(
            outcome(
                answer,
                played,
                case.truth,
                case.first,
                case.verdict,
                case.next,
                case.hold or None,
                _best(triage, case, car) >= FOUND,
            )
        )
        wrong = _wrong(outcomes[-1])
        if wrong:
            misses.append(_miss(case, answer, played, wrong))
    return Score(
        kb=triage.stamp,
        figures=figures(outcomes),
        by_kind=by_group(outcomes, [case.kind for case in cases]),
        by_file=by_group(outcomes, [case.file for case in cases]),
        misses=tuple(sorted(misses, key=lambda miss: "dangerous" not in miss.wrong)),
    )


def _car(triage: Triage, case: GoldenCase) -> TruthfulCar:
    told: dict[str, KnownState] = {
        report.id: report.state for report in case.case.findings if report.state != "unknown"
    }
    tests = triage.knowledge.source.tests
    return TruthfulCar(told | case.truthful, {test: tuple(entry.settles) for test, entry in tests.items()})


def _best(triage: Triage, case: GoldenCase, car: TruthfulCar) -> float:
    """Return the largest P(a true cause) when all that the case lists is told."""
    reports = [FindingReport(id=finding, state=state) for finding, state in car.states.items()]
    told = first_answer(triage, case.case.model_copy(update={"findings": reports}))
    return max((cause.probability for cause in told.causes or () if cause.id in case.truth), default=0.0)


def _wrong(outcome: Outcome) -> tuple[Wrong, ...]:
    checks: tuple[tuple[Wrong, bool | None], ...] = (
        ("dangerous", outcome.dangerous),
        ("needless", outcome.needless),
        ("verdict", not outcome.verdict),
        ("hold", outcome.hold is False),
        ("top_1", not outcome.top_1),
        ("top_3", not outcome.top_3),
        ("next_step", outcome.next_step is False),
        ("not_reachable", outcome.reachable is False),
        ("not_found", not outcome.played.found),
    )
    return tuple(name for name, failed in checks if failed)


def _miss(case: GoldenCase, answer: TriageAnswer, played: Played, wrong: tuple[Wrong, ...]) -> Miss:
    causes = answer.causes or []
    place = {cause.id: i for i, cause in enumerate(causes, 1)}
    return Miss(
        name=case.name,
        file=case.file,
        line=case.line,
        kind=case.kind,
        wrong=wrong,
        truth=case.truth,
        first=case.first,
        ranked=tuple(Ranked(cause=c.id, probability=c.probability) for c in causes[:RANKED_TOLD]),
        true_ranks={cause: place.get(cause) for cause in case.truth},
        verdicts=case.verdict,
        verdict=answer.verdict.verdict,
        basis=answer.verdict.basis,
        holds=tuple(hold.rule for hold in answer.holds),
        next_steps=case.next,
        offered=tuple(sorted(offered(answer))),
        steps=played.steps,
        reached=played.probability,
    )
