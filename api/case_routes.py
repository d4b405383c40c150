"""/v1/cases: cases kept over days. /v1/decisions: verdicts that were given, shown again.

None of these routes is async: the database would keep the loop from other requests.
"""

from __future__ import annotations

import re
from typing import Annotated

from fastapi import APIRouter, Body, Depends, Path, Query, Request, Response
from pydantic import AwareDatetime, BaseModel, BeforeValidator

from api import case_models as c
from api import problems
from api.calling import Confirmer, IdempotencyKey, IfMatch, Keeper, asked, cases_of
from api.case_examples import NEW_CASES, OBSERVATIONS, OUTCOMES, PERSONS, WITHDRAWALS
from api.cases import Asked, Cases
from api.clock import microseconds
from api.problems import Responses
from api.storage.case_store import Reply
from engine.answer import TriageAnswer
from engine.model import VerdictName

router = APIRouter(prefix="/v1", tags=["cases"])

KeptCases = Annotated[Cases, Depends(cases_of)]


def _written_out(value: object) -> object:
    if isinstance(value, str) and not re.match(r"\d{4}-\d\d-\d\d", value):
        raise ValueError("a time is written as 2026-03-01T08:00:00Z")
    return value


Moment = Annotated[AwareDatetime, BeforeValidator(_written_out)]
CaseId = Annotated[str, Path(alias="id", pattern="^[0-9a-f]{24}$", description="Id of the case.")]
READ = problems.responses(404, 422, 503)
CHANGE = problems.responses(400, 404, 412, 413, 415, 422, 500, 503, 507)
TAG = {"ETag": {"description": "Of the case as it is now.", "schema": {"type": "string"}}}

LINKS = {
    operation: {"operationId": operation, "parameters": {"id": "$response.body#/case/id"}}
    for operation in (
        "read_case",
        "add_observation",
        "withdraw_observation",
        "attach_outcome",
        "case_answer",
        "read_person",
        "put_person",
        "erase_person",
    )
}
LINKS["read_decision"] = {
    "operationId": "read_decision",
    "parameters": {"decision_id": "$response.body#/answer/decision_id"},
}
"""What can be done next with a case that a call has answered, for programs that read the document."""


def _gives(model: type[BaseModel]) -> Responses:
    """Return the OpenAPI entry of a route that adds to a case."""
    return {201: {"model": model, "description": "The case", "headers": TAG, "links": LINKS}}


def _send(reply: Reply) -> Response:
    return Response(reply.body, reply.status, reply.headers, "application/json")


@router.post(
    "/cases",
    operation_id="open_case",
    summary="Open a case",
    description="Opens a case, with a first observation or without, and answers it.",
    response_model=None,
    status_code=201,
    responses={
        **_gives(c.CaseAnswered),
        **problems.responses(400, 413, 415, 422, 500, 503, 507),
    },
)
def open_case(
    request: Request,
    cases: KeptCases,
    caller: Keeper,
    body: Annotated[c.NewCase, Body(openapi_examples=NEW_CASES)],
    key: IdempotencyKey = None,
) -> Response:
    """Open a case."""
    return _send(cases.open(body, asked(caller, request, body, key, None)))


@router.get(
    "/cases",
    operation_id="list_cases",
    summary="List cases, the newest first",
    response_model_exclude_none=True,
    responses=problems.responses(422, 503),
)
def list_cases(
    cases: KeptCases,
    caller: Keeper,
    state: Annotated[c.CaseState | None, Query(description="Only cases in this state.")] = None,
    verdict: Annotated[VerdictName | None, Query(description="Only cases with this verdict.")] = None,
    reference: Annotated[
        c.Reference | None, Query(description="Only cases with exactly this reference.")
    ] = None,
    changed_since: Annotated[
        Moment | None, Query(description="Only cases changed at or after this time, with its zone.")
    ] = None,
    limit: Annotated[int, Query(ge=1, le=500, description="How many on a page at most.")] = 50,
    after: Annotated[
        str | None,
        Query(pattern="^[0-9a-f]{24}$", description="`next` of the page before."),
    ] = None,
) -> c.CaseList:
    """List cases. Cases that are opened while pages are read change no page that is still to come."""
    since = None if changed_since is None else microseconds(changed_since)
    return cases.list(limit, after, state, verdict, reference, since)


@router.get(
    "/cases/{id}",
    operation_id="read_case",
    summary="Read a case with its history",
    response_model_exclude_none=True,
    responses={200: {"headers": TAG}, **READ},
)
def read_case(cases: KeptCases, caller: Keeper, case_id: CaseId, response: Response) -> c.CaseView:
    """Read a case."""
    view, response.headers["etag"] = cases.read(case_id)
    return view


