"""POST /v1/logs: a recorded log in, features, plots and findings out."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Annotated, TypeVar

import anyio
from fastapi import APIRouter, File, Form, Request, Response, UploadFile
from pydantic import BaseModel, TypeAdapter, ValidationError

from api import problems
from api.calling import AskerOnly
from api.log_jobs import LogJobs
from api.triage_routes import note_verdict
from engine.case import TriageRequest
from engine.errors import InputError, InputIssue
from engine.logs.answer import LogAnswer
from engine.logs.mapping import Mapping
from engine.logs.merging import merge
from engine.triage import Triage

router = APIRouter(prefix="/v1", tags=["logs"])

PIECE = 1024 * 1024
MAX_FORM_TEXT = 500_000

M = TypeVar("M", bound=BaseModel)


@router.post(
    "/logs",
    operation_id="read_log",
    summary="Read a recorded log",
    description=(
        "Takes a log as a file: text with columns in any usual form (the delimiter, the header, units and "
        "channel names are found out), or ASAM MDF4. Answers with the findings that it decides, where in the "
        "log they show, plots of these places, how the file was understood, and what a person must still say "
        "(`questions`). Correct `mapping` and send it with the file again, or with the next log of the same "
        "logger. Nothing is kept. Archives are refused: unpack them first."
    ),
    response_model=LogAnswer,
    response_model_exclude_none=True,
    dependencies=[AskerOnly],
    responses=problems.responses(400, 413, 415, 422, 500, 503),
)
async def read_log(
    request: Request,
    file: Annotated[UploadFile, File(description="The log.")],
    mapping: Annotated[
        str | None,
        Form(max_length=MAX_FORM_TEXT, description="JSON: `mapping` of an earlier answer, corrected."),
    ] = None,
    case: Annotated[
        str | None,
        Form(
            max_length=MAX_FORM_TEXT,
            description="JSON: what is known of the car besides, as `/v1/triage` takes it, `{}` at least. "
            "The answer then holds `triage`.",
        ),
    ] = None,
    plots: Annotated[bool, Form(description="Whether to draw.")] = True,
) -> Response:
    """Read one log in a process of its own."""
    jobs: LogJobs = request.app.state.log_jobs
    sent = _json_field(Mapping, "mapping", mapping)
    facts = _json_field(TriageRequest, "case", case)
    with tempfile.TemporaryDirectory(prefix="prepull-log-") as folder:
        path = Path(folder) / "log"
        await _keep(file, path)
        answer = await jobs.read(path, sent, plots)
    if facts is not None:
        answer = with_triage(request, answer, facts)
    return Response(answer.model_dump_json(exclude_none=True), media_type="application/json")


async def _keep(file: UploadFile, path: Path) -> None:
    async with await anyio.open_file(path, "wb") as kept:
        while piece := await file.read(PIECE):
            await kept.write(piece)


def _json_field(model: type[M], name: str, text: str | None) -> M | None:
    """Return a form field that holds JSON; raises `InputError` with the paths inside it."""
    if text is None or not text.strip():
        return None
    try:
        return TypeAdapter(model).validate_json(text)
    except ValidationError as error:
        issues = [
            InputIssue(".".join([name, *(str(part) for part in item["loc"])]), None, item["msg"], ())
            for item in error.errors()[:50]
        ]
        raise InputError(issues) from error


def with_triage(request: Request, answer: LogAnswer, facts: TriageRequest) -> LogAnswer:
    """Return the answer to a log with that to the case, the log's findings taken in."""
    service: Triage = request.app.state.triage
    merged, caveats = merge(facts, answer)
    told = service.answer(merged)
    note_verdict(request, merged, told)
    return answer.model_copy(update={"triage": told, "caveats": [*answer.caveats, *caveats]})
