"""Exports and backups come back without loss, or not at all."""

from __future__ import annotations

import io
import itertools
import json
import sqlite3
import stat
import subprocess
import sys
import threading
from pathlib import Path

import psycopg
import pytest
from click.testing import CliRunner

from api.case_models import Person
from api.cases import Cases
from api.command import main
from api.storage.backup import backup, restore
from api.storage.case_store import cases_of_person
from api.storage.database import Database
from api.storage.errors import ExportError, StorageError
from api.storage.migrate import upgrade
from api.storage.transfer import export_rows, import_rows
from engine.triage import Triage
from tests.conftest import DATABASE_KINDS
from tests.storage.making import UNGUARDED, fill, observation
from tests.storage.postgres import Cluster
from tests.storage.test_migrations import rows


def exported(database: Database) -> bytes:
    out = io.BytesIO()
    export_rows(database, out.write)
    return out.getvalue()


def new_database(kind: str, folder: Path, request: pytest.FixtureRequest) -> Database:
    if kind == "sqlite":
        made = Database(f"sqlite:///{folder}/{kind}-{len(list(folder.iterdir()))}.sqlite")
    else:
        cluster: Cluster = request.getfixturevalue("postgres")
        made = Database(cluster.new_database())
    upgrade(made)
    return made


@pytest.mark.parametrize(("source", "target"), list(itertools.product(DATABASE_KINDS, DATABASE_KINDS)))
def test_an_export_comes_back_without_loss(
    source: str, target: str, tmp_path: Path, triage: Triage, request: pytest.FixtureRequest
) -> None:
    old, new = new_database(source, tmp_path, request), new_database(target, tmp_path, request)
    fill(old, triage)
    fill(old, triage)
    text = exported(old)
    count = import_rows(new, io.BytesIO(text))
    assert count == sum(map(len, rows(old).values()))
    assert rows(new) == rows(old)
    assert exported(new) == text, "and exported again it is the same, byte for byte"
    fill(new, triage)
    with pytest.raises(ExportError, match="not empty"):
        import_rows(new, io.BytesIO(text))
    old.close()
    new.close()


def test_an_export_that_was_cut_or_changed_is_refused_whole(
    database: Database, triage: Triage, tmp_path: Path
) -> None:
    fill(database, triage)
    lines = exported(database).splitlines(keepends=True)
    target = Database(f"sqlite:///{tmp_path}/target.sqlite")
    upgrade(target)
    third = json.loads(lines[2])
    third["row"][2] = "changed"
    spoilt = {
        "cut": lines[:-1],
        "a row lost": [*lines[:3], *lines[4:]],
        "a row twice": [*lines[:3], lines[2], *lines[3:]],
        "changed": [*lines[:2], json.dumps(third).encode() + b"\n", *lines[3:]],
        "more behind": [*lines, lines[1]],
        "no head": lines[1:],
        "not JSON": [lines[0], b"{\n"],
        "another table": [lines[0], b'{"table": "users", "row": []}\n', *lines[1:]],
        "too few values": [lines[0], b'{"table": "case_file", "row": [1]}\n', *lines[1:]],
        "not an object": [lines[0], b"[]\n"],
        "of other tables": [json.dumps({"prepull_export": 1, "tables": "0000"}).encode() + b"\n", *lines[1:]],
        "nothing": [],
    }
    for what, given in spoilt.items():
        with pytest.raises(StorageError):
            import_rows(target, given)
        assert not any(rows(target).values()), what
    import_rows(target, lines)


def test_a_backup_in_use_comes_back(database: Database, triage: Triage, tmp_path: Path, address: str) -> None:
    """Taken while another thread writes: whole, and of one moment."""
    case = fill(database, triage)
    stop = threading.Event()
    cases = Cases(database, triage)

    def write() -> None:
        while not stop.is_set():
            cases.observe(case, observation(), UNGUARDED)

    writer = threading.Thread(target=write)
    writer.start()
    target = tmp_path / "backup"
    try:
        backup(database, target)
    finally:
        stop.set()
        writer.join()
    assert stat.S_IMODE(target.stat().st_mode) == 0o600
    with pytest.raises(ExportError, match="exists already"):
        backup(database, target)
    new = _empty(address, tmp_path)
    restore(new, target)
    restored = Cases(new, triage).read(case)[0]
    assert [entry.number for entry in restored.history] == list(range(1, restored.entries + 1))
    full = cases.read(case)[0]
    assert full.history[: restored.entries] == restored.history
    with pytest.raises(ExportError):
        restore(new, target)
    new.close()


