"""POST /v1/triage/bulk: a case a line in, an answer a line out."""

from __future__ import annotations

import json
import tempfile
import threading
from collections.abc import AsyncIterator, Iterator
from typing import IO, Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import StreamingResponse
from pydantic import Field, ValidationError
from starlette.concurrency import run_in_threadpool
from starlette.types import Receive, Scope, Send

from api import problems
from api.calling import AskerOnly
from api.problems import FieldIssue, issue_of, issues_of_form
from api.storage.errors import BusyError
from api.triage_routes import note_verdict, parse_parts
from engine.answer import PART_NAMES
from engine.case import ShortText, TriageRequest
from engine.errors import ChainerError, InputError, InputIssue
from engine.triage import Options, Triage

router = APIRouter(prefix="/v1", tags=["triage"])

MEDIA_TYPE = "application/x-ndjson"
IN_MEMORY = 1_000_000
MOST_AT_ONCE = 2

_running = threading.BoundedSemaphore(MOST_AT_ONCE)


class BulkCase(TriageRequest):
    """One line of what is sent: a case, and a name that comes back with its answer."""

    id: ShortText | None = Field(default=None, description="Comes back with the answer. May be left out.")


BULK_DESCRIPTION = (
    "Takes one JSON case a line (NDJSON) and streams one JSON object a line, in the same order: `line` (from "
    "1), `id` if the case had one, and either `answer` as `/v1/triage` gives it or `problem` as problem "
    "details. A bad line spoils no other. Blank lines are passed over. The whole body is read before the "
    "first answer is sent, so a client may send all first and read afterwards. An answer that breaks off "
    "before the last line says that the service was stopped: send the lines again that have no answer."
)


@router.post(
    "/triage/bulk",
    operation_id="triage_bulk",
    summary="Answer many cases in one call",
    description=BULK_DESCRIPTION,
    response_model=None,
    response_class=StreamingResponse,
    dependencies=[AskerOnly],
    responses={
        200: {
            "description": "One object a line",
            "content": {
                MEDIA_TYPE: {
                    "schema": {"type": "string", "description": "Lines of JSON."},
                    "example": '{"line":1,"id":"a","answer":{"decision_id":"…"}}\n',
                }
            },
        },
        **problems.responses(413, 415, 422, 503),
    },
    openapi_extra={
        "requestBody": {
            "required": True,
            "content": {
                MEDIA_TYPE: {
                    "schema": {"type": "string", "description": "Lines of JSON, each a case."},
                    "examples": {
                        "two": {
                            "summary": "Two cases",
                            "value": '{"id": "a", "trouble_codes": ["P0299"]}\n'
                            '{"id": "b", "findings": [{"id": "fuel_leak_seen", "state": "present"}]}\n',
                        }
                    },
                }
            },
        }
    },
)
async def triage_bulk(
    request: Request,
    parts: Annotated[
        str | None,
        Query(
            max_length=200,
            description="Parts to compute, as `/v1/triage` takes them; `causes` alone if left out: "
            + ", ".join(PART_NAMES),
        ),
    ] = "causes",
    causes: Annotated[int, Query(ge=1, le=500, description="How many causes at most.")] = 10,
    questions: Annotated[int, Query(ge=1, le=50, description="How many next questions at most.")] = 5,
    tests: Annotated[int, Query(ge=1, le=50, description="How many next tests at most.")] = 6,
) -> StreamingResponse:
    """Answer many cases."""
    options = Options(parse_parts(parts), causes, questions, tests)
    # Lives until the answers are sent; the response closes it.
    spool = tempfile.SpooledTemporaryFile(max_size=IN_MEMORY)  # noqa: SIM115
    async for chunk in request.stream():
        await run_in_threadpool(spool.write, chunk)
    if not spool.tell():
        raise InputError([InputIssue("body", None, "the body is empty", ("one case a line",))])
    if not _running.acquire(blocking=False):
        spool.close()
        raise BusyError(f"{MOST_AT_ONCE} bulk calls are being answered already")
    spool.seek(0)
    return _BulkResponse(_answers(request, spool, options), spool)


