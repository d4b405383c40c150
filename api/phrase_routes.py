"""POST /v1/phrases: the caller's words in, findings and vehicle facts out."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Body, Request, Response

from api import problems
from api.calling import AskerOnly
from engine.listening.answer import PhrasesAnswer, PhrasesRequest, tell_heard
from engine.listening.hearing import Listener
from engine.triage import Triage

router = APIRouter(prefix="/v1", tags=["phrases"])

EXAMPLES = {
    "kettle": {
        "summary": "A caller describes what they hear, and denies a smell",
        "value": {"text": "When I floor it the tank sounds like a kettle. No smell of petrol or anything."},
    },
    "car_and_code": {
        "summary": "Vehicle facts and a trouble code among the words",
        "value": {
            "text": "its a twin turbo on e85, engine light came on, P0299, wont make full boost",
            "limit": 5,
        },
    },
}


@router.post(
    "/phrases",
    operation_id="phrases",
    summary="Hear findings in a caller's words",
    description=(
        "Takes free text in everyday words, misspelt or indirect, with irrelevant detail and denials. "
        "Answers with the findings that may be meant, each present or absent, the words that speak for "
        "each, and the vehicle facts and trouble codes heard. Several findings may be heard in one "
        "sentence. Where nothing is matched, `nothing_matched` says so and `ask` holds the question that "
        "would tell. A finding is not a fact until a person accepts it; send those on to `/v1/triage`."
    ),
    response_model=PhrasesAnswer,
    response_model_exclude_none=True,
    dependencies=[AskerOnly],
    responses=problems.responses(400, 413, 415, 422, 500),
)
def phrases(request: Request, body: Annotated[PhrasesRequest, Body(openapi_examples=EXAMPLES)]) -> Response:
    """Hear one text. Not async: a long text would keep the loop from other requests."""
    triage: Triage = request.app.state.triage
    listener: Listener = request.app.state.listener
    answer = tell_heard(triage.knowledge.source, triage.stamp, listener.listen(body.text, body.limit))
    return Response(answer.model_dump_json(exclude_none=True), media_type="application/json")
