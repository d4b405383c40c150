"""Causes of one system that nothing tells apart."""

from __future__ import annotations

from collections.abc import Iterator

from engine.checks.report import warning
from engine.differential import INSEPARABLE, inseparable
from engine.errors import Problem
from engine.loading import KnowledgeSource


def inseparable_causes(source: KnowledgeSource) -> Iterator[Problem]:
    """Pairs of causes of which no finding and no test tells which of the two it is."""
    for pair in inseparable(source):
        message = (
            f"no finding and no test tells it from {pair.second}: {pair.bits:.3f} bit at best,"
            f" less than {INSEPARABLE:g}"
        )
        yield warning(source, "causes", pair.first, (), message)
