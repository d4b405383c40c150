"""/v1/session: logging in at the desk with a key, and out again."""

from __future__ import annotations

from typing import Annotated

import anyio
from anyio import to_thread
from fastapi import APIRouter, Body, Request, Response
from fastapi.openapi.models import Example
from pydantic import Field, StrictStr

from api import problems
from api.access import (
    COOKIE,
    CSRF_HEADER,
    FRESH_SECONDS,
    LOOK_AGAIN_SECONDS,
    SESSION_SECONDS,
    AccessError,
    Caller,
    Gate,
    Scope,
    csrf_token,
)
from api.gate import SAFE_METHODS, carries_proof, cookie_of, ends_of
from api.storage.errors import DatabaseDownError
from engine.answer import Told
from engine.case import Sent

router = APIRouter(prefix="/v1/session", tags=["access"])


class Login(Sent):
    """A key to log in with."""

    key: Annotated[StrictStr, Field(min_length=1, max_length=200)]


class Session(Told):
    """Who is logged in."""

    name: str | None = Field(default=None, description="Name of the key; left out where access is open.")
    scopes: list[Scope]
    token: str | None = Field(
        default=None,
        description=f"To be sent as {CSRF_HEADER} with every change that comes with the cookie.",
    )


KEYS: dict[str, Example] = {"key": {"summary": "A key of the front desk", "value": {"key": "prepull_…"}}}


def _tell(caller: Caller, cookie: str | None) -> Session:
    token = csrf_token(cookie) if caller.by_cookie and cookie is not None else None
    scopes: list[Scope] = sorted(caller.scopes)
    return Session(name=caller.name, scopes=scopes, token=token)


async def _caller(request: Request) -> tuple[Caller, str | None]:
    gate: Gate = request.app.state.gate
    cookie = cookie_of(dict(request.scope["headers"]))
    authorization = request.headers.get("authorization")
    csrf = request.headers.get(CSRF_HEADER)
    changes = request.method not in SAFE_METHODS
    ends = ends_of(request.scope)
    if gate.age >= FRESH_SECONDS:
        await to_thread.run_sync(gate.refresh)
    try:
        return gate.caller(authorization, cookie, csrf, changes, ends), cookie
    except AccessError as error:
        if error.kind != "not-known" or not carries_proof(request.scope):
            raise
    await _look_again(request, gate)
    return gate.caller(authorization, cookie, csrf, changes, ends), cookie


async def _look_again(request: Request, gate: Gate) -> None:
    """Read the keys once more, for one made a moment ago; a guess counts, whatever comes of it."""
    gate.count_failure(request.client.host if request.client else "unknown")
    await anyio.sleep(gate.wait)
    await to_thread.run_sync(gate.refresh, LOOK_AGAIN_SECONDS)


@router.get(
    "",
    operation_id="read_session",
    summary="Who is logged in",
    response_model_exclude_none=True,
    responses=problems.responses(401),
)
async def read_session(request: Request, response: Response) -> Session:
    """Tell who asks, and the token for changes."""
    response.headers["cache-control"] = "no-store"
    return _tell(*await _caller(request))


@router.post(
    "",
    operation_id="log_in",
    summary="Log in at the desk",
    description="Takes a key once and gives a cookie for twelve hours, which scripts of a page cannot read.",
    response_model_exclude_none=True,
    responses=problems.responses(400, 401, 413, 415, 422, 429, 503, 507),
)
async def log_in(
    request: Request, response: Response, body: Annotated[Login, Body(openapi_examples=KEYS)]
) -> Session:
    """Begin a login."""
    gate: Gate = request.app.state.gate
    if gate.store is None:
        raise DatabaseDownError("no database is set")
    try:
        caller = gate.by_key(body.key)
    except AccessError:
        await _look_again(request, gate)
        caller = gate.by_key(body.key)
    token = await to_thread.run_sync(gate.store.log_in, caller.key_id or "")
    await to_thread.run_sync(gate.refresh, 0.0)
    response.set_cookie(
        COOKIE,
        token,
        max_age=SESSION_SECONDS,
        path="/",
        secure=request.url.scheme == "https",
        httponly=True,
        samesite="strict",
    )
    response.headers["cache-control"] = "no-store"
    return Session(name=caller.name, scopes=sorted(caller.scopes), token=csrf_token(token))


@router.delete(
    "",
    operation_id="log_out",
    summary="Log out",
    status_code=204,
    response_model=None,
    responses={204: {"description": "Logged out"}, **problems.responses(401, 403, 503, 507)},
)
async def log_out(request: Request) -> Response:
    """End a login; the cookie is worth nothing from then on."""
    gate: Gate = request.app.state.gate
    caller, cookie = await _caller(request)
    if caller.by_cookie and cookie is not None and gate.store is not None:
        await to_thread.run_sync(gate.store.log_out, cookie)
        await to_thread.run_sync(gate.refresh, 0.0)
    response = Response(status_code=204)
    response.delete_cookie(COOKIE, path="/", httponly=True, samesite="strict")
    return response
