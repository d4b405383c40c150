"""Things that are costly to start and safe to share."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from api.storage.database import Database
from api.storage.migrate import upgrade
from engine.golden import GoldenCase, read_golden
from engine.knowledge import Knowledge, load
from engine.scoring import Score, score
from engine.triage import Triage
from tests.api.serving import served
from tests.storage.postgres import Cluster, cluster, programs

# Nothing that a test starts leaves a database in the checkout; those that want one say which.
os.environ.setdefault("PREPULL_DATABASE", "none")


@pytest.fixture(scope="session")
def knowledge() -> Knowledge:
    """The shipped knowledge base with the default chainer."""
    return load()


@pytest.fixture(scope="session")
def triage(knowledge: Knowledge) -> Triage:
    """Triage with the shipped knowledge base."""
    return Triage(knowledge)


@pytest.fixture(scope="session")
def server() -> Iterator[str]:
    """Base address of a running server with the shipped knowledge base."""
    with served() as base:
        yield base


@pytest.fixture(scope="session")
def golden(knowledge: Knowledge) -> dict[str, GoldenCase]:
    """The golden cases by name."""
    folder = Path(__file__).parent / "golden"
    texts = {path.name: path.read_text(encoding="utf-8") for path in sorted(folder.glob("*.yaml"))}
    return {case.name: case for case in read_golden(texts, knowledge)}


@pytest.fixture(scope="session")
def golden_score(golden: dict[str, GoldenCase], triage: Triage) -> Score:
    """How the golden cases are answered."""
    return score(triage, tuple(golden.values()))


@pytest.fixture(scope="session")
def postgres() -> Iterator[Cluster]:
    """A PostgreSQL server of the tests' own."""
    folder = programs()
    if folder is None:
        if os.environ.get("PREPULL_NEED_POSTGRESQL"):
            pytest.fail("PREPULL_NEED_POSTGRESQL is set, and there is no PostgreSQL server to run")
        pytest.skip("no PostgreSQL server on this machine")
    with cluster(folder) as running:
        yield running


DATABASE_KINDS = ("sqlite", "postgresql")


@pytest.fixture(params=DATABASE_KINDS)
def address(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The address of an empty database without tables; every test that takes it runs on both kinds."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path}/cases.sqlite"
    running: Cluster = request.getfixturevalue("postgres")
    return running.new_database()


@pytest.fixture
def database(address: str) -> Iterator[Database]:
    """An empty database with its tables."""
    made = Database(address)
    upgrade(made)
    yield made
    made.close()
