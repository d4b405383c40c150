"""The call desk, the page for the bay, and their files. They read nothing but the API."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, HTTPException, Request, Response
from fastapi import Path as PathParameter

FOLDER = Path(__file__).parent / "desk"
PAGE = "index.html"
BAY = "bay.html"
MEDIA_TYPES = {
    ".css": "text/css; charset=utf-8",
    ".html": "text/html; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}
HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cache-control": "no-cache",
}


@dataclass(frozen=True)
class DeskFile:
    """One file of the page, read once."""

    content: bytes
    media_type: str
    etag: str


def read_desk(folder: Path = FOLDER) -> dict[str, DeskFile]:
    """Return the files of the page by name."""
    found = {}
    for path in sorted(folder.iterdir()):
        if path.suffix in MEDIA_TYPES:
            content = path.read_bytes()
            etag = f'"{hashlib.sha256(content).hexdigest()[:16]}"'
            found[path.name] = DeskFile(content, MEDIA_TYPES[path.suffix], etag)
    return found


router = APIRouter(include_in_schema=False)
_files = read_desk()


def knows(if_none_match: str, etag: str) -> bool:
    """Tell whether an If-None-Match header names `etag`, compared weakly (RFC 9110, 13.1.2)."""
    named = {tag.strip().removeprefix("W/") for tag in if_none_match.split(",")}
    return etag in named or "*" in named


def _send(request: Request, name: str) -> Response:
    file = _files.get(name)
    if file is None:
        raise HTTPException(404, f"the call desk has no file {name[:100]!r}")
    headers = {**HEADERS, "etag": file.etag}
    if knows(request.headers.get("if-none-match", ""), file.etag):
        return Response(status_code=304, headers=headers)
    return Response(file.content, media_type=file.media_type, headers=headers)


@router.api_route("/", methods=["GET", "HEAD"])
async def page(request: Request) -> Response:
    """Return the call desk."""
    return _send(request, PAGE)


@router.api_route("/bay", methods=["GET", "HEAD"])
async def bay(request: Request) -> Response:
    """Return the page for the bay."""
    return _send(request, BAY)


@router.api_route("/desk/{name}", methods=["GET", "HEAD"])
async def asset(request: Request, name: Annotated[str, PathParameter(max_length=100)]) -> Response:
    """Return a file of the call desk."""
    return _send(request, name)
