"""A whole database as lines of JSON, and back again without loss, from either kind into either kind.

The first line says what it is and of which version the tables are, the last one how many rows there were
and the SHA-256 of all lines before it. Each line between holds one row; bytes are base64.
"""

from __future__ import annotations

import base64
import hashlib
import json
import os
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, BinaryIO, cast

from sqlalchemy import Column, ColumnElement, LargeBinary, String, Table, func, insert, select, text
from sqlalchemy.orm import Session

from api.storage.database import Database
from api.storage.errors import ExportError
from api.storage.migrate import require, wanted_version
from api.storage.tables import TABLES, Base

FORM = 1
AT_ONCE = 500
MAX_LINE = 100_000_000

Value = str | int | None


def new_file(path: Path) -> BinaryIO:
    """Open a file that must not exist yet, for its owner alone; raises `ExportError`."""
    try:
        return os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb")
    except FileExistsError:
        raise ExportError(f"{path} exists already") from None
    except OSError as error:
        raise ExportError(f"{path} cannot be written: {error.strerror}") from None


def export_rows(database: Database, write: Callable[[bytes], object]) -> int:
    """Write everything that the database holds at one moment; return how many rows it has."""
    require(database)
    digest, rows = hashlib.sha256(), 0

    def put(document: dict[str, object]) -> None:
        line = json.dumps(document, separators=(",", ":")).encode() + b"\n"
        digest.update(line)
        write(line)

    with database.reading() as session:
        put({"prepull_export": FORM, "tables": wanted_version()})
        for table in TABLES:
            columns = cast("Table", table.__table__)
            order = [_by_bytes(column, database.kind) for column in columns.primary_key]
            wanted = select(columns).order_by(*order).execution_options(yield_per=AT_ONCE)
            for row in session.execute(wanted):
                put({"table": table.__tablename__, "row": [_out(value) for value in row]})
                rows += 1
    write(json.dumps({"rows": rows, "sha256": digest.hexdigest()}).encode() + b"\n")
    return rows


def import_rows(database: Database, lines: Iterable[bytes]) -> int:
    """Fill an empty database from an export, all of it or nothing; return how many rows there were.

    Raises `ExportError` for an export that is cut short or changed, of other tables than those wanted, and
    for a database that is not empty.
    """
    require(database)
    by_name = {table.__tablename__: table for table in TABLES}
    digest, rows = hashlib.sha256(), 0
    with database.writing() as session:
        if not is_empty(session):
            raise ExportError("the database is not empty; restore into a new one")
        pending: list[dict[str, object]] = []
        here: type[Base] | None = None
        ended = started = False
        for number, line in enumerate(lines, 1):
            if ended:
                raise ExportError(f"line {number}: something stands after the last line of the export")
            document = _read(line, number)
            if not started:
                _check_head(document)
                started = True
            elif "sha256" in document:
                if document != {"rows": rows, "sha256": digest.hexdigest()}:
                    raise ExportError("the export was changed: its check sum does not agree")
                ended = True
                continue
            else:
                table = by_name.get(str(document.get("table")))
                if table is None:
                    raise ExportError(f"line {number}: there is no table {document.get('table')!r}")
                if pending and (table is not here or len(pending) >= AT_ONCE):
                    _insert(session, here, pending)
                here = table
                pending.append(_row(table, document.get("row"), number))
                rows += 1
            digest.update(line)
        if not ended:
            raise ExportError("the export is cut short: its last line is missing")
        _insert(session, here, pending)
        _set_counters(session)
    return rows


def is_empty(session: Session) -> bool:
    """Tell whether no table has a row."""
    return all(not session.scalar(select(func.count()).select_from(table)) for table in TABLES)


def _by_bytes(column: Column[Any], kind: str) -> ColumnElement[Any]:
    """Return what to order by, so that both kinds of database give the same export."""
    return column.collate("C") if kind == "postgresql" and isinstance(column.type, String) else column


def _read(line: bytes, number: int) -> dict[str, object]:
    try:
        document = json.loads(line)
    except ValueError:
        raise ExportError(f"line {number} is not JSON") from None
    if not isinstance(document, dict):
        raise ExportError(f"line {number} is no line of an export")
    return document


def _check_head(document: dict[str, object]) -> None:
    if document.get("prepull_export") != FORM:
        raise ExportError("this is no export of Prepull")
    if document.get("tables") != wanted_version():
        raise ExportError(
            f"the export has tables of version {document.get('tables')}, wanted is {wanted_version()}: "
            "restore it with the program that made it, run prepull db upgrade there, and export again"
        )


def _row(table: type[Base], row: object, number: int) -> dict[str, object]:
    columns = table.__table__.columns
    if not isinstance(row, list) or len(row) != len(columns):
        raise ExportError(f"line {number}: not {len(columns)} values")
    values: dict[str, object] = {}
    for column, value in zip(columns, row, strict=True):
        if isinstance(column.type, LargeBinary) and isinstance(value, str):
            values[column.name] = base64.b64decode(value)
        else:
            values[column.name] = value
    return values


def _insert(session: Session, table: type[Base] | None, rows: list[dict[str, object]]) -> None:
    if table is not None and rows:
        session.execute(insert(table), rows)
        rows.clear()


def _set_counters(session: Session) -> None:
    """Let PostgreSQL number on after the rows that came with their numbers."""
    if session.get_bind().dialect.name != "postgresql":
        return
    for name in ("case_file", "delivery"):
        session.execute(
            text(
                f"SELECT setval(pg_get_serial_sequence('{name}', 'number'), "
                f"(SELECT COALESCE(MAX(number), 0) + 1 FROM {name}), false)"
            )
        )


def _out(value: object) -> Value:
    if isinstance(value, bytes):
        return base64.b64encode(value).decode()
    assert value is None or isinstance(value, str | int)
    return value
