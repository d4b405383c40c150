"""Every test that takes `address` or `database` runs on SQLite and on PostgreSQL."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from api.storage.database import Database
from api.storage.migrate import upgrade
from tests.storage.postgres import Cluster

KINDS = ("sqlite", "postgresql")


@pytest.fixture(params=KINDS)
def address(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The address of an empty database without tables."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path}/cases.sqlite"
    cluster: Cluster = request.getfixturevalue("postgres")
    return cluster.new_database()


@pytest.fixture
def database(address: str) -> Iterator[Database]:
    """An empty database with its tables."""
    made = Database(address)
    upgrade(made)
    yield made
    made.close()
