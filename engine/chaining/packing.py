"""How the conjunctions of a table are shared out over rulesets of durable-rules, within its fixed limits.

Limits of durable-rules 2.0.28, each measured and read in its sources: a message that opens more than 64
branches of the condition tree at once is refused (error 303), a message carries fewer than 255 properties,
and a tree node with 512 branches hangs the loader for ever. Nothing here imports durable-rules.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

from engine.chaining.table import Conjunction
from engine.errors import ChainerError

MAX_OPEN = 48
"""Branches that one message may open at once in a ruleset; durable-rules stops at 64."""

MAX_ATOMS = 200
"""Different atoms in a ruleset, so properties in a message; durable-rules stops at 253."""

MAX_NEEDS = 40
"""Different atoms in one conjunction: each is a level of the tree, and each level opens a branch."""

MAX_RULES = 10_000
"""Different conjunctions altogether: each keeps about 26 kB of memory until the process ends."""


@dataclass(frozen=True)
class Group:
    """The rules of one ruleset: what each needs, in tree order, and the conjunctions that this fires."""

    atoms: tuple[int, ...]
    needs: tuple[tuple[int, ...], ...]
    conjunctions: tuple[tuple[int, ...], ...]


@dataclass
class _Node:
    children: dict[int, _Node] = field(default_factory=dict)
    deepest: int = 0
    """Branches that can be open at once below the widest child."""


@dataclass
class _Open:
    root: _Node = field(default_factory=_Node)
    atoms: dict[int, None] = field(default_factory=dict)
    needs: list[tuple[int, ...]] = field(default_factory=list)
    conjunctions: list[tuple[int, ...]] = field(default_factory=list)

    def fits(self, path: tuple[int, ...]) -> bool:
        atoms = len(self.atoms) + sum(atom not in self.atoms for atom in path)
        return atoms <= MAX_ATOMS and _open_with(self.root, path) <= MAX_OPEN

    def add(self, path: tuple[int, ...], conjunctions: list[int]) -> None:
        _insert(self.root, path)
        self.atoms.update(dict.fromkeys(path))
        self.needs.append(path)
        self.conjunctions.append(tuple(conjunctions))


def pack(conjunctions: Sequence[Conjunction]) -> tuple[Group, ...]:
    """Share out all conjunctions that need something; equal needs become one rule.

    The conditions of a ruleset form a prefix tree. Atoms that many conjunctions need stand at the top and
    neighbours in the tree stay together, so that few rulesets hear of a fact. Raises `ChainerError` for a
    conjunction wider than `MAX_NEEDS` and for more than `MAX_RULES` different ones.
    """
    uses = Counter(atom for conjunction in conjunctions for atom in set(conjunction.needs))
    by_path: dict[tuple[int, ...], list[int]] = {}
    for index, conjunction in enumerate(conjunctions):
        path = tuple(sorted(set(conjunction.needs), key=lambda atom: (-uses[atom], atom)))
        if len(path) > MAX_NEEDS:
            raise ChainerError(
                f"rule {conjunction.rule!r} needs {len(path)} atoms at once; durable-rules is safe up to "
                f"{MAX_NEEDS}: derive a finding from some of them first",
                conjunction.rule,
            )
        if path:
            by_path.setdefault(path, []).append(index)
    if len(by_path) > MAX_RULES:
        raise ChainerError(
            f"{len(by_path)} different conjunctions; durable-rules is given at most {MAX_RULES}, "
            "the compiled chainer has no such limit"
        )
    groups: list[_Open] = []
    for path in sorted(by_path, key=lambda path: [(-uses[atom], atom) for atom in path]):
        if not groups or not groups[-1].fits(path):
            groups.append(_Open())
        groups[-1].add(path, by_path[path])
    return tuple(Group(tuple(g.atoms), tuple(g.needs), tuple(g.conjunctions)) for g in groups)


def _open_with(node: _Node, path: tuple[int, ...]) -> int:
    # The loader's walk is depth first, so what waits at once is every branch beside the current path:
    # at worst the sum of the widths along one path. A new tail has width one at each level.
    if not path:
        return len(node.children) + node.deepest
    child = node.children.get(path[0])
    width = len(node.children) + (child is None)
    below = len(path) - 1 if child is None else _open_with(child, path[1:])
    return width + max(node.deepest, below)


def _insert(node: _Node, path: tuple[int, ...]) -> int:
    if path:
        below = _insert(node.children.setdefault(path[0], _Node()), path[1:])
        node.deepest = max(node.deepest, below)
    return len(node.children) + node.deepest
