"""Lines that callers say, and what they mean; their authors had not read the knowledge base's own."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import yaml
from pydantic import BaseModel, ConfigDict, TypeAdapter

from engine.model import KnownState

HERE = Path(__file__).parent
HELD_APART = HERE / "held_apart.yaml"
TUNING = tuple(HERE / name for name in ("tuning.yaml", "tuning_second.yaml", "tuning_third.yaml"))

Kind = Literal["plain", "misspelt", "indirect", "chatty", "several", "negated", "nothing", "vehicle"]


class Line(BaseModel):
    """One line of speech."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    says: str
    kind: Kind
    means: dict[str, KnownState]
    vehicle: dict[str, str] = {}


def read_lines(*paths: Path) -> tuple[Line, ...]:
    """Return the lines of some files."""
    said = [line for path in paths for line in yaml.safe_load(path.read_text("utf-8"))]
    return TypeAdapter(tuple[Line, ...]).validate_python(said)
