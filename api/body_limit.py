"""Refuses bodies that are too large before anything reads them, and those that are not sent as JSON."""

from __future__ import annotations

from fastapi import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.problems import problem


class BodyLimit:
    """ASGI middleware: a body over `limit` bytes gets 413, whether it announces its length or not."""

    def __init__(self, app: ASGIApp, limit: int) -> None:
        self.app = app
        self.limit = limit

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, or answer it."""
        if scope["type"] != "http" or scope["method"] in {"GET", "HEAD", "OPTIONS"}:
            await self.app(scope, receive, send)
            return
        headers = dict(scope["headers"])
        announced = headers.get(b"content-length", b"")
        detail = f"the body may have at most {self.limit} bytes"
        if announced.isdigit() and int(announced) > self.limit:
            await problem("body-too-large", detail, scope["path"])(scope, receive, send)
            return
        media = headers.get(b"content-type", b"").split(b";")[0].strip().lower()
        if media and media != b"application/json" and not media.endswith(b"+json"):
            text = f"send application/json, not {media[:80].decode('latin-1')}"
            await problem("wrong-media-type", text, scope["path"])(scope, receive, send)
            return
        received = 0

        async def counted() -> Message:
            nonlocal received
            message = await receive()
            if message["type"] == "http.request":
                received += len(message.get("body", b""))
                if received > self.limit:
                    raise HTTPException(413, detail)
            return message

        await self.app(scope, counted, send)
