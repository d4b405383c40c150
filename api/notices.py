"""What webhooks are told: events of cases, written with the entry that made them, delivered afterwards."""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import secrets
import threading
from collections.abc import Callable, Sequence
from typing import Literal, get_args

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from api.clock import moment, now_us, written
from api.storage.case_store import Given
from api.storage.database import Database, change
from api.storage.tables import CaseRow, DeliveryRow, WebhookRow

EventName = Literal["verdict_changed", "outcome_attached"]
EVENTS: tuple[EventName, ...] = get_args(EventName)
TYPE_PREFIX = "prepull.case."
MEDIA_TYPE = "application/cloudevents+json"
SECRET_MARK = "whsec_"


def new_secret() -> str:
    """Return a secret to sign with, in the form that Standard Webhooks gives it."""
    return SECRET_MARK + base64.b64encode(secrets.token_bytes(32)).decode()


def signature(secret: str, event_id: str, timestamp: int, body: bytes) -> str:
    """Return the `webhook-signature` of a body by Standard Webhooks 1.0 (HMAC-SHA256, version v1).

    `timestamp` is in seconds since 1970, when this try is made.
    """
    key = base64.b64decode(secret.removeprefix(SECRET_MARK))
    signed = f"{event_id}.{timestamp}.".encode() + body
    return "v1," + base64.b64encode(hmac.new(key, signed, hashlib.sha256).digest()).decode()


def cloud_event(event: EventName, event_id: str, case_id: str, at_us: int, data: dict[str, object]) -> str:
    """Return an event in the JSON form of CloudEvents 1.0. Holds nothing of a person."""
    return json.dumps(
        {
            "specversion": "1.0",
            "id": event_id,
            "source": "/v1/cases",
            "type": TYPE_PREFIX + event,
            "subject": case_id,
            "time": written(moment(at_us)),
            "datacontenttype": "application/json",
            "data": data,
        },
        separators=(",", ":"),
    )


class Notices:
    """Webhooks in the database, and the events on their way to them."""

    def __init__(self, database: Database, clock: Callable[[], int] = now_us) -> None:
        self.database = database
        self.clock = clock
        self.waiting = threading.Event()

    def wake(self) -> None:
        """Say that there may be something to deliver."""
        self.waiting.set()

    def post(
        self,
        session: Session,
        case: CaseRow,
        kind: str,
        verdict_before: str | None,
        given: Given | None,
        now: int,
        body: str = "{}",
    ) -> None:
        """Put what the last entry of a case means to others on its way, within its transaction."""
        data: dict[str, object] = {
            "case": case.id,
            "reference": case.reference,
            "entry": case.entries,
            "state": case.state,
            "verdict": case.verdict,
            "revision": case.revision,
        }
        if given is not None and given.verdict != verdict_before:
            told = {"verdict_before": verdict_before, "decision_id": given.decision_id}
            kb = {"version": given.kb_version, "content_hash": given.kb_hash}
            self._post(session, "verdict_changed", case, {**data, **told, "kb": kb}, now)
        if kind == "outcome":
            outcome = {k: v for k, v in json.loads(body).items() if k not in {"note", "unlisted"}}
            self._post(session, "outcome_attached", case, {**data, "outcome": outcome}, now)

    def _post(
        self, session: Session, event: EventName, case: CaseRow, data: dict[str, object], now: int
    ) -> None:
        event_id = f"ev_{secrets.token_hex(12)}"
        for webhook in session.scalars(select(WebhookRow).where(WebhookRow.stopped_us.is_(None))):
            if event in webhook.events.split(","):
                session.add(
                    DeliveryRow(
                        webhook_id=webhook.id,
                        event_id=event_id,
                        event=event,
                        case_id=case.id,
                        body=cloud_event(event, event_id, case.id, now, data),
                        state="due",
                        tries=0,
                        next_us=now,
                        made_us=now,
                    )
                )

    def add(self, url: str, events: Sequence[EventName]) -> WebhookRow:
        """Add a webhook with a secret of its own."""
        with self.database.writing() as session:
            return self.insert(session, url, events)

    def insert(self, session: Session, url: str, events: Sequence[EventName]) -> WebhookRow:
        """Add a webhook within a transaction."""
        row = WebhookRow(
            id=secrets.token_hex(6),
            url=url,
            events=",".join(event for event in EVENTS if event in events),
            secret=new_secret(),
            made_us=self.clock(),
            stopped_us=None,
        )
        session.add(row)
        session.flush()
        return row

    def all(self) -> Sequence[WebhookRow]:
        """Return all webhooks, those made first first."""
        with self.database.reading() as session:
            return session.scalars(select(WebhookRow).order_by(WebhookRow.made_us, WebhookRow.id)).all()

    def stop(self, webhook_id: str) -> bool:
        """Stop a webhook for good and give up what is on its way; tell whether there was one to stop."""
        with self.database.writing() as session:
            now = self.clock()
            running = update(WebhookRow).where(WebhookRow.id == webhook_id, WebhookRow.stopped_us.is_(None))
            stopped = change(session, running.values(stopped_us=now))
            session.execute(
                update(DeliveryRow)
                .where(DeliveryRow.webhook_id == webhook_id, DeliveryRow.state == "due")
                .values(state="given_up", ended_us=now, last_error="the webhook was stopped")
            )
            return bool(stopped)

    def deliveries(self, webhook_id: str, limit: int, before: int | None) -> Sequence[DeliveryRow]:
        """Return the last deliveries to a webhook, the newest first."""
        wanted = select(DeliveryRow).where(DeliveryRow.webhook_id == webhook_id)
        if before is not None:
            wanted = wanted.where(DeliveryRow.number < before)
        with self.database.reading() as session:
            return session.scalars(wanted.order_by(DeliveryRow.number.desc()).limit(limit)).all()
