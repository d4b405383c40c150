"""The tables. Times are whole microseconds UTC since 1970; the order of entries never hangs on a clock."""

from __future__ import annotations

from sqlalchemy import BigInteger, ForeignKey, Index, Integer, LargeBinary, String, Text
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

Counter = BigInteger().with_variant(Integer, "sqlite")


class Base(DeclarativeBase):
    """What all tables share."""


class CaseRow(Base):
    """One car, one complaint, from the first call to what was found."""

    __tablename__ = "case_file"
    __table_args__ = (Index("case_file_by_reference", "reference"),)

    number: Mapped[int] = mapped_column(Counter, primary_key=True, autoincrement=True)
    id: Mapped[str] = mapped_column(String(32), unique=True)
    reference: Mapped[str | None] = mapped_column(String(200))
    state: Mapped[str] = mapped_column(String(16))
    verdict: Mapped[str | None] = mapped_column(String(32))
    entries: Mapped[int]
    revision: Mapped[int]
    created_us: Mapped[int] = mapped_column(BigInteger)
    changed_us: Mapped[int] = mapped_column(BigInteger)


class EntryRow(Base):
    """One thing that was added to a case; never changed, never deleted."""

    __tablename__ = "entry"

    case_id: Mapped[str] = mapped_column(ForeignKey("case_file.id"), primary_key=True)
    number: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    kind: Mapped[str] = mapped_column(String(16))
    at_us: Mapped[int] = mapped_column(BigInteger)
    who: Mapped[str | None] = mapped_column(String(200))
    door: Mapped[str] = mapped_column(String(16))
    key_id: Mapped[str | None] = mapped_column(String(32))
    body: Mapped[str] = mapped_column(Text)


class DecisionRow(Base):
    """An answer that was given, byte for byte, kept once however often it was given."""

    __tablename__ = "decision"
    __table_args__ = (Index("decision_by_id", "decision_id"),)

    digest: Mapped[str] = mapped_column(String(64), primary_key=True)
    decision_id: Mapped[str] = mapped_column(String(32))
    kb_hash: Mapped[str] = mapped_column(String(64))
    kb_version: Mapped[str] = mapped_column(String(32))
    verdict: Mapped[str] = mapped_column(String(32))
    given_us: Mapped[int] = mapped_column(BigInteger)
    facts: Mapped[str] = mapped_column(Text)
    body: Mapped[bytes] = mapped_column(LargeBinary)


class AnswerRow(Base):
    """Which answer a case had at an entry, by which knowledge base."""

    __tablename__ = "answer"

    case_id: Mapped[str] = mapped_column(ForeignKey("case_file.id"), primary_key=True)
    entry: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    kb_hash: Mapped[str] = mapped_column(String(64), primary_key=True)
    digest: Mapped[str] = mapped_column(ForeignKey("decision.digest"))
    given_us: Mapped[int] = mapped_column(BigInteger)


class PersonRow(Base):
    """Whose car it is, apart from the case so that it can be erased alone."""

    __tablename__ = "person"

    case_id: Mapped[str] = mapped_column(ForeignKey("case_file.id"), primary_key=True)
    name: Mapped[str | None] = mapped_column(String(200))
    telephone: Mapped[str | None] = mapped_column(String(100))
    plate: Mapped[str | None] = mapped_column(String(50))
    changed_us: Mapped[int] = mapped_column(BigInteger)


class PhotographRow(Base):
    """A picture that belongs to a case, cleaned of everything but what it shows, in two sizes (JPEG)."""

    __tablename__ = "photograph"

    id: Mapped[str] = mapped_column(String(32), primary_key=True)
    case_id: Mapped[str] = mapped_column(ForeignKey("case_file.id"), index=True)
    point: Mapped[str | None] = mapped_column(String(64))
    caption: Mapped[str | None] = mapped_column(String(300))
    at_us: Mapped[int] = mapped_column(BigInteger)
    who: Mapped[str | None] = mapped_column(String(200))
    key_id: Mapped[str | None] = mapped_column(String(32))
    width: Mapped[int]
    height: Mapped[int]
    image: Mapped[bytes] = mapped_column(LargeBinary)
    small: Mapped[bytes] = mapped_column(LargeBinary)


class OnceRow(Base):
    """What a call with an Idempotency-Key was answered, so that a retry is answered the same."""

    __tablename__ = "once"
    __table_args__ = (Index("once_by_age", "made_us"),)

    owner: Mapped[str] = mapped_column(String(32), primary_key=True)
    key: Mapped[str] = mapped_column(String(255), primary_key=True)
    asked: Mapped[str] = mapped_column(String(64))
    status: Mapped[int]
    headers: Mapped[str] = mapped_column(Text)
    body: Mapped[bytes] = mapped_column(LargeBinary)
    made_us: Mapped[int] = mapped_column(BigInteger)


class KeyRow(Base):
    """An API key; only the hash of its secret is kept."""

    __tablename__ = "api_key"

    id: Mapped[str] = mapped_column(String(32), primary_key=True)
    name: Mapped[str] = mapped_column(String(200))
    secret_hash: Mapped[str] = mapped_column(String(64))
    scopes: Mapped[str] = mapped_column(String(200))
    per_minute: Mapped[int | None]
    max_body_bytes: Mapped[int | None]
    made_us: Mapped[int] = mapped_column(BigInteger)
    revoked_us: Mapped[int | None] = mapped_column(BigInteger)


class SessionRow(Base):
    """A login at the desk; only the hash of its token is kept."""

    __tablename__ = "desk_session"

    token_hash: Mapped[str] = mapped_column(String(64), primary_key=True)
    key_id: Mapped[str] = mapped_column(ForeignKey("api_key.id"))
    made_us: Mapped[int] = mapped_column(BigInteger)
    expires_us: Mapped[int] = mapped_column(BigInteger)


class WebhookRow(Base):
    """An address that is told of what happens to cases."""

    __tablename__ = "webhook"

    id: Mapped[str] = mapped_column(String(32), primary_key=True)
    url: Mapped[str] = mapped_column(String(2000))
    events: Mapped[str] = mapped_column(String(200))
    secret: Mapped[str] = mapped_column(String(200))
    made_us: Mapped[int] = mapped_column(BigInteger)
    stopped_us: Mapped[int | None] = mapped_column(BigInteger)


class DeliveryRow(Base):
    """One event on its way to one webhook, and how its last try went."""

    __tablename__ = "delivery"
    __table_args__ = (Index("delivery_by_state", "state", "next_us"),)

    number: Mapped[int] = mapped_column(Counter, primary_key=True, autoincrement=True)
    webhook_id: Mapped[str] = mapped_column(ForeignKey("webhook.id"))
    event_id: Mapped[str] = mapped_column(String(64))
    event: Mapped[str] = mapped_column(String(64))
    case_id: Mapped[str] = mapped_column(String(32))
    body: Mapped[str] = mapped_column(Text)
    state: Mapped[str] = mapped_column(String(16))
    tries: Mapped[int]
    next_us: Mapped[int] = mapped_column(BigInteger)
    made_us: Mapped[int] = mapped_column(BigInteger)
    ended_us: Mapped[int | None] = mapped_column(BigInteger)
    last_status: Mapped[int | None]
    last_error: Mapped[str | None] = mapped_column(String(300))


TABLES: tuple[type[Base], ...] = (
    CaseRow,
    EntryRow,
    DecisionRow,
    AnswerRow,
    PersonRow,
    PhotographRow,
    OnceRow,
    KeyRow,
    SessionRow,
    WebhookRow,
    DeliveryRow,
)
"""Every table, those first that others point to."""
