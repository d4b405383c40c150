"""/v1/session: logging in at the desk with a key, and out again."""

from __future__ import annotations

from typing import Annotated

from anyio import to_thread
from fastapi import APIRouter, Body, Request, Response
from fastapi.openapi.models import Example
from pydantic import Field, StrictStr

from api import problems
from api.access import COOKIE, CSRF_HEADER, SESSION_SECONDS, Caller, Gate, csrf_token
from api.gate import address_of, cookie_of, find_caller, look_twice
from api.scopes import Scope
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


@router.get(
    "",
    operation_id="read_session",
    summary="Who is logged in",
    response_model_exclude_none=True,
    responses=problems.responses(401, 429),
)
async def read_session(request: Request) -> Session:
    """Tell who asks, and the token for changes."""
    caller = await find_caller(request.app.state.gate, request.scope)
    return _tell(caller, cookie_of(dict(request.scope["headers"])))


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
    caller = await look_twice(gate, address_of(request.scope), lambda: gate.by_key(body.key))
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
    return Session(name=caller.name, scopes=sorted(caller.scopes), token=csrf_token(token))


@router.delete(
    "",
    operation_id="log_out",
    summary="Log out",
    status_code=204,
    response_model=None,
    responses={204: {"description": "Logged out"}, **problems.responses(401, 403, 429, 503, 507)},
)
async def log_out(request: Request) -> Response:
    """End a login; the cookie is worth nothing from then on."""
    gate: Gate = request.app.state.gate
    caller = await find_caller(gate, request.scope)
    cookie = cookie_of(dict(request.scope["headers"]))
    if caller.by_cookie and cookie is not None and gate.store is not None:
        await to_thread.run_sync(gate.store.log_out, cookie)
        await to_thread.run_sync(gate.refresh, 0.0)
    response = Response(status_code=204)
    response.delete_cookie(COOKIE, path="/", httponly=True, samesite="strict")
    return response
