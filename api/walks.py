"""The walk round a car whose case is kept: its plan, its answers, and what a report is made of."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence

from api.case_views import OBSERVED, facts_after, steps_of
from api.cases import Asked, Cases, found_case, new_entry
from api.clock import moment
from api.storage import case_store as store
from api.storage.case_store import Given, Reply
from api.storage.tables import CaseRow, EntryRow
from api.walk_models import Check, PointNow, Progress, WalkPlanned
from engine.case import TriageRequest
from engine.casefile import Observed, Withdrawn
from engine.errors import InputError, InputIssue, PrepullError
from engine.inspection.answer import Inspection
from engine.inspection.marks import Mark, PointAnswer, facts_together, read_answer, read_answers
from engine.inspection.reporting import CaseFile, Said
from engine.inspection.walker import Inspector
from engine.loading import KnowledgeSource


class UnsafeOrderError(PrepullError):
    """An answer to a point that must not be done as things stand; `errors` name what comes first."""

    def __init__(self, errors: Sequence[InputIssue]) -> None:
        self.errors = tuple(errors)
        super().__init__("; ".join(f"{e.field}: {e.message}" for e in errors))


class Walks:
    """Walks of the cases of one database. Safe to share between threads."""

    def __init__(self, cases: Cases, inspector: Inspector) -> None:
        self.cases = cases
        self.inspector = inspector

    @property
    def _source(self) -> KnowledgeSource:
        return self.inspector.source

    def plan(self, case_id: str, planned: WalkPlanned, asked: Asked) -> Reply:
        """Keep that a walk was planned, with the minutes there are, and answer with it."""

        def step(case: CaseRow, rows: Sequence[EntryRow]) -> tuple[EntryRow, None]:
            number = case.entries + 1
            return new_entry(case, number, "inspection", planned, asked.caller, self.cases.clock()), None

        def more(rows: Sequence[EntryRow], entry: EntryRow) -> Mapping[str, object]:
            return {"inspection": self._walk([*rows, entry])}

        return self.cases.add(case_id, asked, step, more)

    def check(self, case_id: str, said: Check, asked: Asked) -> Reply:
        """Add answers to points. Raises as `api.cases.Cases.observe` does, and `UnsafeOrderError`."""
        read_answers(self._source, said.answers)

        def step(case: CaseRow, rows: Sequence[EntryRow]) -> tuple[EntryRow, Given]:
            before = marks_of(self._source, rows)
            facts = facts_together(read_answers(self._source, said.answers), before)
            self.cases.check(facts, "answers")
            number = case.entries + 1
            entry = new_entry(case, number, "check", said, asked.caller, self.cases.clock())
            entry.body = json.dumps(
                {**json.loads(entry.body), "facts": facts.model_dump(mode="json", exclude_defaults=True)}
            )
            self._must_be_safe(rows, entry, said.answers)
            case.state = "open"
            return entry, self.cases.compute_with(rows, Observed(number, facts))

        def more(rows: Sequence[EntryRow], entry: EntryRow) -> Mapping[str, object]:
            return {"progress": progress(self._walk(rows), self._walk([*rows, entry]))}

        return self.cases.add(case_id, asked, step, more)

    def walk(self, case_id: str) -> Inspection:
        """Return the walk of a case as it stands; raises `UnknownEntryError`."""
        return self._walk(self._rows(case_id)[1])

    def file(self, case_id: str) -> tuple[TriageRequest, Inspection, CaseFile]:
        """Return the facts of a case, its walk and what a report is made of, without photographs."""
        case, rows = self._rows(case_id)
        gone = _taken_back(rows)
        said = [
            Said(
                row.number,
                moment(row.at_us),
                row.who,
                TriageRequest.model_validate(body["facts"]),
                tuple(answer["point"] for answer in body.get("answers", ())),
            )
            for row, body in ((row, json.loads(row.body)) for row in rows)
            if row.kind in OBSERVED and row.number not in gone
        ]
        file = CaseFile(case.id, case.reference, moment(self.cases.clock()), said)
        return facts_after(rows, None), self._walk(rows), file

    def _rows(self, case_id: str) -> tuple[CaseRow, Sequence[EntryRow]]:
        with self.cases.database.reading() as session:
            return found_case(session, case_id), store.entries_of(session, case_id)

    def _walk(self, rows: Sequence[EntryRow]) -> Inspection:
        # The facts of a case hold what its marks say already, in the order in which they were said.
        return self.inspector.standing(
            facts_after(rows, None), marks_of(self._source, rows), _minutes_of(rows)
        )

    def _must_be_safe(
        self, rows: Sequence[EntryRow], entry: EntryRow, answers: Sequence[PointAnswer]
    ) -> None:
        """Raise `UnsafeOrderError` for a point that was not safe before these answers nor is with them."""
        after = self._walk([*rows, entry])
        forbidden = self.inspector.forbidden(facts_after(rows, None))
        if forbidden:
            forbidden &= self.inspector.forbidden(facts_after([*rows, entry], None))
        issues = []
        for i, answer in enumerate(answers):
            if answer.answer == "not_checked":
                continue
            reasons = self.inspector.unsafe(answer.point, after, forbidden)
            if reasons:
                issues.append(
                    InputIssue(f"answers.{i}.point", answer.point, "; ".join(reasons), ("not_checked",))
                )
        if issues:
            raise UnsafeOrderError(issues)


def marks_of(source: KnowledgeSource, rows: Sequence[EntryRow]) -> list[Mark]:
    """Return the last answer to every point, in the order in which they were given.

    Answers that were taken back are left out, and those to points that the knowledge base has no more.
    """
    gone = _taken_back(rows)
    found: dict[str, Mark] = {}
    for row in rows:
        if row.kind != "check" or row.number in gone:
            continue
        for said in json.loads(row.body)["answers"]:
            try:
                mark = read_answer(source, PointAnswer.model_validate(said))
            except InputError:
                continue
            found.pop(mark.point, None)
            found[mark.point] = mark
    return list(found.values())


def progress(before: Inspection, after: Inspection) -> Progress:
    """Return what changed between two states of a walk."""
    old = [point.id for stage in before.stages for point in stage.points]
    new = [point for stage in after.stages for point in stage.points]
    ids = {point.id for point in new}
    return Progress(
        verdict=after.verdict,
        holds=after.holds,
        ready=after.ready,
        before_rollers=after.before_rollers,
        minutes=after.minutes,
        points=[PointNow(id=p.id, state=p.state, waits_for=p.waits_for, because=p.because) for p in new],
        added=[point.id for point in new if point.id not in old],
        dropped=[point_id for point_id in old if point_id not in ids],
    )


def _taken_back(rows: Sequence[EntryRow]) -> set[int]:
    return {step.observation for step in steps_of(rows) if isinstance(step, Withdrawn)}


def _minutes_of(rows: Sequence[EntryRow]) -> float | None:
    """Return the minutes of the walk that was planned last."""
    planned = [json.loads(row.body).get("minutes") for row in rows if row.kind == "inspection"]
    return planned[-1] if planned else None
