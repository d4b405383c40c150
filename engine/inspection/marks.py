"""Answers to points, and the findings that they set together."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Annotated

from pydantic import Field

from engine.case import FindingReport, MeasurementReport, Sent, ShortText, TriageRequest
from engine.casefile import Observed, facts_at
from engine.errors import InputError, InputIssue
from engine.inspection.entries import CheckState, Point
from engine.loading import KnowledgeSource
from engine.model import KnownState
from engine.nearest import nearest

MAX_ANSWERS = 500
MAX_NOTE = 2000


class PointAnswer(Sent):
    """What was seen at one point."""

    point: ShortText = Field(description="Id of a point of the knowledge base.")
    answer: CheckState
    findings: Annotated[dict[ShortText, KnownState], Field(max_length=30)] | None = Field(
        default=None,
        description="What was seen, where it is other than what the answer sets: only findings of the point.",
    )
    measurements: Annotated[list[MeasurementReport], Field(max_length=20)] = Field(default_factory=list)
    note: Annotated[str, Field(min_length=1, max_length=MAX_NOTE)] | None = None


@dataclass(frozen=True)
class Mark:
    """The last answer to a point, with the findings that it says."""

    point: str
    answer: CheckState
    says: Mapping[str, KnownState]
    note: str | None = None
    entry: int | None = None
    readings: tuple[MeasurementReport, ...] = field(default=())


def findings_of(point: Point) -> dict[str, None]:
    """Return the findings that a point can set, in the order in which they are written."""
    sets = point.sets
    return dict.fromkeys((*sets.mend, *sets.advise, *sets.good))


def read_answer(source: KnowledgeSource, said: PointAnswer, where: str = "") -> Mark:
    """Return the mark that an answer makes; raises `InputError` that names what is wrong in it."""
    point = source.points.get(said.point)
    if point is None:
        message = f"no point has the id {said.point!r}"
        raise InputError(
            [InputIssue(f"{where}point", said.point, message, nearest(said.point, source.points))]
        )
    if said.findings is None:
        sets: Mapping[str, KnownState] = {
            "good": point.sets.good,
            "advise": point.sets.advise,
            "mend": point.sets.mend,
            "not_checked": {},
        }[said.answer]
        return Mark(said.point, said.answer, sets, said.note, None, tuple(said.measurements))
    known = findings_of(point)
    issues = [
        InputIssue(f"{where}findings.{f}", f, f"{f!r} is not a finding of {said.point!r}", tuple(known))
        for f in said.findings
        if f not in known
    ]
    if said.answer in ("good", "not_checked"):
        issues += [
            InputIssue(f"{where}findings.{f}", state, f"{f!r} is present, so the point is not {said.answer}")
            for f, state in said.findings.items()
            if state == "present"
        ]
    if issues:
        raise InputError(issues)
    return Mark(said.point, said.answer, dict(said.findings), said.note, None, tuple(said.measurements))


def facts_of(mark: Mark, others: Iterable[Mark]) -> TriageRequest:
    """Return the facts that a new answer adds beside the standing answers to other points.

    That one point is good does not take back what another shows: a finding that another point shows present
    is not said absent.
    """
    shown = {f for one in others if one.point != mark.point for f, s in one.says.items() if s == "present"}
    return TriageRequest(
        findings=[
            FindingReport(id=finding, state=state)
            for finding, state in mark.says.items()
            if state == "present" or finding not in shown
        ],
        measurements=list(mark.readings),
    )


def read_answers(source: KnowledgeSource, said: Sequence[PointAnswer], where: str = "answers") -> list[Mark]:
    """Return the marks of answers; raises `InputError` with everything that is wrong in them."""
    marks: list[Mark] = []
    issues: list[InputIssue] = []
    seen: set[str] = set()
    for i, one in enumerate(said):
        if one.point in seen:
            issues.append(InputIssue(f"{where}.{i}.point", one.point, f"{one.point!r} is answered twice"))
        seen.add(one.point)
        try:
            marks.append(read_answer(source, one, f"{where}.{i}."))
        except InputError as error:
            issues += error.issues
    if issues:
        raise InputError(issues)
    return marks


def facts_together(marks: Sequence[Mark], before: Iterable[Mark]) -> TriageRequest:
    """Return the facts that answers given together add beside those that stand already."""
    standing = {mark.point: mark for mark in before}
    standing.update({mark.point: mark for mark in marks})
    return facts_at(
        Observed(number, facts_of(mark, standing.values())) for number, mark in enumerate(marks, start=1)
    )


def with_answers(request: TriageRequest, marks: Iterable[Mark]) -> TriageRequest:
    """Return the facts of a case with those that its marks add, one after the other: the last word counts."""
    steps = [Observed(0, request)]
    before: dict[str, Mark] = {}
    for number, mark in enumerate(marks, start=1):
        steps.append(Observed(number, facts_of(mark, before.values())))
        before[mark.point] = mark
    return facts_at(steps)
