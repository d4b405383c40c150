"""Forward chaining over a rule table, by either of two chainers that are tested to agree."""

from __future__ import annotations

from typing import Literal

from engine.chaining import durable
from engine.chaining.compiled import CompiledChainer
from engine.chaining.table import Chainer, Closure, Conjunction, RuleTable
from engine.errors import ChainerError

__all__ = ["Chainer", "Closure", "Conjunction", "RuleTable", "make_chainer"]


def make_chainer(table: RuleTable, choice: Literal["auto", "durable", "compiled"] = "auto") -> Chainer:
    """Build a chainer for `table`; ``auto`` takes durable-rules where it imports, else the compiled one.

    Raises `ChainerError` when ``durable`` is asked for where durable-rules does not import, for any other
    word, and for a table that the chosen chainer cannot take.
    """
    if choice not in ("auto", "durable", "compiled"):
        raise ChainerError(f"no chainer is called {choice!r}; there are auto, durable and compiled")
    if choice == "durable" or (choice == "auto" and durable.available()):
        return durable.DurableChainer(table)
    return CompiledChainer(table)
