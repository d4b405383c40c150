"""Delivers what is due to webhooks, each event at least once, ever later while a receiver does not answer."""

from __future__ import annotations

import contextlib
import logging
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import httpx
from sqlalchemy import or_, select, update

from api.addresses import ForbiddenAddressError, read_target, resolve
from api.notices import MEDIA_TYPE, Notices, signature
from api.storage.database import change
from api.storage.errors import LostRaceError, StorageError
from api.storage.tables import DeliveryRow, WebhookRow
from engine.errors import InputError

log = logging.getLogger("prepull.courier")

WAITS_SECONDS = (5, 30, 120, 600, 3600, 6 * 3600, 24 * 3600)
"""Pause after each try that failed; after the try that follows the last one it is given up."""

LEASE_SECONDS = 60
TIMEOUT_SECONDS = 10.0
LOOK_SECONDS = 2.0
AT_ONCE = 4
BATCH = 20
MAX_ERROR = 300
GONE = 410


@dataclass(frozen=True)
class Parcel:
    """One try to deliver."""

    number: int
    webhook_id: str
    url: str
    secret: str
    event_id: str
    body: str
    tries: int


@dataclass(frozen=True)
class Receipt:
    """How a try went."""

    status: int | None
    error: str | None

    @property
    def arrived(self) -> bool:
        """Whether the receiver took it."""
        return self.status is not None and 200 <= self.status < 300


def send(parcel: Parcel, allowed: Sequence[str], now_s: int) -> Receipt:
    """Make one try. Follows no redirect and reads nothing of what comes back but its status."""
    body = parcel.body.encode()
    try:
        target = read_target(parcel.url, allowed)
        address = resolve(target)
    except (InputError, ForbiddenAddressError, OSError) as error:
        return Receipt(None, str(error)[:MAX_ERROR])
    host = f"[{address}]" if ":" in address else address
    usual = {"https": 443, "http": 80}[target.scheme]
    named = target.host if target.port == usual else f"{target.host}:{target.port}"
    headers = {
        "host": named,
        "content-type": MEDIA_TYPE,
        "webhook-id": parcel.event_id,
        "webhook-timestamp": str(now_s),
        "webhook-signature": signature(parcel.secret, parcel.event_id, now_s, body),
        "user-agent": "prepull",
    }
    try:
        # trust_env is off: a proxy of the environment would undo the choice of the address.
        with (
            httpx.Client(timeout=TIMEOUT_SECONDS, follow_redirects=False, trust_env=False) as client,
            client.stream(
                "POST",
                f"{target.scheme}://{host}:{target.port}{target.path}",
                content=body,
                headers=headers,
                extensions={"sni_hostname": target.host},
            ) as response,
        ):
            return Receipt(response.status_code, None)
    except httpx.HTTPError as error:
        return Receipt(None, f"{type(error).__name__}: {error}"[:MAX_ERROR])


class Courier:
    """A thread that delivers what is due. Several may work on one database; each delivery has one of them."""

    def __init__(
        self,
        notices: Notices,
        allowed: Sequence[str] = (),
        waits: Sequence[int] = WAITS_SECONDS,
        told: Callable[[str], None] = lambda state: None,
    ) -> None:
        self.notices = notices
        self.allowed = allowed
        self.waits = waits
        self.told = told
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="courier", daemon=True)

    def start(self) -> None:
        """Begin to deliver."""
        self._thread.start()

    def stop(self) -> None:
        """End after the tries that are under way; what is due stays due."""
        self._stopping.set()
        self.notices.wake()
        if self._thread.is_alive():
            self._thread.join(TIMEOUT_SECONDS + 2)

    def _run(self) -> None:
        with ThreadPoolExecutor(AT_ONCE, "courier") as pool:
            while not self._stopping.is_set():
                self.notices.waiting.wait(LOOK_SECONDS)
                self.notices.waiting.clear()
                try:
                    while not self._stopping.is_set() and (parcels := self.claim()):
                        list(pool.map(self._deliver, parcels))
                except StorageError as error:
                    log.warning("deliveries wait: %s", error)
                except Exception:
                    # A courier that died would be noticed by nobody.
                    log.exception("the courier stumbled")

    def claim(self) -> list[Parcel]:
        """Take deliveries that are due; no other courier takes them for `LEASE_SECONDS`."""
        now = self.notices.clock()
        far = now + (max(self.waits, default=0) + LEASE_SECONDS) * 1_000_000
        with self.notices.database.reading() as session:
            # What lies too far ahead was planned before the clock was set back.
            due = session.execute(
                select(DeliveryRow, WebhookRow)
                .join(WebhookRow, WebhookRow.id == DeliveryRow.webhook_id)
                .where(DeliveryRow.state == "due", or_(DeliveryRow.next_us <= now, DeliveryRow.next_us > far))
                .order_by(DeliveryRow.next_us)
                .limit(BATCH)
            ).all()
        taken = []
        for row, webhook in due:
            parcel = Parcel(
                row.number,
                webhook.id,
                webhook.url,
                webhook.secret,
                row.event_id,
                row.body,
                row.tries + 1,
            )
            # Whoever loses the race for a delivery leaves it to the other.
            with contextlib.suppress(LostRaceError):
                if self._take(row, now + LEASE_SECONDS * 1_000_000):
                    taken.append(parcel)
        return taken

    def _take(self, row: DeliveryRow, until_us: int) -> bool:
        with self.notices.database.writing() as session:
            as_it_was = update(DeliveryRow).where(
                DeliveryRow.number == row.number,
                DeliveryRow.state == "due",
                DeliveryRow.next_us == row.next_us,
                DeliveryRow.tries == row.tries,
            )
            return bool(change(session, as_it_was.values(next_us=until_us, tries=row.tries + 1)))

    def _deliver(self, parcel: Parcel) -> None:
        receipt = send(parcel, self.allowed, self.notices.clock() // 1_000_000)
        now = self.notices.clock()
        values: dict[str, object] = {"last_status": receipt.status, "last_error": receipt.error}
        if receipt.arrived:
            values |= {"state": "delivered", "ended_us": now}
        elif parcel.tries > len(self.waits) or receipt.status == GONE:
            values |= {"state": "given_up", "ended_us": now}
        else:
            values |= {"state": "due", "next_us": now + self.waits[parcel.tries - 1] * 1_000_000}
        ended = (
            update(DeliveryRow)
            .where(DeliveryRow.number == parcel.number, DeliveryRow.state == "due")
            .values(**values)
        )
        self.notices.database.write(lambda session: session.execute(ended))
        self.told(str(values["state"]))
        if receipt.status == GONE:
            self.notices.stop(parcel.webhook_id)
        if not receipt.arrived:
            log.warning(
                "delivery %d to webhook %s failed: %s",
                parcel.number,
                parcel.webhook_id,
                receipt.error or f"status {receipt.status}",
            )
