"""Everything that can be wrong between the entries of a knowledge base."""

from __future__ import annotations

from engine.checks import check

__all__ = ["check"]
