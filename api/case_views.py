"""From the rows of a case to what is told of it."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from typing import cast

from api import case_models as c
from api.clock import moment
from api.storage.tables import CaseRow, EntryRow
from engine.case import TriageRequest
from engine.casefile import Observed, Withdrawn, facts_at
from engine.inspection.marks import PointAnswer
from engine.model import VerdictName

OBSERVED = ("observation", "check")
"""Kinds of entries that hold facts."""


def line_of(case: CaseRow) -> c.CaseLine:
    """Return a case as a list gives it."""
    return c.CaseLine(
        id=case.id,
        reference=case.reference,
        state=cast("c.CaseState", case.state),
        verdict=cast("VerdictName | None", case.verdict),
        entries=case.entries,
        revision=case.revision,
        created=moment(case.created_us),
        changed=moment(case.changed_us),
    )


def entry_view(row: EntryRow, withdrawn_by: int | None = None) -> c.EntryView:
    """Return an entry as it is told."""
    body = json.loads(row.body)
    outcome = None
    if row.kind == "outcome":
        outcome = c.OutcomeView.model_validate({k: v for k, v in body.items() if k != "note"})
    return c.EntryView(
        number=row.number,
        kind=cast("c.EntryKind", row.kind),
        at=moment(row.at_us),
        who=row.who,
        door=cast("c.Door", row.door),
        key=row.key_id,
        note=body.get("note"),
        facts=TriageRequest.model_validate(body["facts"]) if row.kind in OBSERVED else None,
        withdrawn_by=withdrawn_by,
        observation=body.get("observation") if row.kind == "withdrawal" else None,
        reason=body.get("reason"),
        outcome=outcome,
        answers=[PointAnswer.model_validate(a) for a in body["answers"]] if row.kind == "check" else None,
        minutes=body.get("minutes") if row.kind == "inspection" else None,
    )


def steps_of(rows: Iterable[EntryRow]) -> list[Observed | Withdrawn]:
    """Return the entries of a case that its facts rest on."""
    steps: list[Observed | Withdrawn] = []
    for row in rows:
        body = json.loads(row.body)
        if row.kind in OBSERVED:
            steps.append(Observed(row.number, TriageRequest.model_validate(body["facts"])))
        elif row.kind == "withdrawal":
            steps.append(Withdrawn(row.number, body["observation"]))
    return steps


def facts_after(
    rows: Iterable[EntryRow], number: int | None, added: Observed | Withdrawn | None = None
) -> TriageRequest:
    """Return the facts of a case after its entry `number`, or after all and one that is `added`."""
    return facts_at([*steps_of(rows), *([added] if added is not None else [])], number)


def view_of(case: CaseRow, rows: Sequence[EntryRow]) -> c.CaseView:
    """Return a case with its history."""
    steps = steps_of(rows)
    taken_back = {step.observation: step.number for step in steps if isinstance(step, Withdrawn)}
    history = [entry_view(row, taken_back.get(row.number)) for row in rows]
    outcomes = [entry.outcome for entry in history if entry.outcome is not None]
    return c.CaseView(
        **dict(line_of(case)),
        facts=facts_at(steps),
        history=history,
        outcome=outcomes[-1] if outcomes else None,
    )
