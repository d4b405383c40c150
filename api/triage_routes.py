"""POST /v1/triage: the facts of a case in, the answer out."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Body, Query, Request, Response

from api import problems
from api.calling import AskerOnly
from api.observing import Metrics
from api.verdict_log import VerdictLog
from engine.answer import PART_NAMES, PartName, TriageAnswer
from engine.case import TriageRequest
from engine.errors import InputError, InputIssue
from engine.nearest import nearest
from engine.triage import ALL_PARTS, Options, Triage

router = APIRouter(prefix="/v1", tags=["triage"])

EXAMPLES = {
    "bubbling_tank": {
        "summary": "Caller: the tank bubbles under boost",
        "value": {
            "vehicle": {"induction": "turbocharged", "evap_system": "fitted"},
            "findings": [
                {"id": "tank_bubbles_under_boost", "state": "present"},
                {"id": "fuel_leak_seen", "state": "absent"},
            ],
        },
    },
    "oil_pressure": {
        "summary": "Readings and a trouble code",
        "value": {
            "vehicle": {"induction": "turbocharged", "oil_gauge": "electric_sender"},
            "findings": [{"id": "oil_pressure_fluctuates_steady", "state": "present"}],
            "measurements": [
                {
                    "quantity": "oil_pressure",
                    "value": 24,
                    "unit": "psi",
                    "at": {"engine_speed_rpm": 5000},
                }
            ],
            "trouble_codes": ["P0299"],
        },
    },
}


def parse_parts(parts: str | None) -> frozenset[PartName]:
    """Read a comma-separated list of parts; raises `engine.errors.InputError` for one that is not known."""
    if parts is None:
        return ALL_PARTS
    wanted = [part.strip() for part in parts.split(",") if part.strip()]
    issues = [
        InputIssue(
            "parts",
            part,
            f"no part of the answer is called {part!r}",
            nearest(part, PART_NAMES) or PART_NAMES,
        )
        for part in wanted
        if part not in PART_NAMES
    ]
    if not wanted:
        issues.append(InputIssue("parts", parts, "no part is named", PART_NAMES))
    if issues:
        raise InputError(issues)
    return frozenset(part for part in PART_NAMES if part in wanted)


def answer_response(answer: TriageAnswer) -> Response:
    """Return an answer as JSON, without the parts that were not asked for."""
    return Response(answer.model_dump_json(exclude_none=True), media_type="application/json")


@router.post(
    "/triage",
    operation_id="triage",
    summary="Answer one case",
    description=(
        "Keeps no case: takes vehicle facts, findings, readings and trouble codes; answers with the verdict, "
        "holds, ranked causes, what to ask and what to test next, and the trace of the rules. The same facts "
        "and the same knowledge base give the same answer. `verdict`, `holds` and `conflicts` are in every "
        "answer."
    ),
    response_model=None,
    dependencies=[AskerOnly],
    responses={
        200: {"model": TriageAnswer, "description": "The answer"},
        **problems.responses(400, 413, 415, 422, 500),
    },
)
async def triage(
    request: Request,
    body: Annotated[TriageRequest, Body(openapi_examples=EXAMPLES)],
    parts: Annotated[
        str | None,
        Query(
            max_length=200,
            description="Comma-separated parts to compute: " + ", ".join(PART_NAMES) + ". All if left out.",
            examples=["causes", "causes,next_questions"],
        ),
    ] = None,
    causes: Annotated[int, Query(ge=1, le=500, description="How many causes at most.")] = 10,
    questions: Annotated[int, Query(ge=1, le=50, description="How many next questions at most.")] = 5,
    tests: Annotated[int, Query(ge=1, le=50, description="How many next tests at most.")] = 6,
) -> Response:
    """Answer one case."""
    service: Triage = request.app.state.triage
    options = Options(parse_parts(parts), causes, questions, tests)
    answer = service.answer(body, options)
    note_verdict(request, body, answer)
    return answer_response(answer)


def note_verdict(request: Request, facts: TriageRequest, answer: TriageAnswer, patient: bool = False) -> None:
    """Count a verdict that was given without a case, and keep it where verdicts are kept."""
    metrics: Metrics = request.app.state.metrics
    metrics.verdicts.labels(answer.verdict.verdict).inc()
    kept: VerdictLog | None = request.app.state.verdict_log
    if kept is not None:
        kept.keep(facts, answer, patient)
