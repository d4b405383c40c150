"""Every error as RFC 9457 problem details, from one place."""

from __future__ import annotations

import json
import logging
import math
import re
from collections.abc import Mapping, Sequence
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException

from api.access import AccessError
from api.cases import StaleError
from api.log_jobs import LogsBusyError, UnreadableLogError
from api.once import KeyReusedError
from api.photographs import TooManyPicturesError
from api.pictures import UnreadablePictureError
from api.storage.errors import BusyError, DatabaseFullError, StorageError
from api.walks import UnsafeOrderError
from engine.errors import ChainerError, InputError, InputIssue, UnknownEntryError

RETRY_SECONDS = 5

MEDIA_TYPE = "application/problem+json"
MAX_ECHO = 200

log = logging.getLogger("prepull.api")

Responses = dict[int | str, dict[str, object]]

MEANINGS: dict[str, tuple[int, str]] = {
    "malformed-json": (400, "The body is not JSON"),
    "not-known": (401, "Nobody is known by this key or login"),
    "not-allowed": (403, "This key may not do that"),
    "unknown-path": (404, "There is nothing at this path"),
    "unknown-entry": (404, "There is no entry with this id"),
    "wrong-method": (405, "This path does not take this method"),
    "unsafe-order": (409, "What makes it safe has not been ruled out"),
    "stale-case": (412, "The case was changed meanwhile"),
    "body-too-large": (413, "The body is larger than is taken"),
    "wrong-media-type": (415, "The body is not sent as JSON"),
    "invalid-request": (422, "The request is not of the form that is taken"),
    "invalid-facts": (422, "The facts cannot be used as they are"),
    "unreadable-picture": (422, "The picture cannot be read"),
    "unreadable-log": (422, "The file cannot be read as a log"),
    "key-reused": (422, "The Idempotency-Key came before with something else"),
    "too-many": (429, "Too many calls in a minute"),
    "chainer-failed": (500, "The rules could not be run"),
    "unexpected": (500, "Something went wrong here, not in the request"),
    "not-ready": (503, "The service cannot answer now"),
    "database-down": (503, "Cases cannot be kept or read now"),
    "too-busy": (503, "Too much is being written at once"),
    "logs-busy": (503, "Too many logs are being read at once"),
    "too-many-pictures": (507, "The case holds as many pictures as it may"),
    "database-full": (507, "There is no room left to keep it"),
}
"""Problem kind -> status and title. The kind is the last part of the `type` member."""


class FieldIssue(BaseModel):
    """One field that is wrong, what it held, and what would be accepted."""

    field: str
    value: str | int | float | bool | None = Field(description="What was sent, cut short if it is long.")
    message: str
    accepted: list[str] = Field(description="What would be accepted; for an unknown id the nearest known.")


