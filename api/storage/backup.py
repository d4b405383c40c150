"""Backups of a database in use, and bringing them and exports back."""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
import subprocess
from pathlib import Path

from sqlalchemy import inspect

from api.storage.database import Database
from api.storage.errors import ExportError
from api.storage.migrate import require, upgrade
from api.storage.transfer import import_rows, new_file

SQLITE_MARK = b"SQLite format 3\x00"
DUMP_MARK = b"PGDMP"


def backup(database: Database, target: Path) -> None:
    """Copy a database as it stands at one moment to a new file, checked; raises `ExportError`."""
    require(database)
    with new_file(target):
        pass
    try:
        if database.kind == "sqlite":
            _copy(Path(database.url.database or ""), target)
        else:
            _run("pg_dump", ["--format=custom", f"--file={target}"], database)
    except BaseException:
        target.unlink(missing_ok=True)
        raise


def restore(database: Database, source: Path) -> str:
    """Bring back an export or a backup into an empty database; return a sentence on what was done.

    Raises `ExportError` when the file cannot be used or the database is not empty; then nothing is changed.
    """
    with source.open("rb") as file:
        mark = file.read(len(SQLITE_MARK))
    if mark == SQLITE_MARK:
        return _restore_sqlite(database, source)
    if mark.startswith(DUMP_MARK):
        return _restore_dump(database, source)
    if database.kind == "sqlite" and database.file is not None and not database.file.exists():
        upgrade(database)
    require(database)
    with source.open("rb") as file:
        rows = import_rows(database, file)
    return f"{rows} {'row' if rows == 1 else 'rows'} restored"


def _restore_sqlite(database: Database, source: Path) -> str:
    if database.kind != "sqlite" or database.file is None:
        raise ExportError("this is a backup of an SQLite database; export it and restore the export")
    if database.file.exists():
        raise ExportError(f"{database.file} exists already; restore into a new file")
    with new_file(database.file):
        pass
    try:
        # Nobody writes to a backup, so nothing need be laid beside it.
        _copy(source, database.file, "immutable=1")
    except BaseException:
        database.file.unlink(missing_ok=True)
        raise
    upgrade(database)
    return "backup restored"


def _restore_dump(database: Database, source: Path) -> str:
    if database.kind != "postgresql":
        raise ExportError("this is a dump of a PostgreSQL database; export it and restore the export")
    database.ping()
    if inspect(database.engine).get_table_names():
        raise ExportError("the database has tables already; restore into a new one")
    _run("pg_restore", ["--no-owner", "--exit-on-error", "--single-transaction", str(source)], database)
    upgrade(database)
    return "backup restored"


def _copy(source: Path, target: Path, how: str = "mode=ro") -> None:
    """Copy an SQLite database page by page while others write to it, and check the copy."""
    with (
        contextlib.closing(sqlite3.connect(f"{source.resolve().as_uri()}?{how}", uri=True)) as old,
        contextlib.closing(sqlite3.connect(target)) as new,
    ):
        try:
            old.backup(new)
            (found,) = new.execute("PRAGMA integrity_check").fetchone()
        except sqlite3.Error as error:
            raise ExportError(f"the copy failed: {error}") from error
    if found != "ok":
        raise ExportError(f"the copy is damaged: {found}")


def _run(program: str, options: list[str], database: Database) -> None:
    found = shutil.which(program)
    if found is None:
        raise ExportError(f"{program} is not on this machine; install the client programs of PostgreSQL")
    url = database.url
    environment = dict(os.environ)
    if url.password:
        # Not on the command line, where every user of the machine could read it.
        environment["PGPASSWORD"] = str(url.password)
    bare = url.set(drivername="postgresql", password=None).render_as_string()
    done = subprocess.run(
        [found, *options, f"--dbname={bare}"],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        raise ExportError(f"{program} failed: {done.stderr.strip()[:500]}")
