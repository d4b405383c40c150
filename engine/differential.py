"""How well two causes of a system can be told apart: bits of information about which of the two it is.

One of the two causes is there, either as likely, and nothing else but the backgrounds. A finding then tells
the mutual information between it and the cause (Shannon 1948; for two equal halves it is the
Jensen-Shannon divergence): 1 bit settles it, 0 tells nothing. A test tells as much by what it shows of all
its findings together, each through its sensitivity and specificity.

The entries need not be checked yet: what leads nowhere is passed over.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from engine.loading import KnowledgeSource
from engine.model import Strength
from engine.network import Floats, Ints

INSEPARABLE = 0.05
"""Bits; a pair that nothing separates by as much cannot be told apart in practice."""
MOST_TOGETHER = 8
"""Findings of a test taken together; of more, those that differ most between the causes."""
NOTHING = 1e-9


@dataclass(frozen=True)
class Separator:
    """A finding or a test, and the bits that it tells of which of two causes is there."""

    id: str
    bits: float


@dataclass(frozen=True)
class Pair:
    """Two causes of a system and what separates them best; None where nothing of the kind does at all.

    `question` is a finding that can be asked on a call, `finding` any finding, `test` a test.
    """

    system: str
    first: str
    second: str
    question: Separator | None
    finding: Separator | None
    test: Separator | None

    @property
    def bits(self) -> float:
        """The bits that the best of all tells."""
        return max((s.bits for s in (self.finding, self.test) if s is not None), default=0.0)


def pairs(source: KnowledgeSource) -> Iterator[Pair]:
    """Yield every pair of causes within a system, in the order of systems and ids."""
    for siblings in _systems(source):
        yield from siblings.pairs()


def inseparable(source: KnowledgeSource) -> Iterator[Pair]:
    """Yield the pairs that nothing separates by `INSEPARABLE` bits."""
    for siblings in _systems(source):
        # Tests take most of the time, and in most systems the findings separate all pairs already.
        if (siblings.by_finding.max(axis=0, initial=0.0) < INSEPARABLE).any():
            yield from (pair for pair in siblings.pairs() if pair.bits < INSEPARABLE)


def _systems(source: KnowledgeSource) -> Iterator[_Siblings]:
    systems: dict[str, list[str]] = {}
    for cause in sorted(source.causes.keys() & source.links.keys()):
        systems.setdefault(source.system_of["causes", cause], []).append(cause)
    for system, causes in sorted(systems.items()):
        if len(causes) > 1:
            yield _Siblings(source, system, causes)


class _Siblings:
    """The causes of one system, with P(finding | cause) [F, C] of the findings that one of them makes."""

    def __init__(self, source: KnowledgeSource, system: str, causes: list[str]) -> None:
        self.source, self.system, self.causes = source, system, causes
        made = {finding for cause in causes for finding in source.links[cause].makes}
        self.findings = sorted(made & source.findings.keys())
        row = {finding: i for i, finding in enumerate(self.findings)}
        idle = np.array([1.0 - source.findings[f].background for f in self.findings])
        off = np.ones((len(self.findings), len(causes)))
        for column, cause in enumerate(causes):
            for finding, value in source.links[cause].makes.items():
                if finding in row:
                    strength = value.strength if isinstance(value, Strength) else value
                    off[row[finding], column] = 1.0 - strength
        self.present: Floats = 1.0 - idle[:, None] * off
        self.row = row
        self.left, self.right = np.triu_indices(len(causes), 1)

    @cached_property
    def by_finding(self) -> Floats:
        """The bits [F, pairs] that each finding tells."""
        there = self.present
        doubt = _binary(there)
        mixed = _binary((there[:, self.left] + there[:, self.right]) / 2.0)
        bits: Floats = np.clip(mixed - (doubt[:, self.left] + doubt[:, self.right]) / 2.0, 0.0, 1.0)
        return bits

    def pairs(self) -> Iterator[Pair]:
        by_finding = self.by_finding
        on_call = [i for i, f in enumerate(self.findings) if "call" in self.source.findings[f].found_at]
        tests, by_test = self.tests()
        asked = _best([self.findings[i] for i in on_call], by_finding[on_call])
        seen = _best(self.findings, by_finding)
        tested = _best(tests, by_test)
        for k, (i, j) in enumerate(zip(self.left.tolist(), self.right.tolist(), strict=True)):
            yield Pair(self.system, self.causes[i], self.causes[j], asked[k], seen[k], tested[k])

    def tests(self) -> tuple[list[str], Floats]:
        """Return the tests that bear on these causes and the bits [T, pairs] that each tells."""
        names, told = [], []
        for test, entry in sorted(self.source.tests.items()):
            settled = [(self.row[f], accuracy) for f, accuracy in entry.settles.items() if f in self.row]
            settled.sort(key=lambda item: (-float(np.ptp(self.present[item[0]])), item[0]))
            if not settled:
                continue
            table = np.ones((len(self.causes), 1))
            for row, accuracy in settled[:MOST_TOGETHER]:
                there = self.present[row]
                shown = accuracy.sensitivity * there + (1.0 - accuracy.specificity) * (1.0 - there)
                results = np.stack([shown, 1.0 - shown], axis=1)
                table = (table[:, :, None] * results[:, None, :]).reshape(len(self.causes), -1)
            names.append(test)
            told.append(self.bits(table))
        return names, np.stack(told) if told else np.zeros((0, self.left.size))

    def bits(self, table: Floats) -> Floats:
        """Return the bits [pairs] that a result tells; `table` [C, R] is P(result | cause)."""
        doubt = _entropy(table)
        mixed = _entropy((table[self.left] + table[self.right]) / 2.0)
        bits: Floats = np.clip(mixed - (doubt[self.left] + doubt[self.right]) / 2.0, 0.0, 1.0)
        return bits


def _binary(p: Floats) -> Floats:
    """Entropy of a finding with each probability, in bits."""
    p = np.clip(p, 2.0**-53, 1.0 - 2.0**-53)
    return -(p * np.log2(p) + (1.0 - p) * np.log2(1.0 - p))


def _entropy(table: Floats) -> Floats:
    """Entropy of each row, in bits."""
    logs = np.log2(table, out=np.zeros_like(table), where=table > 0.0)
    entropy: Floats = -(table * logs).sum(axis=1)
    return entropy


def _best(names: Sequence[str], bits: Floats) -> list[Separator | None]:
    """Return the best of the separators for each pair; `bits` [names, pairs]."""
    if not names:
        return [None] * bits.shape[1]
    best: Ints = bits.argmax(axis=0)
    most = bits.max(axis=0)
    return [
        Separator(names[i], float(value)) if value > NOTHING else None
        for i, value in zip(best.tolist(), most.tolist(), strict=True)
    ]
