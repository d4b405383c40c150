"""Reading and writing cases within a transaction. Decides nothing about a car."""

from __future__ import annotations

import hashlib
import json
import zlib
from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import delete, func, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from api.storage.database import change
from api.storage.errors import LostRaceError
from api.storage.tables import AnswerRow, Base, CaseRow, DecisionRow, EntryRow, OnceRow, PersonRow

REMEMBERED_US = 7 * 24 * 3600 * 1_000_000
"""How long a call with an Idempotency-Key is remembered."""


@dataclass(frozen=True)
class Reply:
    """What a call was answered."""

    status: int
    headers: dict[str, str]
    body: bytes


@dataclass(frozen=True)
class Once:
    """A call that must be done once: who asked, under which key, and the hash of what was asked."""

    owner: str
    key: str
    asked: str


@dataclass(frozen=True)
class Given:
    """An answer on its way into storage."""

    decision_id: str
    kb_hash: str
    kb_version: str
    verdict: str
    facts: str
    body: bytes

    @property
    def digest(self) -> str:
        """Hash of the answer, by which it is kept once."""
        return hashlib.sha256(self.body).hexdigest()


def find_case(session: Session, case_id: str) -> CaseRow | None:
    """Return a case."""
    return session.scalar(select(CaseRow).where(CaseRow.id == case_id))


def entries_of(session: Session, case_id: str) -> Sequence[EntryRow]:
    """Return all entries of a case in the order in which they were added."""
    return session.scalars(
        select(EntryRow).where(EntryRow.case_id == case_id).order_by(EntryRow.number)
    ).all()


def claim(session: Session, case: CaseRow, now_us: int) -> None:
    """Write a case that was read before and changed since; `LostRaceError` if somebody else did so first."""
    claimed = (
        update(CaseRow)
        .where(CaseRow.id == case.id, CaseRow.revision == case.revision)
        .values(
            revision=case.revision + 1,
            changed_us=now_us,
            state=case.state,
            verdict=case.verdict,
            entries=case.entries,
        )
    )
    if change(session, claimed) != 1:
        raise LostRaceError(f"case {case.id} was changed")
    case.revision += 1
    case.changed_us = now_us


def page(
    session: Session,
    limit: int,
    after: int | None,
    state: str | None,
    verdict: str | None,
    reference: str | None,
    changed_since_us: int | None,
) -> Sequence[CaseRow]:
    """Return up to `limit` cases, those opened last first, older than the case numbered `after`."""
    wanted = select(CaseRow).order_by(CaseRow.number.desc()).limit(limit)
    if after is not None:
        wanted = wanted.where(CaseRow.number < after)
    if state is not None:
        wanted = wanted.where(CaseRow.state == state)
    if verdict is not None:
        wanted = wanted.where(CaseRow.verdict == verdict)
    if reference is not None:
        wanted = wanted.where(CaseRow.reference == reference)
    if changed_since_us is not None:
        wanted = wanted.where(CaseRow.changed_us >= changed_since_us)
    return session.scalars(wanted).all()


def insert_unless_there(session: Session, model: type[Base], values: dict[str, object]) -> None:
    """Insert a row unless one with its primary key is there."""
    dialect = session.get_bind().dialect.name
    insert = postgresql.insert if dialect == "postgresql" else sqlite.insert
    session.execute(insert(model).values(**values).on_conflict_do_nothing())


def keep_decision(session: Session, given: Given, now_us: int) -> None:
    """Keep an answer, once."""
    insert_unless_there(
        session,
        DecisionRow,
        {
            "digest": given.digest,
            "decision_id": given.decision_id,
            "kb_hash": given.kb_hash,
            "kb_version": given.kb_version,
            "verdict": given.verdict,
            "given_us": now_us,
            "facts": given.facts,
            "body": zlib.compress(given.body, 6),
        },
    )


def keep_answer(session: Session, case_id: str, entry: int, given: Given, now_us: int) -> None:
    """Keep which answer a case had at an entry; the first one of a knowledge base stays."""
    keep_decision(session, given, now_us)
    insert_unless_there(
        session,
        AnswerRow,
        {
            "case_id": case_id,
            "entry": entry,
            "kb_hash": given.kb_hash,
            "digest": given.digest,
            "given_us": now_us,
        },
    )


