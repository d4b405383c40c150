"""/v1/webhooks: who is told of what happens to cases, and how the telling went."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal, cast

from fastapi import APIRouter, Body, Depends, Path, Query, Request, Response
from fastapi.openapi.models import Example
from pydantic import Field, StrictStr
from sqlalchemy.orm import Session

from api import problems
from api.addresses import read_target
from api.calling import Administrator, IdempotencyKey, asked
from api.clock import moment
from api.notices import EventName, Notices
from api.once import do_once
from api.settings import Settings
from api.storage.case_store import Reply
from api.storage.errors import DatabaseDownError
from api.storage.tables import DeliveryRow, WebhookRow
from engine.answer import Told
from engine.case import Sent
from engine.errors import UnknownEntryError

router = APIRouter(prefix="/v1/webhooks", tags=["webhooks"])

DeliveryState = Literal["due", "delivered", "given_up"]
READ = problems.responses(422, 503)


class NewWebhook(Sent):
    """An address to tell of events."""

    url: Annotated[StrictStr, Field(min_length=1, max_length=2000)] = Field(
        description="https, at a host with a public address or one that the operator has allowed."
    )
    events: Annotated[list[EventName], Field(min_length=1, max_length=10)]


class Webhook(Told):
    """An address that is told of events."""

    id: str
    url: str
    events: list[EventName]
    made: datetime
    stopped: datetime | None = None


class WebhookMade(Webhook):
    """A webhook that was just made, with its secret."""

    secret: str = Field(description="To check signatures with. Shown this once.")


class WebhookList(Told):
    """All webhooks."""

    webhooks: list[Webhook]


class Delivery(Told):
    """One event on its way to one webhook."""

    number: int
    event_id: str = Field(description="The same for each try: a receiver can tell a repeat by it.")
    event: EventName
    case: str
    state: DeliveryState
    tries: int
    made: datetime
    next_try: datetime | None = None
    ended: datetime | None = None
    last_status: int | None = None
    last_error: str | None = None


class DeliveryList(Told):
    """A page of deliveries, the newest first."""

    deliveries: list[Delivery]
    next: int | None = Field(default=None, description="Send it as `before` for the next page.")


EXAMPLES: dict[str, Example] = {
    "both": {
        "summary": "Told of both events",
        "value": {
            "url": "https://shop.example.com/hooks/prepull",
            "events": ["verdict_changed", "outcome_attached"],
        },
    }
}


def _notices(request: Request) -> Notices:
    notices: Notices | None = request.app.state.notices
    if notices is None:
        raise DatabaseDownError("no database is set")
    return notices


KeptNotices = Annotated[Notices, Depends(_notices)]
WebhookId = Annotated[str, Path(alias="id", pattern="^[0-9a-f]{12}$", description="Id of the webhook.")]


def _known(notices: Notices, webhook_id: str) -> WebhookRow:
    for row in notices.all():
        if row.id == webhook_id:
            return row
    raise UnknownEntryError("webhook", webhook_id, ())


def _view(row: WebhookRow) -> Webhook:
    return Webhook(
        id=row.id,
        url=row.url,
        events=cast("list[EventName]", row.events.split(",")),
        made=moment(row.made_us),
        stopped=None if row.stopped_us is None else moment(row.stopped_us),
    )


def _delivery(row: DeliveryRow) -> Delivery:
    return Delivery(
        number=row.number,
        event_id=row.event_id,
        event=cast("EventName", row.event),
        case=row.case_id,
        state=cast("DeliveryState", row.state),
        tries=row.tries,
        made=moment(row.made_us),
        next_try=moment(row.next_us) if row.state == "due" else None,
        ended=None if row.ended_us is None else moment(row.ended_us),
        last_status=row.last_status,
        last_error=row.last_error,
    )


@router.post(
    "",
    operation_id="add_webhook",
    summary="Be told of events",
    description="Answers with the secret that signatures are checked with, this once.",
    status_code=201,
    response_model=None,
    responses={
        201: {"model": WebhookMade, "description": "The webhook"},
        **problems.responses(400, 413, 415, 422, 503, 507),
    },
)
def add_webhook(
    request: Request,
    notices: KeptNotices,
    caller: Administrator,
    body: Annotated[NewWebhook, Body(openapi_examples=EXAMPLES)],
    key: IdempotencyKey = None,
) -> Response:
    """Add a webhook."""
    settings: Settings = request.app.state.settings
    read_target(body.url, settings.webhook_hosts)

    def work(session: Session) -> Reply:
        row = notices.insert(session, body.url, body.events)
        made = WebhookMade(**dict(_view(row)), secret=row.secret)
        return Reply(201, {}, made.model_dump_json(exclude_none=True).encode())

    once = asked(caller, request, body, key, None).once
    reply = do_once(notices.database, once, notices.clock, work)
    return Response(reply.body, reply.status, media_type="application/json")


@router.get(
    "",
    operation_id="list_webhooks",
    summary="List the webhooks",
    response_model_exclude_none=True,
    responses=READ,
)
def list_webhooks(notices: KeptNotices, caller: Administrator) -> WebhookList:
    """List the webhooks, without their secrets."""
    return WebhookList(webhooks=[_view(row) for row in notices.all()])


@router.delete(
    "/{id}",
    operation_id="stop_webhook",
    summary="Stop a webhook for good",
    status_code=204,
    response_model=None,
    responses={204: {"description": "Stopped"}, **READ, **problems.responses(404, 507)},
)
def stop_webhook(notices: KeptNotices, caller: Administrator, webhook_id: WebhookId) -> Response:
    """Stop a webhook; its deliveries stay readable. Stopping it again changes nothing."""
    _known(notices, webhook_id)
    notices.stop(webhook_id)
    return Response(status_code=204)


@router.get(
    "/{id}/deliveries",
    operation_id="list_deliveries",
    summary="How the telling went",
    response_model_exclude_none=True,
    responses={**READ, **problems.responses(404)},
)
def list_deliveries(
    notices: KeptNotices,
    caller: Administrator,
    webhook_id: WebhookId,
    limit: Annotated[int, Query(ge=1, le=500, description="How many on a page at most.")] = 50,
    before: Annotated[int | None, Query(ge=1, le=2**53, description="`next` of the page before.")] = None,
) -> DeliveryList:
    """List deliveries to a webhook."""
    _known(notices, webhook_id)
    rows = notices.deliveries(webhook_id, limit + 1, before)
    more = rows[limit - 1].number if len(rows) > limit else None
    return DeliveryList(deliveries=[_delivery(row) for row in rows[:limit]], next=more)
