"""POST /v1/inspections and the walk of a case: what to look at, in which order, and what was seen."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Body, Depends, Request, Response
from fastapi.openapi.models import Example

from api import problems
from api.calling import AskerOnly, IdempotencyKey, IfMatch, Keeper, asked, needs
from api.case_routes import CHANGE, READ, TAG, CaseId
from api.storage.case_store import Reply
from api.storage.errors import DatabaseDownError
from api.triage_routes import note_verdict
from api.walk_models import Check, CheckKept, InspectionKept, InspectionRequest, WalkPlanned
from api.walks import Walks
from engine.case import TriageRequest
from engine.errors import InputError, InputIssue
from engine.inspection.answer import Inspection
from engine.inspection.marks import read_answers, with_answers
from engine.inspection.walker import NO_PARTS, Inspector

router = APIRouter(prefix="/v1", tags=["inspections"])

PLANS: dict[str, Example] = {
    "call": {
        "summary": "After a call: the tank bubbles under boost",
        "value": {
            "facts": {
                "vehicle": {"induction": "turbocharged"},
                "findings": [{"id": "tank_bubbles_under_boost", "state": "present"}],
            }
        },
    },
    "short": {"summary": "Ten minutes, nothing known", "value": {"minutes": 10}},
}
CHECKS: dict[str, Example] = {
    "fuel": {
        "summary": "Dry, and no smell of fuel",
        "value": {"who": "bay 2", "answers": [{"point": "fuel_dry_by_eye_and_nose", "answer": "good"}]},
    }
}


def walks_of(request: Request) -> Walks:
    """Return the walks of the application, or say that no cases are kept here."""
    walks: Walks | None = request.app.state.walks
    if walks is None:
        raise DatabaseDownError("no database is set")
    return walks


KeptWalks = Annotated[Walks, Depends(walks_of)]


def _send(reply: Reply) -> Response:
    return Response(reply.body, reply.status, reply.headers, "application/json")


@router.post(
    "/inspections",
    operation_id="plan_inspection",
    summary="Plan the walk round a car",
    description=(
        "What to look at on this car, in an order in which nothing is lifted, pressurised, started or "
        "strapped before what makes that unsafe has been ruled out. With `case` the walk is kept with it "
        "and answered with 201; answer its points at `/v1/cases/{id}/checks`. Without, nothing is kept: send "
        "`answers` along to see the walk as it then stands. What `minutes` leave out is named."
    ),
    response_model=None,
    dependencies=[AskerOnly],
    responses={
        200: {"model": Inspection, "description": "The walk"},
        201: {"model": InspectionKept, "description": "The walk, kept with the case", "headers": TAG},
        **problems.responses(400, 403, 404, 412, 413, 415, 422, 500, 503, 507),
    },
)
def plan_inspection(
    request: Request,
    body: Annotated[InspectionRequest, Body(openapi_examples=PLANS)],
    key: IdempotencyKey = None,
    if_match: IfMatch = None,
) -> Response:
    """Plan a walk."""
    if body.case is not None:
        caller = needs("keep_cases")(request)
        if body.facts != TriageRequest() or body.answers:
            message = "the case holds the facts and answers; add to it at its observations and checks"
            field = "facts" if body.facts != TriageRequest() else "answers"
            raise InputError([InputIssue(field, None, message, ("left out",))])
        planned = WalkPlanned(minutes=body.minutes)
        call = asked(caller, request, body, key, if_match)
        return _send(walks_of(request).plan(body.case, planned, call))
    inspector: Inspector = request.app.state.inspector
    marks = read_answers(inspector.source, body.answers)
    walk = inspector.inspect(body.facts, marks, body.minutes)
    facts = with_answers(body.facts, marks)
    note_verdict(request, facts, inspector.triage.answer(facts, NO_PARTS))
    return Response(walk.model_dump_json(exclude_none=True), media_type="application/json")


@router.get(
    "/cases/{id}/inspection",
    operation_id="read_inspection",
    summary="The walk of a case as it stands",
    response_model=None,
    responses={
        200: {"model": Inspection, "description": "The walk"},
        **READ,
        **problems.responses(500),
    },
)
def read_inspection(walks: KeptWalks, caller: Keeper, case_id: CaseId) -> Response:
    """Return the walk of a case."""
    return Response(walks.walk(case_id).model_dump_json(exclude_none=True), media_type="application/json")


@router.post(
    "/cases/{id}/checks",
    operation_id="add_checks",
    summary="Answer points of the walk",
    description=(
        "Adds what was seen, sets the findings that the answers set, and answers with the case as it "
        "stands. A point may be answered again, as when it was mended; the last answer counts. That "
        "a point is good does not take back what another shows. 409 where a point must not have been looked "
        "at as things stand: what makes it safe comes first."
    ),
    response_model=None,
    status_code=201,
    responses={
        201: {"model": CheckKept, "description": "The case", "headers": TAG},
        **CHANGE,
        **problems.responses(409),
    },
)
def add_checks(
    request: Request,
    walks: KeptWalks,
    caller: Keeper,
    case_id: CaseId,
    body: Annotated[Check, Body(openapi_examples=CHECKS)],
    key: IdempotencyKey = None,
    if_match: IfMatch = None,
) -> Response:
    """Answer points."""
    return _send(walks.check(case_id, body, asked(caller, request, body, key, if_match)))
