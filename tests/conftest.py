"""Things that are costly to start and safe to share."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from engine.knowledge import Knowledge, load
from engine.triage import Triage
from tests.api.serving import served


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
