"""What a chainer works on: numbered atoms, and conjunctions of atoms that give further atoms.

Findings, vehicle facts, trouble codes and readings have become atoms before a chainer sees them, so no
chainer ever compares a number or a text: an atom holds or is not known to hold. There is no negation
other than an atom of its own ("this finding is absent"), so forward chaining is monotone, ends, and has
one result whatever the order of the rules (a definite Horn program, Dowling and Gallier 1984).
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True)
class Conjunction:
    """One way in which a rule's conditions can hold: all of `needs` together.

    A rule with alternatives is several conjunctions that carry the same `rule` id. `gives` are the atoms
    that then hold as well.
    """

    rule: str
    needs: tuple[int, ...]
    gives: tuple[int, ...] = ()


@dataclass(frozen=True)
class RuleTable:
    """All conjunctions of a knowledge base over atoms ``0 .. atom_count - 1``."""

    atom_count: int
    conjunctions: tuple[Conjunction, ...]


@dataclass(frozen=True)
class Closure:
    """Everything that holds, given and derived, and which conjunctions fired (indices, ascending)."""

    atoms: frozenset[int]
    fired: tuple[int, ...]


class Chainer(Protocol):
    """Forward chaining over one rule table."""

    @property
    def name(self) -> str:
        """``compiled`` or ``durable``."""
        ...

    def close(self, facts: Collection[int]) -> Closure:
        """Return the closure of `facts`; raises `engine.errors.ChainerError`, never a wrong closure."""
        ...
