"""Leaving nothing of what was erased in the files of a database."""

from __future__ import annotations

from sqlalchemy import text

from api.storage.database import Database, translated


def sweep(database: Database) -> None:
    """Clear what deleted rows left behind: the write-ahead log of SQLite, dead rows of PostgreSQL.

    Deleted SQLite rows are overwritten by zeros as they go (`secure_delete`); the log may still hold them.
    Backups and exports taken before are not reached.
    """
    with translated(), database.engine.connect() as connection:
        if database.kind == "sqlite":
            connection.exec_driver_sql("COMMIT")
            connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
            connection.exec_driver_sql("BEGIN")
        else:
            alone = connection.execution_options(isolation_level="AUTOCOMMIT")
            alone.execute(text("VACUUM person"))