def _empty(address: str, folder: Path) -> Database:
    if address.startswith("sqlite"):
        return Database(f"sqlite:///{folder}/new.sqlite")
    name = f"{address.rpartition('/')[2]}_new"
    with psycopg.connect(address, autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")
    return Database(f"{address.rpartition('/')[0]}/{name}")


def test_what_is_no_backup_is_refused(database: Database, tmp_path: Path) -> None:
    for content in (b"", b"hello", b"SQLite format 3\x00 but no more", b"PGDMP broken"):
        path = tmp_path / "broken"
        path.write_bytes(content)
        with pytest.raises(ExportError):
            restore(database, path)
    if database.file is not None:
        path.write_bytes(b"SQLite format 3\x00 but no more")
        new = Database(f"sqlite:///{tmp_path}/other.sqlite")
        with pytest.raises(ExportError):
            restore(new, path)
        assert not (tmp_path / "other.sqlite").exists(), "nothing is left of a restore that failed"


def run(*arguments: str, code: int = 0) -> str:
    done = CliRunner().invoke(main, arguments)
    assert done.exit_code == code, done.output
    return done.output


def test_the_commands_carry_a_database_over(
    database: Database, address: str, triage: Triage, tmp_path: Path
) -> None:
    fill(database, triage)
    out = tmp_path / "all.ndjson"
    assert "rows exported" in run("db", "export", str(out), "--database", address)
    assert stat.S_IMODE(out.stat().st_mode) == 0o600
    new = f"sqlite:///{tmp_path}/new.sqlite"
    assert "rows restored" in run("db", "restore", str(out), "--database", new)
    assert rows(Database(new)) == rows(database)
    assert "not empty" in run("db", "restore", str(out), "--database", new, code=2)
    assert "exists already" in run("db", "export", str(out), "--database", address, code=2)
    piped = subprocess.run(
        [sys.executable, "-m", "api.command", "db", "export", "-", "--database", address],
        capture_output=True,
        check=True,
        timeout=60,
    )
    assert piped.stdout == out.read_bytes()


def test_erasing_a_person_by_command(
    database: Database, address: str, triage: Triage, tmp_path: Path
) -> None:
    cases = [fill(database, triage), fill(database, triage)]
    before = rows(database)
    assert "say which" in run("db", "erase-person", "--database", address, code=2)
    assert "0 persons" in run("db", "erase-person", "--plate", "other", "--database", address, code=2)
    told = run("db", "erase-person", "--plate", "ex 1", "--name", "r. example", "--database", address)
    assert set(told.split()) >= set(cases)
    after = rows(database)
    assert after.pop("person") == [] and before.pop("person")
    assert after == before, "the technical cases stay as they are"
    assert b"R. Example" not in exported(database)


def test_persons_are_found_in_all_alphabets(database: Database, triage: Triage) -> None:
    case = fill(database, triage)
    cases = Cases(database, triage)
    cases.put_person(case, Person(name="Özge Straße", plate="MÜ 1"), UNGUARDED)
    with database.reading() as session:
        assert cases_of_person(session, "özge strasse", None, None) == [case]
        assert cases_of_person(session, "ÖZGE STRASSE", None, "mü 1") == [case]
        assert cases_of_person(session, "Özge", None, None) == []
        assert cases_of_person(session, None, "000", None) == []


def test_nothing_of_an_erased_person_stays_in_the_files(tmp_path: Path, triage: Triage) -> None:
    database = Database(f"sqlite:///{tmp_path}/a.sqlite")
    upgrade(database)
    case = fill(database, triage)
    database.close()

    def mentions() -> int:
        return sum(b"R. Example" in path.read_bytes() for path in tmp_path.iterdir())

    assert mentions()
    run("db", "erase-person", case, "--database", f"sqlite:///{tmp_path}/a.sqlite")
    assert not mentions()
    again = Database(f"sqlite:///{tmp_path}/a.sqlite")
    case = fill(again, triage)
    Cases(again, triage).erase_person(case, UNGUARDED)
    assert not mentions(), "by the route as well, while the database is open"
    again.close()
    with sqlite3.connect(tmp_path / "a.sqlite") as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
