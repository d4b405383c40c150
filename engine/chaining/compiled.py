"""The chainer in plain Python: counting unit propagation, on every Python and at any size."""

from __future__ import annotations

from collections.abc import Collection, Iterable

from engine.chaining.table import Closure, RuleTable
from engine.errors import ChainerError


class CompiledChainer:
    """Forward chaining by counting unmet atoms (Dowling and Gallier 1984, algorithm 2).

    The time of a call is proportional to the mentions of the atoms that come to hold, whatever the size of
    the table. A call shares nothing with another but the immutable index, so threads need no lock.

    Raises `ChainerError` at construction when a conjunction names an atom outside the table.
    """

    def __init__(self, table: RuleTable) -> None:
        waiting: list[list[int]] = [[] for _ in range(table.atom_count)]
        unmet: list[int] = []
        for index, conjunction in enumerate(table.conjunctions):
            outside = _outside((*conjunction.needs, *conjunction.gives), table.atom_count)
            if outside:
                raise ChainerError(
                    f"rule {conjunction.rule!r} names atoms that the table does not have: {outside}"
                )
            needs = set(conjunction.needs)
            unmet.append(len(needs))
            for atom in needs:
                waiting[atom].append(index)
        self._waiting = tuple(map(tuple, waiting))
        self._unmet = tuple(unmet)
        self._gives = tuple(conjunction.gives for conjunction in table.conjunctions)
        self._always = tuple(index for index, count in enumerate(unmet) if count == 0)

    @property
    def name(self) -> str:
        """``compiled``."""
        return "compiled"

    def close(self, facts: Collection[int]) -> Closure:
        """Return the closure of `facts`; raises `ChainerError` for a fact outside the table."""
        held = set(facts)
        if held and (min(held) < 0 or max(held) >= len(self._waiting)):
            raise ChainerError(f"no such atoms: {_outside(held, len(self._waiting))}")
        unmet, waiting, gives = self._unmet, self._waiting, self._gives
        fired = list(self._always)
        for index in fired:
            held.update(gives[index])
        agenda = list(held)
        remaining: dict[int, int] = {}
        for atom in agenda:  # grows while it is walked: what fires puts its atoms at the end
            for index in waiting[atom]:
                left = remaining.get(index, unmet[index]) - 1
                remaining[index] = left
                if left == 0:
                    fired.append(index)
                    for given in gives[index]:
                        if given not in held:
                            held.add(given)
                            agenda.append(given)
        return Closure(frozenset(held), tuple(sorted(fired)))


def _outside(atoms: Iterable[int], atom_count: int) -> list[int]:
    return sorted({atom for atom in atoms if not 0 <= atom < atom_count})
