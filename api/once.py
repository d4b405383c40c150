"""Doing a call once: a retry under the same Idempotency-Key is answered as the first one was."""

from __future__ import annotations

from collections.abc import Callable

from sqlalchemy.orm import Session

from api.storage import case_store as store
from api.storage.case_store import Once, Reply
from api.storage.database import Database
from engine.errors import PrepullError


class KeyReusedError(PrepullError):
    """An Idempotency-Key came again with something else."""


def answered_before(session: Session, once: Once | None) -> Reply | None:
    """Return how this call was answered before; raises `KeyReusedError` if it was another call."""
    earlier = store.replied(session, once) if once is not None else None
    if earlier is None or once is None:
        return None
    asked, reply = earlier
    if asked != once.asked:
        raise KeyReusedError("this Idempotency-Key came before with another path or body")
    return reply


def do_once(
    database: Database, once: Once | None, clock: Callable[[], int], work: Callable[[Session], Reply]
) -> Reply:
    """Do `work` in a transaction and keep its reply with it, or return the reply of the first time."""

    def attempt(session: Session) -> Reply:
        earlier = answered_before(session, once)
        if earlier is not None:
            return earlier
        reply = work(session)
        if once is not None:
            store.remember(session, once, reply, clock())
        return reply

    return database.write(attempt)
