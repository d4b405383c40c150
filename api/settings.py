"""What an operator can set, from the environment or the command line."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import cast

from engine.errors import PrepullError
from engine.knowledge import ChainerChoice

CHAINERS = ("auto", "durable", "compiled")


class SettingError(PrepullError):
    """A setting that cannot be used; names the setting and what would be accepted."""


@dataclass(frozen=True)
class Settings:
    """PREPULL_KB, PREPULL_CHAINER and PREPULL_MAX_BODY_BYTES, see docs/operate.md."""

    kb: Path | None = None
    chainer: ChainerChoice = "auto"
    max_body_bytes: int = 1_000_000

    @classmethod
    def from_environment(cls) -> Settings:
        """Read the settings; raises `SettingError`."""
        chainer = os.environ.get("PREPULL_CHAINER", "auto")
        if chainer not in CHAINERS:
            raise SettingError(f"PREPULL_CHAINER is {chainer!r}; accepted: {', '.join(CHAINERS)}")
        limit = os.environ.get("PREPULL_MAX_BODY_BYTES", "1000000")
        if not limit.isdigit() or not 1_000 <= int(limit) <= 100_000_000:
            raise SettingError(f"PREPULL_MAX_BODY_BYTES is {limit!r}; accepted: 1000 to 100000000")
        folder = os.environ.get("PREPULL_KB")
        return cls(Path(folder) if folder else None, cast("ChainerChoice", chainer), int(limit))
