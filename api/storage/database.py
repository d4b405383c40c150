"""One database: transactions on SQLite and PostgreSQL, and their errors as this project's own."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TypeVar

from sqlalchemy import URL, Connection, Delete, Engine, Update, create_engine, event, make_url, text
from sqlalchemy.exc import ArgumentError, DBAPIError, IntegrityError, InterfaceError, OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError
from sqlalchemy.orm import Session

from api.storage.errors import (
    BusyError,
    DatabaseAddressError,
    DatabaseDownError,
    DatabaseFullError,
    LostRaceError,
    StorageError,
)

WAIT_SECONDS = 10.0
POOL_SIZE = 12
MOST_TRIES = 50
LOST_RACES = {"40001", "40P01"}
FULL = {"53100"}
ACCEPTED = "sqlite:///FILE or postgresql://USER@HOST/NAME"

T = TypeVar("T")


def parse_address(address: str) -> URL:
    """Return the address of a database; raises `DatabaseAddressError` without repeating a password."""
    try:
        url = make_url(address)
    except ArgumentError:
        why = f"the address of the database cannot be read; accepted: {ACCEPTED}"
        raise DatabaseAddressError(why) from None
    backend = url.get_backend_name()
    if backend == "sqlite":
        if not url.database or url.database == ":memory:":
            raise DatabaseAddressError("an SQLite database needs a file: sqlite:///prepull.sqlite")
        return url.set(drivername="sqlite")
    if backend == "postgresql":
        return url.set(drivername="postgresql+psycopg")
    raise DatabaseAddressError(f"no database of the kind {backend!r} is known; accepted: {ACCEPTED}")


class Database:
    """Transactions on one database. Safe to share between threads, not across a fork."""

    def __init__(self, address: str) -> None:
        """Prepare; connects to nothing yet. Raises `DatabaseAddressError`."""
        self.url = parse_address(address)
        self.kind = self.url.get_backend_name()
        if self.kind == "sqlite":
            self.engine = _sqlite(self.url)
        else:
            self.engine = _postgresql(self.url)
        # SQLite has one writer at a time; threads queue here in order instead of polling its lock.
        self._one_writer: contextlib.AbstractContextManager[object] = (
            threading.Lock() if self.kind == "sqlite" else contextlib.nullcontext()
        )

    @property
    def name(self) -> str:
        """The address without its password."""
        return self.url.render_as_string(hide_password=True)

    @property
    def file(self) -> Path | None:
        """The file of an SQLite database."""
        return Path(self.url.database or "") if self.kind == "sqlite" else None

    @contextlib.contextmanager
    def reading(self) -> Iterator[Session]:
        """Open one consistent view; nothing written in it is kept."""
        with translated(), Session(self.engine, expire_on_commit=False) as session:
            session.connection(execution_options={"writes": False})
            yield session

    @contextlib.contextmanager
    def writing(self) -> Iterator[Session]:
        """Open one transaction, kept whole when the block ends and not at all when it raises.

        Raises `LostRaceError` when another writer came first, `BusyError` when others kept writing,
        `DatabaseFullError` and `DatabaseDownError`; in each case nothing is written.
        """
        with self._one_writer, translated(), Session(self.engine, expire_on_commit=False) as session:
            session.connection(execution_options={"writes": True})
            yield session
            session.commit()

    def write(self, work: Callable[[Session], T]) -> T:
        """Do `work` in a transaction, and again from its start as long as a race is lost."""
        for _ in range(MOST_TRIES):
            with contextlib.suppress(LostRaceError), self.writing() as session:
                result = work(session)
                session.flush()
                session.commit()
                return result
        raise BusyError(f"lost {MOST_TRIES} races against other writers")

    def ping(self) -> None:
        """Raise `DatabaseDownError` if the database does not answer."""
        with translated(), self.engine.connect() as connection:
            connection.execute(text("SELECT 1"))

    def close(self) -> None:
        """Close all connections."""
        self.engine.dispose()


def change(session: Session, statement: Update | Delete) -> int:
    """Run a statement that changes rows as they are in the database; return how many it changed."""
    done = session.execute(statement, execution_options={"synchronize_session": False})
    return int(done.rowcount)  # type: ignore[attr-defined]


def _sqlite(url: URL) -> Engine:
    engine = create_engine(
        url,
        connect_args={"timeout": WAIT_SECONDS, "check_same_thread": False},
        pool_size=POOL_SIZE,
        max_overflow=40,
        pool_timeout=WAIT_SECONDS,
    )

    @event.listens_for(engine, "do_connect")
    def keep_to_the_owner(*_: object) -> None:
        # SQLite would make the file readable to all; its log and shared memory take after the file.
        with contextlib.suppress(OSError):
            os.close(os.open(url.database or "", os.O_RDWR | os.O_CREAT, 0o600))

    @event.listens_for(engine, "connect")
    def prepare(connection: sqlite3.Connection, _record: object) -> None:
        # The driver's own idea of when a transaction begins is switched off: see `begin`.
        connection.isolation_level = None
        for pragma in (
            "journal_mode = WAL",
            "synchronous = FULL",
            "foreign_keys = ON",
            "secure_delete = ON",
            "trusted_schema = OFF",
        ):
            connection.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        # A writer takes its lock at once: one that read first could only fail, not wait.
        writes = connection.get_execution_options().get("writes", True)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


def _postgresql(url: URL) -> Engine:
    return create_engine(
        url,
        isolation_level="REPEATABLE READ",
        pool_size=POOL_SIZE,
        max_overflow=40,
        pool_timeout=WAIT_SECONDS,
        pool_pre_ping=True,
        connect_args={
            "connect_timeout": 5,
            "options": f"-c statement_timeout={int(WAIT_SECONDS * 1000)} -c synchronous_commit=on",
        },
    )


@contextlib.contextmanager
def translated() -> Iterator[None]:
    """Turn errors of a driver into this project's own."""
    try:
        yield
    except PoolTimeoutError as error:
        raise BusyError("no connection to the database came free in time") from error
    except DBAPIError as error:
        raise _own(error) from error


def _own(error: DBAPIError) -> StorageError:
    """Return this project's error for one of a driver; never repeats the values of a statement."""
    cause = error.orig
    state = getattr(cause, "sqlstate", None)
    said = str(cause).partition("\n")[0]
    if isinstance(error, IntegrityError) or state in LOST_RACES:
        return LostRaceError(type(cause).__name__)
    if isinstance(cause, sqlite3.Error):
        if "locked" in said or "busy" in said:
            return BusyError(said)
        if "full" in said or "disk I/O" in said:
            return DatabaseFullError(said)
        return DatabaseDownError(said)
    if state in FULL:
        return DatabaseFullError(said)
    if state == "57014":
        return BusyError(said)
    if isinstance(error, OperationalError | InterfaceError) or error.connection_invalidated:
        return DatabaseDownError(said)
    return StorageError(f"{type(cause).__name__}: {said}")
