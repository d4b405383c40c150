"""Bits that separate two causes, by hand and by summing over everything that a test can show."""

from __future__ import annotations

import itertools
from math import log2

import pytest

from engine.differential import INSEPARABLE, Pair, inseparable, pairs
from engine.loading import KnowledgeSource
from engine.model import Strength
from tests.engine.kb_maker import KnowledgeMaker

LINKS = "links/fuel.yaml"
ALL_SHOWN = """\
look_at_all:
  label: Look at everything
  place: bay
  steps: [Look.]
  minutes: 5
  skill: technician
  settles:
    fuel_smell: {sensitivity: 0.7, specificity: 0.9}
    fuel_leak_seen: {sensitivity: 0.95, specificity: 0.98}
    fuel_pressure_low: {sensitivity: 0.6, specificity: 0.85}
  source: estimate
"""


def only_pair(kb: KnowledgeMaker) -> Pair:
    (pair,) = pairs(kb.load())
    return pair


def chance(source: KnowledgeSource, cause: str, finding: str) -> float:
    value = source.links[cause].makes.get(finding, 0.0)
    strength = value.strength if isinstance(value, Strength) else value
    return 1.0 - (1.0 - source.findings[finding].background) * (1.0 - strength)


def information(first: list[float], second: list[float]) -> float:
    """Mutual information between a result and which of two equally likely causes made it."""
    total = 0.0
    for p, q in zip(first, second, strict=True):
        for likelihood in (p, q):
            total += likelihood / 2.0 * log2(likelihood / ((p + q) / 2.0))
    return total


def shown(source: KnowledgeSource, cause: str, test: str) -> list[float]:
    """P(result | cause) of every joint result of a test."""
    settles = source.tests[test].settles
    results = []
    for positive in itertools.product((True, False), repeat=len(settles)):
        likelihood = 1.0
        for (finding, accuracy), is_shown in zip(settles.items(), positive, strict=True):
            there = chance(source, cause, finding)
            p = accuracy.sensitivity * there + (1.0 - accuracy.specificity) * (1.0 - there)
            likelihood *= p if is_shown else 1.0 - p
        results.append(likelihood)
    return results


def test_the_best_of_each_kind_by_summing_over_all_results(kb: KnowledgeMaker) -> None:
    kb.append("tests/fuel.yaml", ALL_SHOWN)
    source, pair = kb.load(), only_pair(kb)
    causes = ("fuel_line_leaks", "pump_worn")
    assert (pair.system, pair.first, pair.second) == ("fuel", *causes)
    by_finding = {
        f: information(*([chance(source, c, f), 1.0 - chance(source, c, f)] for c in causes))
        for f in source.findings
    }
    by_test = {t: information(*(shown(source, c, t) for c in causes)) for t in source.tests}
    for separator, best, told in (
        (pair.question, "fuel_smell", by_finding),
        (pair.finding, "fuel_leak_seen", by_finding),
        (pair.test, "look_at_all", by_test),
    ):
        assert separator is not None
        assert separator.id == best
        assert separator.bits == pytest.approx(told[best])
    assert max(by_finding, key=by_finding.__getitem__) == "fuel_leak_seen"
    assert max(by_test, key=by_test.__getitem__) == "look_at_all"
    assert pair.bits == pytest.approx(max(*by_finding.values(), *by_test.values()))


def test_a_sign_that_only_one_of_them_makes_settles_it(kb: KnowledgeMaker) -> None:
    kb.change(LINKS, "fuel_leak_seen: 0.9", "fuel_leak_seen: 0.9999999")
    kb.change("findings/fuel.yaml", "background: 0.0005", "background: 0.0000001")
    kb.change("tests/fuel.yaml", "0.95, specificity: 0.98", "0.9, specificity: 0.9")
    pair = only_pair(kb)
    assert pair.finding is not None
    assert pair.test is not None
    assert pair.finding.bits == pytest.approx(1.0, abs=1e-4)
    # Through a test that is right nine times of ten it is 1 - H(0.1) = 0.531 bit.
    settled = 1.0 + 0.1 * log2(0.1) + 0.9 * log2(0.9)
    assert pair.test.bits == pytest.approx(settled, abs=1e-4)
    assert list(inseparable(kb.load())) == []


def test_causes_that_make_the_same_are_separated_by_nothing(kb: KnowledgeMaker) -> None:
    same = "    fuel_smell: 0.8\n    fuel_leak_seen: 0.9\n    fuel_pressure_low: 0.1\n"
    kb.change(LINKS, "    fuel_pressure_low: 0.9\n", same)
    pair = only_pair(kb)
    assert (pair.question, pair.finding, pair.test) == (None, None, None)
    assert pair.bits == 0.0
    assert list(inseparable(kb.load())) == [pair]


def test_pairs_are_inseparable_up_to_the_limit(kb: KnowledgeMaker) -> None:
    """Walk the strength of one finding away from that of the other cause until the pair can be told apart."""
    base = "    fuel_smell: {}\n    fuel_leak_seen: 0.9\n    fuel_pressure_low: 0.1\n"
    kb.change(LINKS, "    fuel_pressure_low: 0.9\n", base.format(0.8))
    sides = set()
    for old, new in itertools.pairwise((0.8, 0.75, 0.7, 0.65, 0.6, 0.55, 0.5, 0.45, 0.4)):
        text = kb.read(LINKS)
        head, _, tail = text.rpartition(f"fuel_smell: {old}\n")
        kb.write(LINKS, f"{head}fuel_smell: {new}\n{tail}")
        pair = only_pair(kb)
        assert [p.first for p in inseparable(kb.load())] == ["fuel_line_leaks"] * (pair.bits < INSEPARABLE)
        sides.add(pair.bits < INSEPARABLE)
    assert sides == {True, False}


def test_causes_of_different_systems_are_no_pair(kb: KnowledgeMaker) -> None:
    text = kb.read("causes/fuel.yaml")
    first, second = text.split("pump_worn:")
    kb.write("causes/fuel.yaml", first)
    kb.write("causes/electrical.yaml", f"pump_worn:{second}")
    assert list(pairs(kb.load())) == []


def test_links_that_lead_nowhere_are_passed_over(kb: KnowledgeMaker) -> None:
    kb.change(
        LINKS, "pump_worn:\n  makes:\n    fuel_pressure_low", "pump_worn:\n  makes:\n    no_such_finding"
    )
    kb.change(LINKS, "fuel_smell: 0.8", "no_finding_either: 0.8")
    assert only_pair(kb).bits > INSEPARABLE
