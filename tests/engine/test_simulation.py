"""Cases drawn from a knowledge base: drawn as it says, the same for a seed, and worse with noise."""

from __future__ import annotations

import numpy as np
import pytest

from engine.knowledge import compile_knowledge
from engine.simulation import CannotDrawError, Drawn, Noise, SimulatedCar, Simulation, draw, simulate
from engine.triage import Triage
from tests.engine.kb_maker import KnowledgeMaker
from tests.engine.networks import random_network

CASES = 150


def triage_of(kb: KnowledgeMaker) -> Triage:
    return Triage(compile_knowledge(kb.load(), "compiled"))


@pytest.fixture
def small(kb: KnowledgeMaker) -> Triage:
    return triage_of(kb)


def test_cars_are_drawn_as_the_network_says() -> None:
    network = random_network(np.random.default_rng(1), 6, 8, 3)
    count = 40_000
    causes, findings = draw(network, count, np.random.default_rng(2))
    absent = (1.0 - network.background) * np.prod(1.0 - network.prior * network.strength, axis=1)
    for share, expected in ((causes.mean(axis=0), network.prior), (findings.mean(axis=0), 1.0 - absent)):
        reach = 5.0 * np.sqrt(expected * (1.0 - expected) / count)
        assert (np.abs(share - expected) < reach).all()


def test_a_test_shows_what_its_accuracy_says(small: Triage) -> None:
    knowledge = small.knowledge
    rng = np.random.default_rng(3)
    for there, share in ((True, 0.95), (False, 0.02)):
        drawn = Drawn(np.zeros(2, dtype=np.bool_), np.full(3, there))
        car = SimulatedCar(knowledge, drawn, Noise(), rng)
        assert car.asked("fuel_smell") == ("present" if there else "absent")
        seen = [car.tested("look_at_lines")["fuel_leak_seen"] == "present" for _ in range(4000)]
        assert np.mean(seen) == pytest.approx(share, abs=0.02)


def test_noise_turns_and_drops_answers_at_its_rates(small: Triage) -> None:
    drawn = Drawn(np.zeros(2, dtype=np.bool_), np.ones(3, dtype=np.bool_))
    car = SimulatedCar(small.knowledge, drawn, Noise(wrong=0.2, missing=0.1), np.random.default_rng(4))
    heard = [car.asked("fuel_smell") for _ in range(8000)]
    assert heard.count("unknown") / 8000 == pytest.approx(0.1, abs=0.02)
    assert heard.count("absent") / 8000 == pytest.approx(0.9 * 0.2, abs=0.02)
    lost = [car.tested("look_at_lines") == {} for _ in range(8000)]
    assert np.mean(lost) == pytest.approx(0.1, abs=0.02)
    with pytest.raises(ValueError, match="wrong is a share"):
        Noise(wrong=1.2)


def test_the_same_seed_gives_the_same_figures(small: Triage) -> None:
    first = simulate(small, 40, 11, 0.1, 0.1)
    assert simulate(small, 40, 11, 0.1, 0.1) == first
    assert simulate(small, 40, 12, 0.1, 0.1).figures != first.figures
    assert (first.seed, first.wrong, first.missing, first.figures.cases) == (11, 0.1, 0.1, 40)


def test_a_fault_with_one_clear_sign_is_found(small: Triage) -> None:
    """The only finding on a call is the smell, which in nine of ten cars drawn comes from the leak."""
    figures = simulate(small, CASES, 1).figures
    # Drawn are cars with a cause and a smell: P(leak) = 0.0024 / (0.0024 + 0.005 * 0.002) = 99.6 %.
    assert figures.top_1.hits >= CASES - 5
    assert figures.found.share is not None
    assert 0.7 < figures.found.share < 1.0
    assert figures.dangerous.of == CASES
    assert figures.next_step.of == figures.hold.of == figures.reachable.of == 0


def value(simulation: Simulation) -> tuple[float, float]:
    figures = simulation.figures
    assert figures.found.share is not None
    assert figures.brier is not None
    return figures.found.share, figures.brier.value


def test_noise_makes_it_worse(small: Triage) -> None:
    found, brier = value(simulate(small, CASES, 1))
    for wrong, missing in ((0.3, 0.0), (0.0, 0.5)):
        noisy_found, noisy_brier = value(simulate(small, CASES, 1, wrong, missing))
        assert noisy_found < found
        assert noisy_brier > brier


def test_the_worst_of_what_is_there_groups_the_cases(small: Triage) -> None:
    simulation = simulate(small, 30, 5)
    assert sum(group.cases for group in simulation.by_consequence.values()) == 30
    assert "stop" in simulation.by_consequence


def test_a_knowledge_base_that_nobody_calls_about(kb: KnowledgeMaker) -> None:
    kb.change("findings/fuel.yaml", "found_at: [call]", "found_at: [log]")
    with pytest.raises(CannotDrawError):
        simulate(triage_of(kb), 1, 1)


def test_the_shipped_one_can_be_drawn_from(triage: Triage) -> None:
    simulation = simulate(triage, 5, 3)
    assert simulation.figures.cases == 5
    assert simulation == simulate(triage, 5, 3)
