"""Who asks, and what they may: API keys with scopes, logins at the desk, rates."""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import secrets
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import cast

from limits import RateLimitItemPerMinute
from limits.storage import MemoryStorage
from limits.strategies import SlidingWindowCounterRateLimiter
from sqlalchemy import delete, select, update

from api.clock import now_us
from api.scopes import SCOPES, Scope
from api.storage.database import Database, change
from api.storage.errors import StorageError
from api.storage.tables import KeyRow, SessionRow
from engine.errors import PrepullError

COOKIE = "prepull_desk"
CSRF_HEADER = "x-prepull-token"
SESSION_SECONDS = 12 * 3600
FRESH_SECONDS = 5.0
LOOK_AGAIN_SECONDS = 0.5
"""A key or login that is not known is looked up once more, but no more often than this."""
A_LITTLE = 0.02
KEY_MARK = "prepull"
FAILURES_SHARE = 10
"""An address may be refused a tenth as often in a minute as a key may call."""


class AccessError(PrepullError):
    """A call that is not let through: problem kind, what to say, and for how long to wait."""

    def __init__(self, kind: str, detail: str, retry_after: int | None = None) -> None:
        self.kind = kind
        self.retry_after = retry_after
        super().__init__(detail)


@dataclass(frozen=True)
class Caller:
    """Who asks: an API key, by itself or through a login at the desk, or anybody where access is open."""

    key_id: str | None
    name: str | None
    scopes: frozenset[Scope]
    per_minute: int | None = None
    max_body_bytes: int | None = None
    by_cookie: bool = False

    @property
    def owner(self) -> str:
        """Under which name keys of calls made once are kept."""
        return self.key_id or "anybody"


ANYBODY = Caller(None, None, frozenset(SCOPES))


def hash_secret(secret: str) -> str:
    """Return what is kept of a secret. Plain SHA-256: the secrets are 256 random bits, not passwords."""
    return hashlib.sha256(secret.encode()).hexdigest()


def csrf_token(session_token: str) -> str:
    """Return the token that a page with this login sends along with every change."""
    return hmac.new(session_token.encode(), b"prepull desk", hashlib.sha256).hexdigest()


