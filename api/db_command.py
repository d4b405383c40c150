"""The `prepull db` commands: upgrade, backup, restore, export, erase-person."""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, ParamSpec

import click

from api.shell import EXIT_INPUT, EXIT_SERVICE, complain, count

if TYPE_CHECKING:
    from api.storage.database import Database

P = ParamSpec("P")

database_option = click.option(
    "--database",
    "address",
    metavar="ADDRESS",
    default=None,
    help="sqlite:///FILE or postgresql://USER@HOST/NAME; PREPULL_DATABASE if left out.",
)


def open_database(address: str | None, must_exist: bool = False) -> Database:
    """Return the database that is meant, or leave and say what is wrong with its address.

    Opening an SQLite file makes it; a command that only reads asks for one that exists.
    """
    from api.settings import SettingError, Settings
    from api.storage.database import Database

    try:
        address = address or Settings.from_environment().database
    except SettingError as error:
        complain(str(error), EXIT_INPUT)
    if address is None:
        complain("no database is set: PREPULL_DATABASE is none", EXIT_INPUT)
    database = Database(address or "")
    if must_exist and database.file is not None and not database.file.exists():
        complain(f"there is no file {database.file}", EXIT_INPUT)
    return database


def telling(command: Callable[P, None]) -> Callable[P, None]:
    """Make a command leave with a code and a sentence when storage fails."""

    @wraps(command)
    def told(*args: P.args, **kwargs: P.kwargs) -> None:
        from api.storage.errors import DatabaseAddressError, ExportError, SchemaVersionError, StorageError

        try:
            command(*args, **kwargs)
        except (DatabaseAddressError, ExportError, SchemaVersionError) as error:
            complain(str(error), EXIT_INPUT)
        except StorageError as error:
            complain(f"the database cannot be used: {error}", EXIT_SERVICE)

    return told


@click.group()
def db() -> None:
    """Look after the database that cases are kept in."""


@db.command("upgrade")
@database_option
@telling
def db_upgrade(address: str | None) -> None:
    """Bring the tables to the version that this program wants."""
    from api.storage.migrate import present_version, upgrade

    database = open_database(address)
    before = present_version(database)
    upgrade(database)
    after = present_version(database)
    if before == after:
        click.echo(f"{database.name}: tables are of version {after} already")
    else:
        click.echo(f"{database.name}: tables brought from version {before or 'none'} to {after}")


@db.command("backup")
@click.argument("target", metavar="FILE", type=click.Path(dir_okay=False, path_type=Path))
@database_option
@telling
def db_backup(target: Path, address: str | None) -> None:
    """Copy the database to FILE while it is in use: an SQLite file, or a dump by pg_dump."""
    from api.storage.backup import backup

    database = open_database(address, must_exist=True)
    backup(database, target)
    click.echo(f"{database.name}: copied to {target}, {target.stat().st_size} bytes")


@db.command("export")
@click.argument("target", metavar="FILE|-", type=click.Path(dir_okay=False, path_type=Path, allow_dash=True))
@database_option
@telling
def db_export(target: Path, address: str | None) -> None:
    """Write everything as lines of JSON to FILE, or to standard output with -."""
    from api.storage.transfer import export_rows, new_file

    database = open_database(address, must_exist=True)
    if str(target) == "-":
        rows = export_rows(database, sys.stdout.buffer.write)
    else:
        with new_file(target) as file:
            rows = export_rows(database, file.write)
    click.echo(f"{database.name}: {count(rows, 'row')} exported", err=True)


@db.command("restore")
@click.argument("source", metavar="FILE", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@database_option
@telling
def db_restore(source: Path, address: str | None) -> None:
    """Bring back an export or a backup into a database that is still empty.

    An export goes into either kind of database, a backup into the kind that it was taken from.
    """
    from api.storage.backup import restore

    database = open_database(address)
    click.echo(f"{database.name}: {restore(database, source)}")


@db.command("erase-person")
@click.argument("case_id", metavar="[CASE]", required=False)
@click.option("--name", default=None, help="Erase persons with this name.")
@click.option("--telephone", default=None, help="Erase persons with this telephone number.")
@click.option("--plate", default=None, help="Erase persons with this plate.")
@database_option
@telling
def db_erase_person(
    case_id: str | None, name: str | None, telephone: str | None, plate: str | None, address: str | None
) -> None:
    """Erase the person of a CASE, or of all cases that match everything given. The cases stay."""
    from api.storage.case_store import cases_of_person, erase_persons
    from api.storage.migrate import require
    from api.storage.sweep import sweep

    if (case_id is None) == (name is None and telephone is None and plate is None):
        complain("say which: a CASE, or one or more of --name, --telephone, --plate", EXIT_INPUT)
    database = open_database(address, must_exist=True)
    require(database)
    with database.writing() as session:
        cases = [case_id] if case_id is not None else list(cases_of_person(session, name, telephone, plate))
        erased = erase_persons(session, cases)
    sweep(database)
    for case in cases if erased else ():
        click.echo(case)
    click.echo(f"{count(erased, 'person')} erased", err=True)
    if not erased:
        sys.exit(EXIT_INPUT)
