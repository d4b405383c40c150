"""What a knowledge base cannot do, on small ones where the figures can be worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from engine.knowledge import compile_knowledge
from engine.posterior import Evidence, Reasoner
from engine.report import CONFIRMED, present_alone, report
from engine.triage import Triage
from tests.engine.kb_maker import KnowledgeMaker
from tests.engine.networks import random_network

CAUSES, FINDINGS, LINKS = "causes/fuel.yaml", "findings/fuel.yaml", "links/fuel.yaml"


def triage_of(kb: KnowledgeMaker) -> Triage:
    return Triage(compile_knowledge(kb.load(), "compiled"))


def test_one_finding_alone_is_the_posterior_of_one_finding() -> None:
    network = random_network(np.random.default_rng(5), 12, 15, 4)
    reasoner = Reasoner(network, np.zeros((3, 12)))
    alone = present_alone(network)
    for f in range(15):
        posterior = reasoner.posterior(Evidence((f,), (), np.zeros(12, dtype=np.bool_)))
        np.testing.assert_allclose(alone[f], posterior.marginal, rtol=1e-12)


def test_a_sound_knowledge_base_has_little_to_report(kb: KnowledgeMaker) -> None:
    told = report(triage_of(kb))
    assert told.causes == 2
    assert (told.inseparable, told.unconfirmed, told.silent) == (0, (), ())
    (pair,) = told.pairs
    assert (pair.first, pair.second) == ("fuel_line_leaks", "pump_worn")


def test_a_rare_cause_that_no_test_confirms(kb: KnowledgeMaker) -> None:
    kb.change(CAUSES, "prior_per_1000: 5", "prior_per_1000: 0.5")
    kb.change(CAUSES, "  fixes: [replace_pump]\n", "  fixes: [replace_pump]\n  note: Strip it.\n")
    (found,) = report(triage_of(kb)).unconfirmed
    assert (found.cause, found.test, found.findings) == ("pump_worn", "gauge_on_rail", ("fuel_pressure_low",))
    # Present with the pump: 1 - 0.999 * 0.1 * (1 - 0.003 * 0.1); by the other cause and by itself without.
    with_pump = 1.0 - 0.999 * 0.1 * 0.9997
    without = 1.0 - 0.999 * 0.9997
    expected = 0.0005 * with_pump / (0.0005 * with_pump + 0.9995 * without)
    assert found.probability == pytest.approx(expected)
    assert found.probability < CONFIRMED
    assert found.reason == "Strip it."


def test_two_findings_of_one_test_confirm_what_neither_does_alone(kb: KnowledgeMaker) -> None:
    """With backgrounds of 0.02 each, one says 12 % and both together 86 %."""
    kb.change(LINKS, "pump_worn:\n  makes:\n", "pump_worn:\n  makes:\n    pump_sings: 0.9\n")
    kb.change(FINDINGS, "background: 0.001", "background: 0.02")
    kb.append(
        FINDINGS,
        "pump_sings:\n  label: Pump sings\n  question: Does it sing?\n  found_at: [bay]\n"
        "  background: 0.02\n  source: estimate\n",
    )
    kb.change(CAUSES, "prior_per_1000: 5", "prior_per_1000: 3")
    alone = report(triage_of(kb)).unconfirmed
    assert [cause.cause for cause in alone] == ["pump_worn"]
    assert alone[0].probability == pytest.approx(0.0027 / (0.0027 + 0.02 + 0.0003), abs=0.01)
    settled = "    fuel_pressure_low: {sensitivity: 0.95, specificity: 0.98}\n"
    kb.change(
        "tests/fuel.yaml", settled, f"{settled}    pump_sings: {{sensitivity: 0.9, specificity: 0.9}}\n"
    )
    assert report(triage_of(kb)).unconfirmed == ()


def test_a_finding_that_only_a_rule_looks_at_moves_no_cause(kb: KnowledgeMaker) -> None:
    kb.append(
        FINDINGS,
        "tank_empty:\n  label: Tank empty\n  question: Is it empty?\n  found_at: [log]\n"
        "  background: 0.01\n  source: estimate\n",
    )
    kb.append(
        "rules/fuel.yaml",
        "empty_tank_holds:\n  label: Fill it\n  when: [{finding: tank_empty}]\n"
        "  then: {caution: [petrol_fire]}\n  because: It sucks air.\n  source: practice\n",
    )
    (silent,) = report(triage_of(kb)).silent
    assert (silent.finding, silent.system, silent.rules) == ("tank_empty", "fuel", ("empty_tank_holds",))


def test_a_link_that_says_next_to_nothing_moves_no_cause(kb: KnowledgeMaker) -> None:
    """A twentieth more is log(1.05) = 0.049 in log-odds; a fifth more is 0.18."""
    kb.change(FINDINGS, "background: 0.002", "background: 0.02")
    kb.change(LINKS, "fuel_smell: 0.8", "fuel_smell: 0.001")
    assert [silent.finding for silent in report(triage_of(kb)).silent] == ["fuel_smell"]
    kb.change(LINKS, "fuel_smell: 0.001", "fuel_smell: 0.004")
    assert report(triage_of(kb)).silent == ()


def test_one_system_alone(kb: KnowledgeMaker) -> None:
    kb.change(CAUSES, "prior_per_1000: 5", "prior_per_1000: 0.5")
    triage = triage_of(kb)
    assert report(triage, "fuel") == report(triage)
    other = report(triage, "oil")
    assert (other.causes, other.pairs, other.unconfirmed, other.silent) == (0, (), (), ())


def test_the_shipped_one_comes_worst_first(triage: Triage) -> None:
    told = report(triage)
    bits = [pair.bits for pair in told.pairs]
    assert bits == sorted(bits)
    assert told.causes == len(triage.knowledge.cause_ids)
    assert all(cause.probability < CONFIRMED for cause in told.unconfirmed)
