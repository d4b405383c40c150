"""Stands before every route: finds out who asks before a byte of the body is read."""

from __future__ import annotations

from collections.abc import Callable
from http.cookies import CookieError, SimpleCookie
from urllib.parse import urlsplit

import anyio
from anyio import to_thread
from starlette.types import ASGIApp, Receive, Scope, Send

from api.access import (
    COOKIE,
    CSRF_HEADER,
    FRESH_SECONDS,
    LOOK_AGAIN_SECONDS,
    AccessError,
    Caller,
    Gate,
)
from api.problems import refusal

FREE = ("/healthz", "/readyz", "/readyz/database", "/openapi.json", "/v1/session", "/", "/bay")
FREE_FOLDERS = ("/desk/", "/v1/problems/")
SAFE_METHODS = {"GET", "HEAD", "OPTIONS"}


def is_free(path: str) -> bool:
    """Whether a path is open to everybody: what tells nothing of a case and costs next to nothing."""
    return path in FREE or path.startswith(FREE_FOLDERS)


def cookie_of(headers: dict[bytes, bytes]) -> str | None:
    """Return the login that a request carries."""
    try:
        cookies = SimpleCookie(headers.get(b"cookie", b"").decode("latin-1"))
    except CookieError:
        return None
    return cookies[COOKIE].value if COOKIE in cookies else None


def ends_of(scope: Scope) -> tuple[str | None, ...]:
    """Return where a request came in, where it comes from, and the host that it asks for."""
    host = dict(scope["headers"]).get(b"host", b"").decode("latin-1")
    try:
        name = urlsplit(f"//{host}").hostname
    except ValueError:
        name = None
    return (scope.get("server") or (None,))[0], (scope.get("client") or (None,))[0], name


def carries_proof(scope: Scope) -> bool:
    """Whether a request comes with a key or a cookie at all."""
    return any(name in {b"authorization", b"cookie"} for name, _ in scope["headers"])


def address_of(scope: Scope) -> str:
    """Return the address that a request comes from."""
    return str((scope.get("client") or ("unknown",))[0])


async def find_caller(gate: Gate, scope: Scope) -> Caller:
    """Return who asks, or raise `AccessError`."""
    headers = dict(scope["headers"])
    authorization = headers.get(b"authorization")
    csrf = headers.get(CSRF_HEADER.encode())

    def look() -> Caller:
        return gate.caller(
            None if authorization is None else authorization.decode("latin-1"),
            cookie_of(headers),
            None if csrf is None else csrf.decode("latin-1"),
            changes=scope["method"] not in SAFE_METHODS,
            ends=ends_of(scope),
        )

    if not carries_proof(scope):
        await _refresh(gate, FRESH_SECONDS)
        return look()
    return await look_twice(gate, address_of(scope), look)


async def look_twice(gate: Gate, address: str, look: Callable[[], Caller]) -> Caller:
    """Return what `look` finds, if need be after reading the keys anew; a guess that fails is counted.

    What is not known may have been made by another process a moment ago.
    """
    await _refresh(gate, FRESH_SECONDS)
    try:
        return look()
    except AccessError as error:
        if error.kind != "not-known":
            raise
    await anyio.sleep(gate.wait)
    await _refresh(gate, LOOK_AGAIN_SECONDS)
    try:
        return look()
    except AccessError as error:
        if error.kind == "not-known":
            gate.count_failure(address)
        raise


async def _refresh(gate: Gate, oldest: float) -> None:
    if gate.age >= oldest:
        await to_thread.run_sync(gate.refresh, oldest)


class GateMiddleware:
    """ASGI middleware: puts the caller into the state of the request, or answers 401 or 429."""

    def __init__(self, app: ASGIApp, gate: Gate) -> None:
        self.app = app
        self.gate = gate

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, or answer it."""
        if scope["type"] != "http" or is_free(scope["path"]):
            await self.app(scope, receive, send)
            return
        try:
            caller = await find_caller(self.gate, scope)
            self.gate.count(caller)
        except AccessError as error:
            await refusal(error, scope["path"])(scope, receive, send)
            return
        scope.setdefault("state", {})["caller"] = caller
        await self.app(scope, receive, send)
