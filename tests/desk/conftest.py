"""One browser for all tests of the page."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser

from tests.desk.browser import chromium


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """A headless Chromium."""
    with chromium() as running:
        yield running
