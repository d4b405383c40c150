"""Stands before every route: finds out who asks before a byte of the body is read."""

from __future__ import annotations

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

FREE = ("/healthz", "/readyz", "/readyz/database", "/openapi.json", "/v1/session", "/")
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
            caller = await self._caller(scope)
            self.gate.count(caller)
        except AccessError as error:
            try:
                if error.kind == "not-known" and carries_proof(scope):
                    self.gate.count_failure((scope.get("client") or ("unknown",))[0])
            except AccessError as too_many:
                error = too_many
            await refusal(error, scope["path"])(scope, receive, send)
            return
        scope.setdefault("state", {})["caller"] = caller
        await self.app(scope, receive, send)

    async def _caller(self, scope: Scope) -> Caller:
        if self.gate.age >= FRESH_SECONDS:
            await to_thread.run_sync(self.gate.refresh)
        try:
            return self._look_up(scope)
        except AccessError as error:
            if error.kind != "not-known" or not carries_proof(scope):
                raise
        # It may have been made by another process a moment ago.
        await anyio.sleep(self.gate.wait)
        await to_thread.run_sync(self.gate.refresh, LOOK_AGAIN_SECONDS)
        return self._look_up(scope)

    def _look_up(self, scope: Scope) -> Caller:
        headers = dict(scope["headers"])
        authorization = headers.get(b"authorization")
        csrf = headers.get(CSRF_HEADER.encode())
        return self.gate.caller(
            None if authorization is None else authorization.decode("latin-1"),
            cookie_of(headers),
            None if csrf is None else csrf.decode("latin-1"),
            changes=scope["method"] not in SAFE_METHODS,
            ends=ends_of(scope),
        )