@router.post(
    "/cases/{id}/observations",
    operation_id="add_observation",
    summary="Add facts to a case",
    description="Adds to what is known and answers with the case as it stands. Nothing is ever overwritten.",
    response_model=None,
    status_code=201,
    responses={**_gives(c.CaseAnswered), **CHANGE},
)
def add_observation(
    request: Request,
    cases: KeptCases,
    caller: Keeper,
    case_id: CaseId,
    body: Annotated[c.Observation, Body(openapi_examples=OBSERVATIONS)],
    key: IdempotencyKey = None,
    if_match: IfMatch = None,
) -> Response:
    """Add an observation."""
    return _send(cases.observe(case_id, body, asked(caller, request, body, key, if_match)))


@router.post(
    "/cases/{id}/withdrawals",
    operation_id="withdraw_observation",
    summary="Take an observation back",
    description="The observation counts no more, and stays readable with the reason.",
    response_model=None,
    status_code=201,
    responses={**_gives(c.CaseAnswered), **CHANGE},
)
def withdraw_observation(
    request: Request,
    cases: KeptCases,
    caller: Keeper,
    case_id: CaseId,
    body: Annotated[c.Withdrawal, Body(openapi_examples=WITHDRAWALS)],
    key: IdempotencyKey = None,
    if_match: IfMatch = None,
) -> Response:
    """Withdraw an observation."""
    return _send(cases.withdraw(case_id, body, asked(caller, request, body, key, if_match)))


@router.post(
    "/cases/{id}/outcomes",
    operation_id="attach_outcome",
    summary="Tell what it was",
    description="Attaches what was found and done, and settles the case. The last outcome counts.",
    response_model=None,
    status_code=201,
    responses={**_gives(c.OutcomeKept), **CHANGE},
)
def attach_outcome(
    request: Request,
    cases: KeptCases,
    caller: Confirmer,
    case_id: CaseId,
    body: Annotated[c.Outcome, Body(openapi_examples=OUTCOMES)],
    key: IdempotencyKey = None,
    if_match: IfMatch = None,
) -> Response:
    """Attach an outcome."""
    return _send(cases.attach(case_id, body, asked(caller, request, body, key, if_match)))


@router.get(
    "/cases/{id}/answer",
    operation_id="case_answer",
    summary="The answer of a case, now or as it stood",
    description=(
        "Without `at`: as it stands, by the knowledge base that serves now. With `at`: as it was given after "
        "that entry, byte for byte, by the knowledge base of then."
    ),
    response_model=None,
    responses={
        200: {"model": TriageAnswer, "description": "The answer"},
        **READ,
        **problems.responses(500),
    },
)
def case_answer(
    cases: KeptCases,
    caller: Keeper,
    case_id: CaseId,
    at: Annotated[
        int | None, Query(ge=0, le=1_000_000, description="Number of an entry; 0 is before the first.")
    ] = None,
) -> Response:
    """Answer a case."""
    return Response(cases.answer(case_id, at), media_type="application/json")


@router.get(
    "/cases/{id}/person",
    operation_id="read_person",
    summary="Whose case it is",
    response_model_exclude_none=True,
    responses={200: {"headers": TAG}, **READ},
)
def read_person(cases: KeptCases, caller: Keeper, case_id: CaseId, response: Response) -> c.Person:
    """Read the person of a case."""
    person, response.headers["etag"] = cases.person(case_id)
    return person


@router.put(
    "/cases/{id}/person",
    operation_id="put_person",
    summary="Keep whose case it is",
    description="Name, telephone and plate, each optional, kept apart from the case.",
    status_code=204,
    response_model=None,
    responses={204: {"description": "Kept", "headers": TAG}, **CHANGE},
)
def put_person(
    cases: KeptCases,
    caller: Keeper,
    case_id: CaseId,
    body: Annotated[c.Person, Body(openapi_examples=PERSONS)],
    if_match: IfMatch = None,
) -> Response:
    """Keep the person of a case."""
    tag = cases.put_person(case_id, body, Asked(caller, None, if_match))
    return Response(status_code=204, headers={"etag": tag})


@router.delete(
    "/cases/{id}/person",
    operation_id="erase_person",
    summary="Erase whose case it is",
    description="The technical case stays. There is nothing left of the person in the database.",
    status_code=204,
    response_model=None,
    responses={
        204: {"description": "Erased", "headers": TAG},
        **READ,
        **problems.responses(412, 507),
    },
)
def erase_person(cases: KeptCases, caller: Keeper, case_id: CaseId, if_match: IfMatch = None) -> Response:
    """Erase the person of a case."""
    tag = cases.erase_person(case_id, Asked(caller, None, if_match))
    return Response(status_code=204, headers={"etag": tag})


@router.get(
    "/decisions/{decision_id}",
    operation_id="read_decision",
    summary="A verdict that was given, shown again",
    description="With the facts, the knowledge base, the answer and its trace, as they were.",
    response_model=None,
    responses={200: {"model": c.Decision, "description": "The verdict"}, **READ},
)
def read_decision(
    cases: KeptCases,
    caller: Keeper,
    decision_id: Annotated[str, Path(pattern="^[0-9a-f]{24}$", description="`decision_id` of an answer.")],
) -> Response:
    """Show a verdict again."""
    return Response(cases.decision(decision_id), media_type="application/json")
