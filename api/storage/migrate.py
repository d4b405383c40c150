"""Bringing the tables of a database to the version that this program wants, and telling which they have."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

from api.storage.database import Database
from api.storage.errors import SchemaVersionError

FOLDER = Path(__file__).parent / "migrations"


def _config(database: Database | None = None) -> Config:
    config = Config()
    config.set_main_option("script_location", str(FOLDER).replace("%", "%%"))
    if database is not None:
        config.attributes["engine"] = database.engine
    return config


@cache
def wanted_version() -> str:
    """Return the version of the tables that this program wants; read once, as readiness asks for it often."""
    return ScriptDirectory.from_config(_config()).get_current_head() or ""


def present_version(database: Database) -> str | None:
    """Return the version of the tables, None where there are none; raises `DatabaseDownError`."""
    database.ping()
    with database.engine.connect() as connection:
        return MigrationContext.configure(connection).get_current_revision()


def upgrade(database: Database, version: str = "head") -> None:
    """Bring the tables up; all of it is done or none. Raises `SchemaVersionError` for tables too new."""
    present = present_version(database)
    known = {script.revision for script in ScriptDirectory.from_config(_config()).walk_revisions()}
    if present is not None and present not in known:
        raise SchemaVersionError(
            f"the tables have version {present}, which this program does not know: it is too old for them"
        )
    command.upgrade(_config(database), version)


def downgrade(database: Database, version: str) -> None:
    """Bring the tables down to an earlier version; what only later versions keep is lost."""
    command.downgrade(_config(database), version)


def require(database: Database) -> None:
    """Raise `SchemaVersionError` unless the tables have the version that is wanted."""
    present, wanted = present_version(database), wanted_version()
    if present != wanted:
        has = "has no tables yet" if present is None else f"has tables of version {present}"
        raise SchemaVersionError(f"the database {has}, wanted is {wanted}: run prepull db upgrade")
