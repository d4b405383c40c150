"""Every error as RFC 9457 problem details, from one place."""

from __future__ import annotations

import json
import logging
import math
import re
from http import HTTPStatus

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException

from engine.errors import ChainerError, InputError, InputIssue, UnknownEntryError

MEDIA_TYPE = "application/problem+json"
MAX_ECHO = 200

log = logging.getLogger("prepull.api")

MEANINGS: dict[str, tuple[int, str]] = {
    "malformed-json": (400, "The body is not JSON"),
    "unknown-path": (404, "There is nothing at this path"),
    "unknown-entry": (404, "The knowledge base has no entry with this id"),
    "wrong-method": (405, "This path does not take this method"),
    "body-too-large": (413, "The body is larger than is taken"),
    "wrong-media-type": (415, "The body is not sent as JSON"),
    "invalid-request": (422, "The request is not of the form that is taken"),
    "invalid-facts": (422, "The facts cannot be used as they are"),
    "chainer-failed": (500, "The rules could not be run"),
    "unexpected": (500, "Something went wrong here, not in the request"),
    "not-ready": (503, "The service cannot answer now"),
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


def problem(
    kind: str, detail: str, instance: str, errors: list[FieldIssue] | None = None, status: int | None = None
) -> JSONResponse:
    """Return the response for a problem of a kind that `MEANINGS` lists."""
    usual, title = MEANINGS[kind]
    body = ProblemDetails(
        type=f"/v1/problems/{kind}",
        title=title,
        status=status or usual,
        detail=detail,
        instance=instance,
        errors=errors or [],
    )
    return JSONResponse(body.model_dump(), status_code=body.status, media_type=MEDIA_TYPE)


def responses(*statuses: int) -> dict[int | str, dict[str, object]]:
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


def _issue(issue: InputIssue) -> FieldIssue:
    return FieldIssue(
        field=issue.field[:MAX_ECHO],
        value=echo(issue.value),
        message=str(echo(issue.message)),
        accepted=list(issue.accepted),
    )


def _summary(errors: list[FieldIssue]) -> str:
    first = f"{errors[0].field}: {errors[0].message}"
    return first if len(errors) == 1 else f"{first} (and {len(errors) - 1} more, see errors)"


async def _invalid_facts(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, InputError)
    errors = [_issue(issue) for issue in error.issues[:100]]
    return problem("invalid-facts", _summary(errors), request.url.path, errors)


async def _unknown_entry(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, UnknownEntryError)
    message = f"no {error.kind} has this id"
    issue = FieldIssue(field="id", value=echo(error.entry_id), message=message, accepted=list(error.nearest))
    return problem("unknown-entry", str(echo(str(error))), request.url.path, [issue])


async def _invalid_request(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, RequestValidationError)
    errors = []
    for item in error.errors()[:100]:
        if item["type"] == "json_invalid":
            where = f"at character {item['loc'][-1]}: {item.get('ctx', {}).get('error', '')}"
            return problem("malformed-json", f"the body is not JSON, {where}", request.url.path)
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
    return problem("invalid-request", _summary(errors), request.url.path, errors)


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
    return response


async def _chainer_failed(request: Request, error: Exception) -> JSONResponse:
    log.error("chainer failed: %s", error)
    detail = "the rules could not be run; no answer is given instead"
    return problem("chainer-failed", detail, request.url.path)


async def _unexpected(request: Request, error: Exception) -> JSONResponse:
    log.error("unexpected error at %s", request.url.path, exc_info=error)
    return problem("unexpected", "an unexpected error; it was logged", request.url.path)


def install(app: FastAPI) -> None:
    """Make every error of the application a problem document."""
    app.add_exception_handler(InputError, _invalid_facts)
    app.add_exception_handler(UnknownEntryError, _unknown_entry)
    app.add_exception_handler(RequestValidationError, _invalid_request)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(ChainerError, _chainer_failed)
    app.add_exception_handler(Exception, _unexpected)