def is_loopback(host: str | None) -> bool:
    """Tell whether an address is reached from this machine alone; a name other than localhost is not."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address((host or "").partition("%")[0]).is_loopback
    except ValueError:
        return False


@dataclass(frozen=True)
class NewKey:
    """A key that was just made: the only time that its secret is known."""

    id: str
    text: str


class KeyStore:
    """API keys and logins in the database."""

    def __init__(self, database: Database, clock: Callable[[], int] = now_us) -> None:
        self.database = database
        self.clock = clock

    def create(
        self,
        name: str,
        scopes: Sequence[Scope],
        per_minute: int | None = None,
        max_body_bytes: int | None = None,
    ) -> NewKey:
        """Make a key and return it; only the hash of its secret is kept."""
        key_id, secret = secrets.token_hex(5), secrets.token_urlsafe(32)
        row = KeyRow(
            id=key_id,
            name=name,
            secret_hash=hash_secret(secret),
            scopes=",".join(scope for scope in SCOPES if scope in scopes),
            per_minute=per_minute,
            max_body_bytes=max_body_bytes,
            made_us=self.clock(),
            revoked_us=None,
        )
        with self.database.writing() as session:
            session.add(row)
        return NewKey(key_id, f"{KEY_MARK}_{key_id}_{secret}")

    def all(self) -> Sequence[KeyRow]:
        """Return all keys, those made first first."""
        with self.database.reading() as session:
            return session.scalars(select(KeyRow).order_by(KeyRow.made_us, KeyRow.id)).all()

    def revoke(self, key_id: str) -> bool:
        """Revoke a key and end its logins; tell whether there was such a key that was not revoked."""
        with self.database.writing() as session:
            session.execute(delete(SessionRow).where(SessionRow.key_id == key_id))
            revoked = update(KeyRow).where(KeyRow.id == key_id, KeyRow.revoked_us.is_(None))
            return bool(change(session, revoked.values(revoked_us=self.clock())))

    def log_in(self, key_id: str) -> str:
        """Begin a login with this key and return its token."""
        token, now = secrets.token_urlsafe(32), self.clock()
        with self.database.writing() as session:
            session.execute(delete(SessionRow).where(SessionRow.expires_us <= now))
            session.add(
                SessionRow(
                    token_hash=hash_secret(token),
                    key_id=key_id,
                    made_us=now,
                    expires_us=now + SESSION_SECONDS * 1_000_000,
                )
            )
        return token

    def log_out(self, token: str) -> None:
        """End a login."""
        with self.database.writing() as session:
            session.execute(delete(SessionRow).where(SessionRow.token_hash == hash_secret(token)))

    def logins(self) -> dict[str, tuple[str, int]]:
        """Return key id and end of every login by the hash of its token."""
        with self.database.reading() as session:
            rows = session.scalars(select(SessionRow).where(SessionRow.expires_us > self.clock()))
            return {row.token_hash: (row.key_id, row.expires_us) for row in rows}


@dataclass
class _Known:
    keys: dict[str, KeyRow] = field(default_factory=dict)
    logins: dict[str, tuple[str, int]] = field(default_factory=dict)
    ever: bool = False
    at: float = float("-inf")


class Gate:
    """Lets calls through or not. Keys are read again after `FRESH_SECONDS`.

    While the database is down the keys last read stay good, so that a triage can still be asked for; a key
    that is revoked meanwhile is refused once the database answers again.
    """

    def __init__(self, store: KeyStore | None, open_on_loopback: bool, per_minute: int) -> None:
        self.store = store
        self.open_on_loopback = open_on_loopback
        self.per_minute = per_minute
        self._known = _Known()
        self._lock = threading.Lock()
        self._limiter = SlidingWindowCounterRateLimiter(MemoryStorage())

    def refresh(self, oldest: float = FRESH_SECONDS) -> None:
        """Read keys and logins again if what is known is older than `oldest` seconds."""
        if self.store is None:
            return
        with self._lock:
            if self.age < oldest:
                return
            # As old as the moment before reading: what is written while it is read may not be in it.
            began = time.monotonic()
            try:
                rows = self.store.all()
                keys = {row.id: row for row in rows if row.revoked_us is None}
                self._known = _Known(keys, self.store.logins(), bool(rows), began)
            except StorageError:
                # Not at each call anew: a database that is down answers slowly.
                self._known.at = time.monotonic()

    @property
    def wait(self) -> float:
        """Seconds until a key or login that is not known may be looked up once more."""
        return 0.0 if self.store is None else max(0.0, LOOK_AGAIN_SECONDS - self.age) + A_LITTLE

    @property
    def age(self) -> float:
        """Seconds since keys and logins were read; 0 where none are kept."""
        return 0.0 if self.store is None else time.monotonic() - self._known.at

    @property
    def has_keys(self) -> bool:
        """Whether any key is known that is not revoked."""
        return bool(self._known.keys)

    def caller(
        self,
        authorization: str | None,
        cookie: str | None,
        csrf: str | None,
        changes: bool,
        ends: Sequence[str | None],
    ) -> Caller:
        """Return who asks, or raise `AccessError`.

        A bearer key beats a login. A change that comes with a login must carry its token as well, which no
        page of another origin can know.
        """
        if authorization is not None:
            mark, _, text = authorization.partition(" ")
            if mark.lower() != "bearer":
                raise AccessError("not-known", "send the key as Authorization: Bearer KEY")
            return self.by_key(text.strip())
        if cookie is not None:
            login = self._known.logins.get(hash_secret(cookie))
            row = self._known.keys.get(login[0]) if login else None
            if row is not None and login is not None and self._now() < login[1]:
                if changes and not hmac.compare_digest(csrf_token(cookie), csrf or ""):
                    raise AccessError(
                        "not-allowed", f"a change through a login needs the header {CSRF_HEADER}"
                    )
                return _caller(row, by_cookie=True)
        if self.is_open(ends):
            return ANYBODY
        if cookie is not None:
            raise AccessError("not-known", "the login at the desk has ended")
        raise AccessError("not-known", "send a key as Authorization: Bearer KEY, or log in at the desk")

    def is_open(self, ends: Sequence[str | None]) -> bool:
        """Whether anybody may ask: only where no key was ever made, and only within this machine.

        `ends` are the address that took the connection, the one that it comes from by what a proxy on this
        machine says, and the host that the caller asked for. All must be of this machine: the second keeps
        out whoever comes through a proxy, the third a page elsewhere whose name leads here.
        """
        return self.open_on_loopback and not self._known.ever and all(is_loopback(end) for end in ends)

    def by_key(self, text: str) -> Caller:
        """Return the caller with this key, or raise `AccessError`."""
        parts = text.split("_", 2)
        if len(parts) == 3 and parts[0] == KEY_MARK:
            row = self._known.keys.get(parts[1])
            if row is not None and hmac.compare_digest(row.secret_hash, hash_secret(parts[2])):
                return _caller(row)
        raise AccessError("not-known", "this key is not known, or it was revoked")

    def count(self, caller: Caller) -> None:
        """Count a call; raises `AccessError` when there were too many in the last minute."""
        if caller.key_id is not None:
            self._count(f"key {caller.key_id}", caller.per_minute or self.per_minute)

    def count_failure(self, address: str) -> None:
        """Count a call that was refused; raises `AccessError` when an address makes too many."""
        self._count(f"address {address}", max(10, self.per_minute // FAILURES_SHARE))

    def _count(self, who: str, per_minute: int) -> None:
        item = RateLimitItemPerMinute(per_minute)
        if not self._limiter.hit(item, who):
            wait = self._limiter.get_window_stats(item, who).reset_time - time.time()
            raise AccessError(
                "too-many", f"more than {per_minute} calls in a minute", max(1, min(60, round(wait)))
            )

    def _now(self) -> int:
        return self.store.clock() if self.store is not None else now_us()


def _caller(row: KeyRow, by_cookie: bool = False) -> Caller:
    scopes = cast("list[Scope]", row.scopes.split(",") if row.scopes else [])
    return Caller(row.id, row.name, frozenset(scopes), row.per_minute, row.max_body_bytes, by_cookie)
