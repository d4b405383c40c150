"""CLIPS, through clipspy, as the outside reference for both chainers: each conjunction becomes a defrule."""

from __future__ import annotations

from collections.abc import Collection

import clips

from engine.chaining import Closure, RuleTable


class ClipsReference:
    """The closure as CLIPS finds it; slow, and written for nothing but being right."""

    def __init__(self, table: RuleTable) -> None:
        self._environment = clips.Environment()
        self._environment.build("(deftemplate atom (slot n (type INTEGER)))")
        self._environment.build("(deftemplate fired (slot n (type INTEGER)))")
        for index, conjunction in enumerate(table.conjunctions):
            needs = " ".join(f"(atom (n {atom}))" for atom in conjunction.needs)
            gives = " ".join(f"(assert (atom (n {atom})))" for atom in conjunction.gives)
            self._environment.build(f"(defrule r{index} {needs} => (assert (fired (n {index}))) {gives})")

    def close(self, facts: Collection[int]) -> Closure:
        self._environment.reset()
        for atom in facts:
            self._environment.assert_string(f"(atom (n {atom}))")
        self._environment.run()
        atoms: set[int] = set()
        fired: set[int] = set()
        for fact in self._environment.facts():
            if fact.template.name == "atom":
                atoms.add(int(fact["n"]))
            elif fact.template.name == "fired":
                fired.add(int(fact["n"]))
        return Closure(frozenset(atoms), tuple(sorted(fired)))
