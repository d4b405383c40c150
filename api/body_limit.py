"""Refuses bodies that are too large before anything reads them, and those that are not sent as JSON."""

from __future__ import annotations

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.problems import problem


class _TooLargeError(Exception):
    pass


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
        answered = False

        async def counted() -> Message:
            nonlocal received
            message = await receive()
            if message["type"] == "http.request":
                received += len(message.get("body", b""))
                if received > self.limit:
                    raise _TooLargeError
            return message

        async def noted(message: Message) -> None:
            nonlocal answered
            answered = True
            await send(message)

        try:
            await self.app(scope, counted, noted)
        except _TooLargeError:
            if not answered:
                await problem("body-too-large", detail, scope["path"])(scope, receive, send)
