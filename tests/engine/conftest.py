from __future__ import annotations

from pathlib import Path

import pytest

from tests.engine.kb_maker import KnowledgeMaker


@pytest.fixture
def kb(tmp_path: Path) -> KnowledgeMaker:
    return KnowledgeMaker(tmp_path)