def answer_of(session: Session, case_id: str, entry: int, kb_hash: str | None = None) -> bytes | None:
    """Return the answer a case had at an entry: by this knowledge base, or the one given first."""
    wanted = (
        select(DecisionRow.body)
        .join(AnswerRow, AnswerRow.digest == DecisionRow.digest)
        .where(AnswerRow.case_id == case_id, AnswerRow.entry == entry)
        .order_by(AnswerRow.given_us)
        .limit(1)
    )
    if kb_hash is not None:
        wanted = wanted.where(AnswerRow.kb_hash == kb_hash)
    body = session.scalar(wanted)
    return None if body is None else zlib.decompress(body)


def last_answered(session: Session, case_id: str, at: int | None) -> int:
    """Return the last entry up to `at` that has an answer; 0 is the case before any entry."""
    wanted = select(func.max(AnswerRow.entry)).where(AnswerRow.case_id == case_id)
    if at is not None:
        wanted = wanted.where(AnswerRow.entry <= at)
    return session.scalar(wanted) or 0


def decision(session: Session, decision_id: str) -> tuple[DecisionRow, list[tuple[str, int]]] | None:
    """Return the last answer kept under a decision id, and the cases and entries it was given to."""
    row = session.scalar(
        select(DecisionRow)
        .where(DecisionRow.decision_id == decision_id)
        .order_by(DecisionRow.given_us.desc())
        .limit(1)
    )
    if row is None:
        return None
    places = session.execute(
        select(AnswerRow.case_id, AnswerRow.entry)
        .where(AnswerRow.digest == row.digest)
        .order_by(AnswerRow.case_id, AnswerRow.entry)
        .limit(100)
    )
    return row, [(place.case_id, place.entry) for place in places]


def body_of(row: DecisionRow) -> bytes:
    """Return the bytes of an answer that was given."""
    return zlib.decompress(row.body)


def find_person(session: Session, case_id: str) -> PersonRow | None:
    """Return whose case it is."""
    return session.get(PersonRow, case_id)


def put_person(session: Session, row: PersonRow) -> None:
    """Keep whose case it is, in place of what was kept before."""
    session.merge(row)


def erase_persons(session: Session, cases: Sequence[str]) -> int:
    """Erase the persons of these cases; return how many there were."""
    return change(session, delete(PersonRow).where(PersonRow.case_id.in_(cases)))


def cases_of_person(
    session: Session, name: str | None, telephone: str | None, plate: str | None
) -> Sequence[str]:
    """Return the cases of persons who match everything that is given, whatever the case of letters.

    Compared here and not by the database: SQLite folds the letters of English alone.
    """
    wanted = {"name": name, "telephone": telephone, "plate": plate}
    rows = session.scalars(select(PersonRow).order_by(PersonRow.case_id))
    return [
        row.case_id
        for row in rows
        if all(
            value is None or (getattr(row, field) or "").casefold() == value.casefold()
            for field, value in wanted.items()
        )
    ]


def replied(session: Session, once: Once) -> tuple[str, Reply] | None:
    """Return what was asked under this key before and how it was answered."""
    row = session.get(OnceRow, (once.owner, once.key))
    if row is None:
        return None
    return row.asked, Reply(row.status, json.loads(row.headers), zlib.decompress(row.body))


def remember(session: Session, once: Once, reply: Reply, now_us: int) -> None:
    """Keep how a call was answered; raises `LostRaceError` at the flush if it was answered meanwhile."""
    session.execute(delete(OnceRow).where(OnceRow.made_us < now_us - REMEMBERED_US))
    session.add(
        OnceRow(
            owner=once.owner,
            key=once.key,
            asked=once.asked,
            status=reply.status,
            headers=json.dumps(reply.headers),
            body=zlib.compress(reply.body, 6),
            made_us=now_us,
        )
    )
    session.flush()