class _BulkResponse(StreamingResponse):
    """Makes room for the next bulk call however this one ends, also if it never began."""

    def __init__(self, answers: AsyncIterator[bytes], spool: IO[bytes]) -> None:
        super().__init__(answers, media_type=MEDIA_TYPE)
        self.spool = spool

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        try:
            await super().__call__(scope, receive, send)
        finally:
            self.spool.close()
            _running.release()


async def _answers(request: Request, spool: IO[bytes], options: Options) -> AsyncIterator[bytes]:
    """Answer line by line, and stop when nobody reads any more."""
    lines = _numbered(spool)
    while not await request.is_disconnected():
        told = await run_in_threadpool(_next_answer, request, lines, options)
        if told is None:
            return
        yield told


def _numbered(spool: IO[bytes]) -> Iterator[tuple[int, bytes | None]]:
    """Yield the lines that are not blank with their numbers; None for one that is too long."""
    number = 0
    while line := spool.readline(IN_MEMORY + 1):
        number += 1
        if len(line) > IN_MEMORY and not line.endswith(b"\n"):
            while (more := spool.readline(IN_MEMORY)) and not more.endswith(b"\n"):
                pass
            yield number, None
        elif line.strip():
            yield number, line


def _next_answer(
    request: Request, lines: Iterator[tuple[int, bytes | None]], options: Options
) -> bytes | None:
    path = request.url.path
    number, line = next(lines, (0, b""))
    if not number:
        return None
    if line is None:
        detail = f"a line may have at most {IN_MEMORY} bytes"
        return _line(number, None, _problem("body-too-large", detail, path))
    return _answer(request, number, line, options, path)


def _answer(request: Request, number: int, line: bytes, options: Options, path: str) -> bytes:
    triage: Triage = request.app.state.triage
    name = None
    try:
        case = BulkCase.model_validate_json(line)
        name = case.id
        facts = {field: getattr(case, field) for field in TriageRequest.model_fields}
        bare = TriageRequest.model_construct(**facts)
        answer = triage.answer(bare, options)
        note_verdict(request, bare, answer, patient=True)
    except ValidationError as error:
        return _line(number, _name_in(line), _form(error, path))
    except InputError as error:
        errors = [issue_of(issue) for issue in error.issues[:100]]
        return _line(number, name, _problem("invalid-facts", problems.summary(errors), path, errors))
    except ChainerError:
        return _line(number, name, _problem("chainer-failed", "the rules could not be run", path))
    return _line(number, name, b'"answer":' + answer.model_dump_json(exclude_none=True).encode())


def _name_in(line: bytes) -> str | None:
    """Return the name of a case that cannot be used otherwise, so that its problem can be told apart."""
    try:
        sent = json.loads(line)
    except (ValueError, RecursionError):
        return None
    name = sent.get("id") if isinstance(sent, dict) else None
    return name if isinstance(name, str) and 0 < len(name) <= 100 else None


def _form(error: ValidationError, path: str) -> bytes:
    if error.errors()[0]["type"] == "json_invalid":
        return _problem("malformed-json", error.errors()[0]["msg"], path)
    errors = issues_of_form(error.errors())
    return _problem("invalid-request", problems.summary(errors), path, errors)


def _problem(kind: str, detail: str, path: str, errors: list[FieldIssue] | None = None) -> bytes:
    told = problems.details(kind, str(problems.echo(detail)), path, errors)
    return b'"problem":' + told.model_dump_json().encode()


def _line(number: int, name: str | None, rest: bytes) -> bytes:
    named = b"" if name is None else b'"id":' + _quoted(name) + b","
    return b'{"line":%d,%s%s}\n' % (number, named, rest)


def _quoted(text: str) -> bytes:
    return json.dumps(text).encode()