class ProblemDetails(BaseModel):
    """Problem details by RFC 9457, with the fields that are wrong as an extension member."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "type": "/v1/problems/invalid-facts",
                    "title": "The facts cannot be used as they are",
                    "status": 422,
                    "detail": "findings.0.id: no finding has the id 'tank_bubles'",
                    "instance": "/v1/triage",
                    "errors": [
                        {
                            "field": "findings.0.id",
                            "value": "tank_bubles",
                            "message": "no finding has the id 'tank_bubles'",
                            "accepted": ["tank_bubbles_under_boost"],
                        }
                    ],
                }
            ]
        }
    )

    type: str
    title: str
    status: int
    detail: str
    instance: str
    errors: list[FieldIssue] = Field(default_factory=list)


def details(
    kind: str, detail: str, instance: str, errors: list[FieldIssue] | None = None, status: int | None = None
) -> ProblemDetails:
    """Return a problem of a kind that `MEANINGS` lists."""
    usual, title = MEANINGS[kind]
    return ProblemDetails(
        type=f"/v1/problems/{kind}",
        title=title,
        status=status or usual,
        detail=detail,
        instance=instance,
        errors=errors or [],
    )


def problem(
    kind: str, detail: str, instance: str, errors: list[FieldIssue] | None = None, status: int | None = None
) -> JSONResponse:
    """Return the response for a problem of a kind that `MEANINGS` lists."""
    body = details(kind, detail, instance, errors, status)
    return JSONResponse(body.model_dump(), status_code=body.status, media_type=MEDIA_TYPE)


def responses(*statuses: int) -> Responses:
    """Return the OpenAPI entries of a route for these error statuses."""
    return {
        status: {
            "description": "; ".join(title for s, title in MEANINGS.values() if s == status),
            "content": {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/ProblemDetails"}}},
        }
        for status in statuses
    }


def echo(value: object) -> str | int | float | bool | None:
    """Return `value` in a form that is short and can be JSON."""
    if value is None or isinstance(value, bool | int):
        return value if not isinstance(value, int) or abs(value) < 2**53 else str(value)[:MAX_ECHO]
    if isinstance(value, float):
        return value if math.isfinite(value) else str(value)
    text = value if isinstance(value, str) else json.dumps(value, default=str)[: MAX_ECHO + 1]
    text = text.encode("utf-8", "replace").decode()
    return text if len(text) <= MAX_ECHO else text[:MAX_ECHO] + "…"


def issue_of(issue: InputIssue) -> FieldIssue:
    """Return one thing that is wrong with the facts as it is told."""
    return FieldIssue(
        field=issue.field[:MAX_ECHO],
        value=echo(issue.value),
        message=str(echo(issue.message)),
        accepted=list(issue.accepted),
    )


def summary(errors: list[FieldIssue]) -> str:
    """Return in one line what is wrong first, and how much more."""
    first = f"{errors[0].field}: {errors[0].message}"
    return first if len(errors) == 1 else f"{first} (and {len(errors) - 1} more, see errors)"


async def _invalid_facts(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, InputError)
    errors = [issue_of(issue) for issue in error.issues[:100]]
    return problem("invalid-facts", summary(errors), request.url.path, errors)


async def _unknown_entry(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, UnknownEntryError)
    message = f"no {error.kind} has this id"
    issue = FieldIssue(field="id", value=echo(error.entry_id), message=message, accepted=list(error.nearest))
    return problem("unknown-entry", str(echo(str(error))), request.url.path, [issue])


def issues_of_form(found: Sequence[Mapping[str, Any]]) -> list[FieldIssue]:
    """Return what pydantic found wrong with a request as it is told."""
    errors = []
    for item in found[:100]:
        path = [str(part) for part in item["loc"]]
        field = ".".join(path[1:] if path[:1] == ["body"] else path) or "body"
        errors.append(
            FieldIssue(
                field=field[:MAX_ECHO],
                value=echo(item.get("input")),
                message=str(item["msg"]),
                accepted=_accepted(item.get("ctx")),
            )
        )
    return errors


async def _invalid_request(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, RequestValidationError)
    for item in error.errors():
        if item["type"] == "json_invalid":
            where = f"at character {item['loc'][-1]}: {item.get('ctx', {}).get('error', '')}"
            return problem("malformed-json", f"the body is not JSON, {where}", request.url.path)
    errors = issues_of_form(error.errors())
    return problem("invalid-request", summary(errors), request.url.path, errors)


def _accepted(context: object) -> list[str]:
    if not isinstance(context, dict):
        return []
    expected = context.get("expected")
    if isinstance(expected, str):
        return re.findall(r"'([^']+)'", expected) or [expected]
    return [f"{name.replace('_', ' ')}: {value}" for name, value in context.items() if name != "error"]


async def _http(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, HTTPException)
    kinds = {
        400: "malformed-json",
        404: "unknown-path",
        405: "wrong-method",
        413: "body-too-large",
        415: "wrong-media-type",
    }
    status = error.status_code
    kind = kinds.get(status, "invalid-request" if status < 500 else "unexpected")
    detail = str(error.detail)
    if kind == "wrong-method":
        detail = f"{request.method} is not taken here"
    elif kind == "malformed-json":
        # Raised by FastAPI alone: bytes that are no UTF-8, or brackets nested too deep to be read.
        detail = "the body is not JSON that can be read: it must be UTF-8, and not nested without end"
    elif detail == HTTPStatus(status).phrase:
        detail = MEANINGS[kind][1].lower()
    response = problem(kind, detail, request.url.path, status=status)
    for name, value in (error.headers or {}).items():
        response.headers[name] = value
    if kind == "wrong-method":
        # The header that came along names the methods of one route only; a path may have several.
        path = getattr(request.scope.get("route"), "path", None)
        documented = request.app.openapi()["paths"].get(path)
        if documented:
            response.headers["allow"] = ", ".join(sorted(method.upper() for method in documented))
    return response


async def _chainer_failed(request: Request, error: Exception) -> JSONResponse:
    log.error("chainer failed: %s", error)
    request.app.state.metrics.chainer_errors.inc()
    detail = "the rules could not be run; no answer is given instead"
    return problem("chainer-failed", detail, request.url.path)


async def _unexpected(request: Request, error: Exception) -> JSONResponse:
    log.error("unexpected error at %s", request.url.path, exc_info=error)
    return problem("unexpected", "an unexpected error; it was logged", request.url.path)


def refusal(error: AccessError, path: str) -> JSONResponse:
    """Return the response for a call that is not let through."""
    response = problem(error.kind, str(error), path)
    if error.kind == "not-known":
        response.headers["www-authenticate"] = 'Bearer realm="prepull"'
    if error.retry_after is not None:
        response.headers["retry-after"] = str(error.retry_after)
    return response


async def _refused(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, AccessError)
    return refusal(error, request.url.path)


async def _stale(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, StaleError)
    response = problem("stale-case", str(error), request.url.path)
    response.headers["etag"] = error.etag
    return response


async def _unsafe_order(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, UnsafeOrderError)
    issues = [issue_of(issue) for issue in error.errors]
    return problem("unsafe-order", str(error), request.url.path, issues)


async def _unreadable_picture(request: Request, error: Exception) -> JSONResponse:
    return problem("unreadable-picture", str(error), request.url.path)


async def _too_many_pictures(request: Request, error: Exception) -> JSONResponse:
    return problem("too-many-pictures", str(error), request.url.path)


async def _key_reused(request: Request, error: Exception) -> JSONResponse:
    return problem("key-reused", str(error), request.url.path)


async def _storage(request: Request, error: Exception) -> JSONResponse:
    log.error("storage failed at %s: %s: %s", request.url.path, type(error).__name__, error)
    if isinstance(error, DatabaseFullError):
        return problem("database-full", "nothing was written: there is no room left", request.url.path)
    if isinstance(error, BusyError):
        detail = "others are writing; nothing was written, ask again"
        response = problem("too-busy", detail, request.url.path)
    else:
        detail = "the database does not answer; a triage without a case still does"
        response = problem("database-down", detail, request.url.path)
    response.headers["retry-after"] = str(RETRY_SECONDS)
    return response


async def _unreadable_log(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, UnreadableLogError)
    return problem("unreadable-log", str(error), request.url.path, [issue_of(i) for i in error.issues])


async def _logs_busy(request: Request, error: Exception) -> JSONResponse:
    response = problem("logs-busy", str(error), request.url.path)
    response.headers["retry-after"] = str(RETRY_SECONDS)
    return response


def install(app: FastAPI) -> None:
    """Make every error of the application a problem document."""
    app.add_exception_handler(InputError, _invalid_facts)
    app.add_exception_handler(UnknownEntryError, _unknown_entry)
    app.add_exception_handler(RequestValidationError, _invalid_request)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(ChainerError, _chainer_failed)
    app.add_exception_handler(AccessError, _refused)
    app.add_exception_handler(StaleError, _stale)
    app.add_exception_handler(UnsafeOrderError, _unsafe_order)
    app.add_exception_handler(UnreadablePictureError, _unreadable_picture)
    app.add_exception_handler(TooManyPicturesError, _too_many_pictures)
    app.add_exception_handler(KeyReusedError, _key_reused)
    app.add_exception_handler(UnreadableLogError, _unreadable_log)
    app.add_exception_handler(LogsBusyError, _logs_busy)
    app.add_exception_handler(StorageError, _storage)
    app.add_exception_handler(Exception, _unexpected)
