"""Tables brought up and down on a filled database, and the same as the program thinks they are."""

from __future__ import annotations

import subprocess
import sys
from typing import Any

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import Connection, inspect, select, text

from api.storage.database import Database
from api.storage.errors import SchemaVersionError
from api.storage.migrate import downgrade, present_version, require, upgrade, wanted_version
from api.storage.tables import TABLES, Base
from engine.triage import Triage
from tests.storage.making import fill

ROWS = dict[str, list[tuple[Any, ...]]]


def rows(database: Database) -> ROWS:
    there = set(inspect(database.engine).get_table_names())
    with database.reading() as session:
        return {
            table.__tablename__: sorted(
                (tuple(row) for row in session.execute(select(*table.__table__.columns))), key=repr
            )
            for table in TABLES
            if table.__tablename__ in there
        }


def compared(connection: Connection) -> list[Any]:
    return list(compare_metadata(MigrationContext.configure(connection), Base.metadata))


def test_migrations_make_what_the_tables_say(database: Database) -> None:
    with database.engine.connect() as connection:
        assert compared(connection) == []


def test_every_table_is_filled_and_no_version_touches_what_it_does_not_drop(
    database: Database, triage: Triage
) -> None:
    fill(database, triage)
    full = rows(database)
    assert all(full.values()), "the test must fill every table"
    for version, lost in (
        ("0003", {"photograph"}),
        ("0002", {"photograph", "webhook", "delivery"}),
        ("0001", {"photograph", "api_key", "desk_session", "webhook", "delivery"}),
    ):
        downgrade(database, version)
        assert present_version(database) == version
        assert rows(database) == {name: kept for name, kept in full.items() if name not in lost}
    upgrade(database)
    again = rows(database)
    assert again.keys() == full.keys()
    for name in ("case_file", "entry", "decision", "answer", "person", "once"):
        assert again[name] == full[name]
    fill(database, triage)
    downgrade(database, "base")
    assert rows(database) == {}
    upgrade(database)
    with database.engine.connect() as connection:
        assert compared(connection) == []


def test_a_step_that_fails_changes_nothing(database: Database) -> None:
    downgrade(database, "0002")
    with database.engine.begin() as connection:
        connection.execute(text("CREATE TABLE delivery (x INTEGER)"))
    with pytest.raises(Exception, match="delivery"):
        upgrade(database)
    assert present_version(database) == "0002"
    assert "webhook" not in inspect(database.engine).get_table_names()


def test_tables_of_another_version_are_refused(address: str) -> None:
    database = Database(address)
    with pytest.raises(SchemaVersionError, match="no tables yet"):
        require(database)
    upgrade(database, "0001")
    with pytest.raises(SchemaVersionError, match="0001"):
        require(database)
    upgrade(database)
    require(database)
    with database.engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    for step in (require, upgrade):
        with pytest.raises(SchemaVersionError, match="9999"):
            step(database)
    database.close()


def test_the_command_says_what_it_did(address: str) -> None:
    def run() -> str:
        command = [sys.executable, "-m", "api.command", "db", "upgrade", "--database", address]
        return subprocess.run(command, capture_output=True, text=True, check=True, timeout=60).stdout

    assert f"from version none to {wanted_version()}" in run()
    assert f"of version {wanted_version()} already" in run()
