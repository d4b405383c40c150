"""The `prepull keys` commands: create, list, revoke."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from api.db_command import database_option, open_database, telling
from api.scopes import SCOPES
from api.shell import EXIT_INPUT, complain

if TYPE_CHECKING:
    from api.access import KeyStore


def _store(address: str | None) -> KeyStore:
    from api.access import KeyStore
    from api.storage.migrate import require, upgrade

    database = open_database(address)
    if database.kind == "sqlite":
        upgrade(database)
    require(database)
    return KeyStore(database)


@click.group()
def keys() -> None:
    """Make and revoke the API keys by which callers are known."""


@keys.command("create")
@click.argument("name")
@click.option(
    "--scope", "scopes", multiple=True, type=click.Choice(SCOPES), required=True,
    help="What the key may do; give it once for each.",
)  # fmt: skip
@click.option("--per-minute", type=click.IntRange(1, 1_000_000), default=None, help="Calls in a minute.")
@click.option("--max-body-bytes", type=click.IntRange(1_000, 10**10), default=None, help="Largest body.")
@database_option
@telling
def keys_create(
    name: str,
    scopes: tuple[str, ...],
    per_minute: int | None,
    max_body_bytes: int | None,
    address: str | None,
) -> None:
    """Make a key for NAME and print it, this once: only a hash of it is kept."""
    if not 1 <= len(name) <= 200 or not name.isprintable():
        complain("the name must have 1 to 200 printable characters", EXIT_INPUT)
    wanted = [scope for scope in SCOPES if scope in scopes]
    made = _store(address).create(name, wanted, per_minute, max_body_bytes)
    click.echo(made.text)
    click.echo(f"key {made.id} for {name!r} may: {', '.join(wanted)}. It is not shown again.", err=True)


@keys.command("list")
@database_option
@telling
def keys_list(address: str | None) -> None:
    """List all keys, without their secrets."""
    from rich.console import Console
    from rich.table import Table

    from api.clock import moment

    table = Table("id", "name", "scopes", "made", "revoked", box=None, pad_edge=False)
    for row in _store(address).all():
        revoked = "" if row.revoked_us is None else f"{moment(row.revoked_us):%Y-%m-%d}"
        made = f"{moment(row.made_us):%Y-%m-%d}"
        table.add_row(row.id, row.name, row.scopes.replace(",", " "), made, revoked)
    Console(highlight=False).print(table)


@keys.command("revoke")
@click.argument("key_id", metavar="ID")
@database_option
@telling
def keys_revoke(key_id: str, address: str | None) -> None:
    """Revoke the key with this ID and end its logins. A running service knows within five seconds."""
    from engine.nearest import nearest

    store = _store(address)
    if store.revoke(key_id):
        click.echo(f"key {key_id} is revoked")
        return
    live = [row.id for row in store.all() if row.revoked_us is None]
    hint = ", ".join(nearest(key_id, live) or live[:5]) or "none"
    click.echo(f"no key {key_id!r} that could be revoked; there are: {hint}", err=True)
    sys.exit(EXIT_INPUT)
