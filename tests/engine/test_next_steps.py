"""Values of questions and tests against a full enumeration of what could be found."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from engine.network import Floats, Network
from engine.next_steps import Candidate, Lookahead, Menu, Priced, Valued
from engine.posterior import Evidence, Reasoner
from tests.engine.networks import SmallCase, joint_states, random_network, small_cases

LOSS = np.array([[0.0, 60, 800, 4800], [20, 10, 700, 4400], [480, 440, 0, 900], [720, 680, 240, 0]])


def lookahead(case: SmallCase) -> Lookahead:
    causes = case.network.prior.size
    groups = np.zeros((3, causes))
    groups[np.arange(causes) % 3, np.arange(causes)] = 1.0
    reasoner = Reasoner(case.network, groups)
    evidence = Evidence(case.present, case.absent, np.zeros(causes, dtype=bool))
    known = np.zeros(case.network.background.size, dtype=bool)
    known[list(case.present + case.absent)] = True
    priced = Priced(LOSS, np.full(causes, 25.0))
    return Lookahead(reasoner, reasoner.posterior(evidence), priced, known)


def value(case: SmallCase, candidates: list[Candidate], told: bool = True) -> list[Valued]:
    """Value all candidates; `told` keeps those that would tell nothing."""
    first = [candidate.name for candidate in candidates] if told else []
    return lookahead(case).value(Menu(candidates), 10, None, first)


def enumerate_value(
    case: SmallCase, findings: tuple[int, ...], accuracy: tuple[tuple[float, float], ...]
) -> tuple[float, float]:
    """Expected bits and loss reduction by summing over all states of causes, findings and results."""
    network = case.network
    causes = network.prior.size
    results: dict[tuple[bool, ...], tuple[float, Floats, Floats]] = {}
    for on, weight, off in joint_states(network, network.prior):
        p = weight * float(np.prod(1.0 - off[list(case.present)]) * np.prod(off[list(case.absent)]))
        levels = [level + 1 for level in range(3) if on[np.arange(causes) % 3 == level].any()]
        severity = np.eye(4)[max(levels, default=0)]
        for shown in itertools.product((False, True), repeat=len(findings)):
            q = p
            for f, (sensitivity, specificity), positive in zip(findings, accuracy, shown, strict=True):
                there = sensitivity if positive else 1.0 - sensitivity
                gone = 1.0 - specificity if positive else specificity
                q *= (1.0 - off[f]) * there + off[f] * gone
            share, joint, worst = results.get(shown, (0.0, np.zeros(causes), np.zeros(4)))
            results[shown] = (share + q, joint + q * on, worst + q * severity)
    total = sum(share for share, _, _ in results.values())

    def doubt(marginal: Floats) -> float:
        p = np.clip(marginal, 1e-300, 1.0)
        q = np.clip(1.0 - marginal, 1e-300, 1.0)
        return float(-(p * np.log2(p) + q * np.log2(q)).sum())

    before = np.sum([joint for _, joint, _ in results.values()], axis=0) / total
    severity = np.sum([worst for _, _, worst in results.values()], axis=0) / total
    after = sum(share / total * doubt(joint / share) for share, joint, _ in results.values() if share > 0.0)
    loss_after = sum((LOSS @ (worst / total)).min() for _, _, worst in results.values())
    return doubt(before) - after, float((LOSS @ severity).min() - loss_after)


@settings(max_examples=60, deadline=None)
@given(small_cases(), st.integers(1, 3), st.floats(0.6, 0.999), st.floats(0.6, 0.999))
def test_value_equals_enumeration(case: SmallCase, size: int, sensitivity: float, specificity: float) -> None:
    unknown = [f for f in range(case.network.background.size) if f not in case.present + case.absent]
    assume(len(unknown) >= size)
    findings = tuple(unknown[:size])
    accuracy = ((sensitivity, specificity),) * size
    (valued,) = value(case, [Candidate("t", findings, accuracy, 5.0)])
    bits, saved = enumerate_value(case, findings, accuracy)
    assert valued.bits == pytest.approx(bits, abs=1e-7)
    assert valued.loss_reduction == pytest.approx(saved, abs=1e-6)
    assert valued.worth_per_minute == pytest.approx((saved + 25.0 * bits) / 5.0, abs=1e-5)


@settings(max_examples=60, deadline=None)
@given(small_cases())
def test_results_of_a_question_average_to_the_posterior(case: SmallCase) -> None:
    unknown = [f for f in range(case.network.background.size) if f not in case.present + case.absent]
    assume(unknown)
    look = lookahead(case)
    candidates = [Candidate(f"q{f}", (f,), ((1.0, 1.0),), 1.0) for f in unknown]
    for valued in value(case, candidates):
        assert sum(result.probability for result in valued.results) == pytest.approx(1.0)
        mean = sum(result.probability * result.marginal for result in valued.results)
        assert np.allclose(mean, look.marginal, atol=1e-9)
        assert valued.bits >= 0.0
        assert valued.loss_reduction >= 0.0


def test_of_two_tests_that_tell_the_same_the_cheaper_and_safer_comes_first() -> None:
    network = random_network(np.random.default_rng(1), 10, 10, 4)
    case = SmallCase(network, (1, 2), (), np.zeros(10, dtype=bool))
    finding = next(f for f in range(3, 10) if network.parents[f])
    slow = Candidate("a_slow", (finding,), ((0.9, 0.9),), 30.0)
    risky = Candidate("b_risky", (finding,), ((0.9, 0.9),), 5.0, risk=40.0)
    quick = Candidate("c_quick", (finding,), ((0.9, 0.9),), 5.0)
    names = [v.candidate.name for v in value(case, [slow, risky, quick])]
    assert names == ["c_quick", "a_slow", "b_risky"]


def test_what_tells_nothing_is_not_offered() -> None:
    strength = np.array([[0.9, 0.0], [0.0, 0.0]])
    network = Network.build(np.array([0.1, 0.1]), np.array([0.01, 0.01]), strength)
    case = SmallCase(network, (), (), np.zeros(2, dtype=bool))
    useless = Candidate("useless", (1,), ((0.99, 0.99),), 1.0)
    useful = Candidate("useful", (0,), ((0.99, 0.99),), 1.0)
    assert [v.candidate.name for v in value(case, [useless, useful], told=False)] == ["useful"]


def test_more_than_three_findings_is_a_lower_bound() -> None:
    network = random_network(np.random.default_rng(3), 8, 6, 3)
    case = SmallCase(network, (0,), (), np.zeros(8, dtype=bool))
    findings, accuracy = (1, 2, 3, 4), ((0.9, 0.95),) * 4
    (valued,) = value(case, [Candidate("t", findings, accuracy, 5.0)])
    bits, _ = enumerate_value(case, findings, accuracy)
    one = max(enumerate_value(case, (f,), accuracy[:1])[0] for f in findings)
    assert one <= valued.bits + 1e-9 <= bits + 1e-6
