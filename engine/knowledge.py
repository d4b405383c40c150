"""The compiled knowledge base: arrays and rule tables, built once, never changed."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Literal

import numpy as np

from engine.chaining import Chainer, Conjunction, RuleTable, make_chainer
from engine.checking import check
from engine.conditions import (
    Atom,
    Bounds,
    FindingAtom,
    ReadingAtom,
    TooManyAlternativesError,
    Translator,
    VehicleRangeAtom,
)
from engine.errors import ChainerError, KnowledgeError, Problem
from engine.loading import KnowledgeSource, default_root, load_source
from engine.model import Strength
from engine.network import Floats, Network
from engine.units import UnitError

ChainerChoice = Literal["auto", "durable", "compiled"]


@dataclass(frozen=True)
class NeededFor:
    """A requirement of a test as alternatives of atoms."""

    alternatives: tuple[frozenset[Atom], ...]
    because: str
    must_be_known: bool


@dataclass(frozen=True)
class Knowledge:
    """Everything that triage needs, with ids turned into indices.

    Causes and findings are numbered in the order of their ids; `network` uses these numbers. Atoms are
    numbered in the order in which the rules mention them; conjunction i of `table` belongs to the rule
    ``table.conjunctions[i].rule``.
    """

    source: KnowledgeSource
    cause_ids: tuple[str, ...]
    finding_ids: tuple[str, ...]
    network: Network
    atoms: tuple[Atom, ...]
    atom_index: dict[Atom, int]
    table: RuleTable
    chainer: Chainer
    depth: dict[str, int]
    """Per rule, how many derivations it may rest on; the trace is told in this order."""
    needs: dict[str, tuple[NeededFor, ...]]
    """Per test, its requirements."""

    @cached_property
    def cause_index(self) -> dict[str, int]:
        """Cause id -> number."""
        return {cause: i for i, cause in enumerate(self.cause_ids)}

    @cached_property
    def finding_index(self) -> dict[str, int]:
        """Finding id -> number."""
        return {finding: i for i, finding in enumerate(self.finding_ids)}

    @cached_property
    def finding_of_code(self) -> dict[str, str]:
        """Trouble code -> finding id."""
        return {code: f for f, entry in self.source.findings.items() for code in entry.codes}

    @cached_property
    def reading_atoms(self) -> dict[str, list[tuple[int, ReadingAtom]]]:
        """Quantity id -> the atoms that a reading of it can satisfy."""
        found: dict[str, list[tuple[int, ReadingAtom]]] = {}
        for i, atom in enumerate(self.atoms):
            if isinstance(atom, ReadingAtom):
                found.setdefault(atom.quantity, []).append((i, atom))
        return found

    @cached_property
    def vehicle_ranges(self) -> dict[str, list[tuple[int, Bounds]]]:
        """Vehicle fact id -> the bounds that rules set on it."""
        found: dict[str, list[tuple[int, Bounds]]] = {}
        for i, atom in enumerate(self.atoms):
            if isinstance(atom, VehicleRangeAtom):
                found.setdefault(atom.fact, []).append((i, atom.bounds))
        return found

    @cached_property
    def consequence(self) -> dict[str, Floats]:
        """Per consequence, a mask [C] of the causes that have it."""
        return {
            name: np.array([self.source.causes[c].consequence == name for c in self.cause_ids], dtype=float)
            for name in ("advise", "mend_first", "stop")
        }

    @cached_property
    def settled_by(self) -> dict[str, tuple[str, ...]]:
        """Finding id -> tests that settle it."""
        found: dict[str, list[str]] = {}
        for test, entry in self.source.tests.items():
            for finding in entry.settles:
                found.setdefault(finding, []).append(test)
        return {finding: tuple(tests) for finding, tests in found.items()}


def load(root: Path | None = None, chainer: ChainerChoice = "auto") -> Knowledge:
    """Load, check and compile the knowledge base under `root` (default: the one that comes with it).

    Raises `KnowledgeError` with file and line for everything that would make answers wrong.
    """
    source = load_source(root or default_root())
    errors = [problem for problem in check(source) if problem.level == "error"]
    if errors:
        raise KnowledgeError(errors)
    return compile_knowledge(source, chainer)


def compile_knowledge(source: KnowledgeSource, chainer: ChainerChoice = "auto") -> Knowledge:
    """Turn checked entries into arrays and rule tables; raises `KnowledgeError` with file and line."""
    cause_ids, finding_ids = tuple(sorted(source.causes)), tuple(sorted(source.findings))
    problems: list[Problem] = []
    translator = Translator(source.vehicle_facts, source.quantities)
    atoms: dict[Atom, int] = {}
    conjunctions: list[Conjunction] = []

    def number(atom: Atom) -> int:
        return atoms.setdefault(atom, len(atoms))

    for rule_id, rule in sorted(source.rules.items()):
        try:
            alternatives = translator.alternatives(rule.when)
        except (TooManyAlternativesError, UnitError) as error:
            problems.append(Problem(*source.place("rules", rule_id, "when"), f"{rule_id}: {error}"))
            continue
        gives = tuple(number(FindingAtom(d.finding, d.is_)) for d in rule.then.derive)
        for atoms_needed in alternatives:
            needs = tuple(sorted(number(atom) for atom in atoms_needed))
            conjunctions.append(Conjunction(rule_id, needs, gives))
    needs_of = {
        test_id: tuple(
            NeededFor(
                tuple(translator.alternatives(requirement.when)),
                requirement.because,
                requirement.must_be_known,
            )
            for requirement in test.requires
        )
        for test_id, test in source.tests.items()
    }
    table = RuleTable(len(atoms), tuple(conjunctions))
    built: Chainer | None = None
    if not problems:
        try:
            built = make_chainer(table, chainer)
        except ChainerError as error:
            file, line = source.place("rules", error.rule) if error.rule else ("kb/rules", 1)
            problems.append(Problem(file, line, f"the rules cannot be loaded into the chainer: {error}"))
    if problems or built is None:
        raise KnowledgeError(problems)
    return Knowledge(
        source=source,
        cause_ids=cause_ids,
        finding_ids=finding_ids,
        network=_network(source, cause_ids, finding_ids),
        atoms=tuple(atoms),
        atom_index=atoms,
        table=table,
        chainer=built,
        depth=_depths(table),
        needs=needs_of,
    )


def _network(source: KnowledgeSource, cause_ids: tuple[str, ...], finding_ids: tuple[str, ...]) -> Network:
    strength = np.zeros((len(finding_ids), len(cause_ids)))
    row = {finding: i for i, finding in enumerate(finding_ids)}
    for column, cause in enumerate(cause_ids):
        for finding, value in source.links[cause].makes.items():
            strength[row[finding], column] = value.strength if isinstance(value, Strength) else value
    return Network.build(
        np.array([source.causes[cause].prior_per_1000 / 1000.0 for cause in cause_ids]),
        np.array([source.findings[finding].background for finding in finding_ids]),
        strength,
    )


def _depths(table: RuleTable) -> dict[str, int]:
    """Longest chain of derivations below each rule; the rules have no cycle (checked at loading)."""
    makers: dict[int, list[Conjunction]] = {}
    for conjunction in table.conjunctions:
        for atom in conjunction.gives:
            makers.setdefault(atom, []).append(conjunction)
    depth: dict[str, int] = {}

    def measure(conjunction: Conjunction) -> int:
        below = [1 + measure(maker) for atom in conjunction.needs for maker in makers.get(atom, ())]
        return max(below, default=0)

    for conjunction in table.conjunctions:
        depth[conjunction.rule] = max(depth.get(conjunction.rule, 0), measure(conjunction))
    return depth
