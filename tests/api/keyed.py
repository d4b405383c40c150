"""A running service that lets in nobody without a key, with a key for every scope."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import httpx

from api.access import KeyStore
from api.scopes import SCOPES, Scope
from api.storage.database import Database
from api.storage.migrate import upgrade
from tests.api.serving import ROOT, running


@dataclass
class Keyed:
    """The service: its address, one key for each scope, one for all, its database and its log."""

    base: str
    keys: dict[str, str]
    database: str
    log: Path

    def client(self, key: str | None = "all") -> httpx.Client:
        headers = {} if key is None else {"authorization": f"Bearer {self.keys[key]}"}
        return httpx.Client(base_url=self.base, headers=headers, timeout=20)

    def make_key(
        self, name: str, *scopes: Scope, per_minute: int | None = None, body: int | None = None
    ) -> str:
        store = KeyStore(Database(self.database))
        return store.create(name, scopes, per_minute, body).text


@contextlib.contextmanager
def keyed_service(folder: Path, **environment: str) -> Iterator[Keyed]:
    address = f"sqlite:///{folder}/cases.sqlite"
    database = Database(address)
    upgrade(database)
    store = KeyStore(database)
    keys: dict[str, str] = {scope: store.create(scope, [scope]).text for scope in SCOPES}
    keys["all"] = store.create("all", SCOPES, per_minute=1_000_000).text
    database.close()
    settings = {"PREPULL_DATABASE": address, "PREPULL_LOG": "json", "PREPULL_CHAINER": "compiled"}
    with (folder / "log").open("wb") as log, running({**settings, **environment}, log=log) as (base, process):
        yield Keyed(base, keys, address, folder / "log")
        assert process.poll() is None, "the server died"


def prepull(*arguments: str, code: int = 0, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run the command in a process of its own and check its exit code."""
    done = subprocess.run(
        [sys.executable, "-m", "api.command", *arguments],
        cwd=ROOT,
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == code, done.stdout + done.stderr
    return done
