"""What routes take from a call besides its body: who asks and may they, and the headers of a change."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from typing import Annotated

from fastapi import Depends, Header, Request
from pydantic import BaseModel

from api.access import ANYBODY, AccessError, Caller
from api.cases import Asked, Cases
from api.scopes import Scope
from api.storage.case_store import Once
from api.storage.errors import DatabaseDownError

MAX_KEY = 255


def caller_of(request: Request) -> Caller:
    """Return who asks, as the gate found out."""
    caller: Caller = getattr(request.state, "caller", ANYBODY)
    return caller


def needs(scope: Scope) -> Callable[[Request], Caller]:
    """Return a dependency that gives the caller, or refuses one whose key lacks `scope`."""

    def check(request: Request) -> Caller:
        caller = caller_of(request)
        if scope not in caller.scopes:
            has = ", ".join(sorted(caller.scopes)) or "none"
            raise AccessError("not-allowed", f"this needs the scope {scope!r}; the key has: {has}")
        return caller

    return check


def cases_of(request: Request) -> Cases:
    """Return the cases of the application, or say that none are kept here."""
    cases: Cases | None = request.app.state.cases
    if cases is None:
        raise DatabaseDownError("no database is set")
    return cases


def _once(caller: Caller, request: Request, body: BaseModel, key: str | None) -> Once | None:
    if key is None:
        return None
    # The draft standard has the key in quotation marks; most callers send it bare.
    bare = key[1:-1] if len(key) > 2 and key[0] == key[-1] == '"' else key
    asked = f"{request.method} {request.url.path}\n{body.model_dump_json()}"
    return Once(caller.owner, bare, hashlib.sha256(asked.encode()).hexdigest())


IfMatch = Annotated[
    str | None,
    Header(
        alias="If-Match",
        max_length=200,
        pattern=r'^(\*|(W/)?"[!#-~]*"( *, *(W/)?"[!#-~]*")*)$',
        description="ETag of the case as it was seen last; 412 if it was changed since.",
    ),
]
IdempotencyKey = Annotated[
    str | None,
    Header(
        alias="Idempotency-Key",
        max_length=MAX_KEY,
        pattern="^[!-~]+$",
        description="Any text of your own, as a UUID. A retry under the same key is answered as the first "
        "call was, and done once. Remembered for seven days.",
    ),
]


def asked(caller: Caller, request: Request, body: BaseModel, key: str | None, if_match: str | None) -> Asked:
    """Gather what guards a change."""
    return Asked(caller, _once(caller, request, body, key), if_match)


Keeper = Annotated[Caller, Depends(needs("keep_cases"))]
Confirmer = Annotated[Caller, Depends(needs("confirm_outcomes"))]
Administrator = Annotated[Caller, Depends(needs("administer"))]
AskerOnly = Depends(needs("ask"))
