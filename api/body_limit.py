"""Refuses bodies that are too large before anything reads them, and those of a form that is not taken."""

from __future__ import annotations

import re

from fastapi import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.access import Caller
from api.problems import problem

BULK_PATH = "/v1/triage/bulk"
BULK_MEDIA = {b"application/x-ndjson", b"application/ndjson", b"application/jsonl"}
LOG_PATH = "/v1/logs"
LOG_MEDIA = {b"multipart/form-data"}
PICTURE_MEDIA = {b"image/jpeg", b"image/png", b"image/webp"}
PICTURES = re.compile(r"/v1/cases/[^/]+/photographs")


class BodyLimit:
    """ASGI middleware: a body over `limit` bytes gets 413, whether it announces its length or not.

    A key may have a lower limit of its own. The bulk path takes lines of JSON, up to `bulk_limit` bytes; the
    path for logs a form with a file, up to `log_limit` bytes; that of photographs a picture, up to
    `picture_limit` bytes.
    """

    def __init__(self, app: ASGIApp, limit: int, bulk_limit: int, log_limit: int, picture_limit: int) -> None:
        self.app = app
        self.limit = limit
        self.bulk_limit = bulk_limit
        self.log_limit = log_limit
        self.picture_limit = picture_limit

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, or answer it."""
        if scope["type"] != "http" or scope["method"] in {"GET", "HEAD", "OPTIONS"}:
            await self.app(scope, receive, send)
            return
        headers = dict(scope["headers"])
        bulk, logs = scope["path"] == BULK_PATH, scope["path"] == LOG_PATH
        pictures = PICTURES.fullmatch(scope["path"]) is not None
        limit = self.limit
        for there, its_limit in (
            (bulk, self.bulk_limit),
            (logs, self.log_limit),
            (pictures, self.picture_limit),
        ):
            limit = its_limit if there else limit
        caller: Caller | None = scope.get("state", {}).get("caller")
        if caller is not None and caller.max_body_bytes is not None:
            limit = min(limit, caller.max_body_bytes)
        announced = headers.get(b"content-length", b"")
        detail = f"the body may have at most {limit} bytes"
        if announced.isdigit() and int(announced) > limit:
            await problem("body-too-large", detail, scope["path"])(scope, receive, send)
            return
        media = headers.get(b"content-type", b"").split(b";")[0].strip().lower()
        wanted, taken = "application/json", media == b"application/json" or media.endswith(b"+json")
        if bulk:
            wanted, taken = "application/x-ndjson", media in BULK_MEDIA
        elif pictures:
            wanted, taken = "image/jpeg, image/png or image/webp", media in PICTURE_MEDIA
        elif logs:
            wanted, taken = "multipart/form-data", media in LOG_MEDIA
        if media and not taken:
            text = f"send {wanted}, not {media[:80].decode('latin-1')}"
            await problem("wrong-media-type", text, scope["path"])(scope, receive, send)
            return
        received = 0

        async def counted() -> Message:
            nonlocal received
            message = await receive()
            if message["type"] == "http.request":
                received += len(message.get("body", b""))
                if received > limit:
                    raise HTTPException(413, detail)
            return message

        await self.app(scope, counted, send)
