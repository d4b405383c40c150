"""Transactions and errors of the database, on both kinds where it matters."""

from __future__ import annotations

import sqlite3
import stat
import threading
from pathlib import Path

import psycopg
import pytest
from sqlalchemy import insert, select, text
from sqlalchemy.exc import DatabaseError, IntegrityError, OperationalError

from api.storage.database import Database, _own, parse_address
from api.storage.errors import (
    BusyError,
    DatabaseAddressError,
    DatabaseDownError,
    DatabaseFullError,
    LostRaceError,
    StorageError,
)
from api.storage.tables import EntryRow, KeyRow
from tests.api.serving import free_port


def key(name: str) -> KeyRow:
    return KeyRow(id=name, name=name, secret_hash="x", scopes="ask", made_us=1)


def names(database: Database) -> list[str]:
    with database.reading() as session:
        return list(session.scalars(select(KeyRow.name).order_by(KeyRow.name)))


def test_a_block_that_raises_writes_nothing(database: Database) -> None:
    with pytest.raises(RuntimeError), database.writing() as session:
        session.add(key("a"))
        session.flush()
        raise RuntimeError
    assert names(database) == []
    with database.writing() as session:
        session.add(key("a"))
    assert names(database) == ["a"]


def test_a_reader_sees_one_moment(database: Database) -> None:
    with database.reading() as session:
        assert session.scalars(select(KeyRow)).all() == []
        with database.writing() as other:
            other.add(key("a"))
        assert session.scalars(select(KeyRow)).all() == []
    assert names(database) == ["a"]


def test_what_a_reader_writes_is_not_kept(database: Database) -> None:
    with database.reading() as session:
        session.add(key("a"))
        session.flush()
    assert names(database) == []


def test_the_same_row_twice_is_a_lost_race(database: Database) -> None:
    with database.writing() as session:
        session.add(key("a"))
    with pytest.raises(LostRaceError), database.writing() as session:
        session.add(key("a"))


def test_a_lost_race_is_run_again(database: Database) -> None:
    tries = []

    def work(session: object) -> str:
        tries.append(1)
        if len(tries) < 3:
            raise LostRaceError("once more")
        return "done"

    assert database.write(work) == "done"

    def never(session: object) -> None:
        raise LostRaceError("always")

    with pytest.raises(BusyError):
        database.write(never)


def test_rows_that_point_nowhere_are_refused(database: Database) -> None:
    row = {"case_id": "none", "number": 1, "kind": "x", "at_us": 1, "door": "api", "body": "{}"}
    with pytest.raises(StorageError), database.writing() as session:
        session.execute(insert(EntryRow).values(**row))


def test_many_threads_count_without_loss(database: Database) -> None:
    with database.writing() as session:
        session.add(key("a"))

    def add() -> None:
        for _ in range(10):
            database.write(
                lambda session: session.execute(
                    text("UPDATE api_key SET made_us = made_us + 1 WHERE id = 'a'")
                )
            )

    threads = [threading.Thread(target=add) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with database.reading() as session:
        assert session.scalar(select(KeyRow.made_us)) == 81


def test_sqlite_is_set_to_lose_nothing(tmp_path: Path) -> None:
    database = Database(f"sqlite:///{tmp_path}/a.sqlite")
    with database.reading() as session:
        settings = {
            name: session.execute(text(f"PRAGMA {name}")).scalar()
            for name in ("journal_mode", "synchronous", "foreign_keys", "secure_delete")
        }
    assert settings == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "secure_delete": 1}


def test_a_database_that_is_not_there_is_down(tmp_path: Path) -> None:
    for address in (f"sqlite:///{tmp_path}/none/a.sqlite", f"postgresql://x@127.0.0.1:{free_port()}/x"):
        database = Database(address)
        with pytest.raises(DatabaseDownError):
            database.ping()
        with pytest.raises(DatabaseDownError), database.writing():
            pass


def test_a_file_that_is_no_database_is_down(tmp_path: Path) -> None:
    path = tmp_path / "a.sqlite"
    path.write_bytes(b"not a database, but long enough to be read as one" * 100)
    with pytest.raises(DatabaseDownError):
        Database(f"sqlite:///{path}").ping()


def test_another_process_that_holds_the_lock_makes_it_busy(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("api.storage.database.WAIT_SECONDS", 0.2)
    database = Database(f"sqlite:///{tmp_path}/a.sqlite")
    database.ping()
    with sqlite3.connect(tmp_path / "a.sqlite", isolation_level=None) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(BusyError), database.writing():
            pass
        other.execute("ROLLBACK")
    with database.writing():
        pass


@pytest.mark.parametrize(
    "address", ["", "nonsense", "mysql://u:secret@h/x", "sqlite://", "sqlite:///:memory:", "sqlite:///"]
)
def test_an_address_that_cannot_be_used_is_told_without_its_password(address: str) -> None:
    with pytest.raises(DatabaseAddressError) as caught:
        Database(address)
    assert "secret" not in str(caught.value)
    assert "sqlite:///" in str(caught.value)


def test_the_name_of_a_database_hides_its_password() -> None:
    assert "secret" not in Database("postgresql://u:secret@h/x").name
    assert parse_address("postgresql://u@h/x").drivername == "postgresql+psycopg"


class _Stated(psycopg.Error):
    def __init__(self, state: str) -> None:
        super().__init__(f"said {state}\nDETAIL: a plate")
        self.sqlstate = state


@pytest.mark.parametrize(
    ("state", "error"),
    [
        ("40001", LostRaceError),  # serialization_failure
        ("40P01", LostRaceError),  # deadlock_detected
        ("53100", DatabaseFullError),  # disk_full
        ("57014", BusyError),  # query_canceled
        ("57P01", DatabaseDownError),  # admin_shutdown
    ],
)
def test_states_of_postgresql_are_told_apart(state: str, error: type[StorageError]) -> None:
    """SQLSTATE codes by the error code appendix of the PostgreSQL 15 manual."""
    own = _own(OperationalError("INSERT a plate", {}, _Stated(state)))
    assert type(own) is error
    assert "plate" not in str(own)


def test_other_errors_stay_errors_of_storage() -> None:
    assert type(_own(DatabaseError("x", {}, _Stated("22P02")))) is StorageError
    assert type(_own(IntegrityError("x", {}, sqlite3.IntegrityError("UNIQUE: a plate")))) is LostRaceError
    assert type(_own(OperationalError("x", {}, sqlite3.OperationalError("database or disk is full")))) is (
        DatabaseFullError
    )
    assert type(_own(OperationalError("x", {}, sqlite3.OperationalError("disk I/O error")))) is (
        DatabaseFullError
    )


def test_a_new_sqlite_file_belongs_to_its_owner_alone(tmp_path: Path) -> None:
    database = Database(f"sqlite:///{tmp_path}/a.sqlite")
    database.ping()
    assert stat.S_IMODE((tmp_path / "a.sqlite").stat().st_mode) == 0o600
