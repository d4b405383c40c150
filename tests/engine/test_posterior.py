"""The posterior against brute force, pyAgrum, and published-library worked cases."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings

from engine.network import Network
from engine.posterior import Evidence, Posterior, Reasoner
from tests.engine.networks import (
    SmallCase,
    agrum_posterior,
    brute,
    joint_states,
    random_network,
    small_cases,
)


def ask(
    network: Network,
    present: tuple[int, ...],
    absent: tuple[int, ...] = (),
    excluded: np.ndarray | None = None,
    **widths: int,
) -> tuple[Reasoner, Posterior]:
    causes = network.prior.size
    groups = np.zeros((3, causes))
    groups[np.arange(causes) % 3, np.arange(causes)] = 1.0
    reasoner = Reasoner(network, groups, **widths)
    mask = np.zeros(causes, dtype=bool) if excluded is None else excluded
    return reasoner, reasoner.posterior(Evidence(present, absent, mask), weigh=True)


# pgmpy 1.1.2, pyAgrum 3.3.1 and brute enumeration agree on these figures to 1e-12; P(F=0|c) is
# (1-leak) * prod(1-w). Computed once with both libraries; the exact inputs stand here.
WORKED = Network.build(
    np.array([0.05, 0.10, 0.02]),
    np.array([0.02, 0.05, 0.01, 0.03]),
    np.array([[0.8, 0.0, 0.0], [0.6, 0.7, 0.0], [0.0, 0.5, 0.9], [0.3, 0.0, 0.4]]),
)


@pytest.mark.parametrize(
    ("present", "absent", "posterior", "evidence"),
    [
        ((0, 1), (2, 3), (0.916991163542, 0.104196013498, 0.001222992254), 0.01741551308898),
        ((1, 2, 3), (0,), (0.107962504778, 0.804935953158, 0.441242463059), 0.00206846413806),
        ((1,), (2,), (0.281903068030, 0.338653436615, 0.002036659878), 0.10385555895),
    ],
)
def test_worked_cases_agree_to_1e_9(
    present: tuple[int, ...], absent: tuple[int, ...], posterior: tuple[float, ...], evidence: float
) -> None:
    _, answer = ask(WORKED, present, absent)
    assert answer.exact
    assert np.abs(answer.marginal - np.array(posterior)).max() <= 1e-9
    assert abs(math.exp(answer.log_evidence) - evidence) <= 1e-9


@settings(max_examples=150, deadline=None)
@given(small_cases())
def test_equals_brute_force(case: SmallCase) -> None:
    _, answer = ask(case.network, case.present, case.absent, case.excluded)
    prior = np.where(case.excluded, 0.0, case.network.prior)
    total, marginal = brute(case.network, prior, case.present, case.absent)
    assert answer.exact
    assert np.allclose(answer.marginal, marginal, rtol=1e-9, atol=1e-13)
    assert math.isclose(answer.log_evidence, math.log(total), rel_tol=1e-9, abs_tol=1e-9)


@settings(max_examples=60, deadline=None)
@given(small_cases())
def test_severity_is_the_distribution_of_the_worst_active_consequence(case: SmallCase) -> None:
    reasoner, answer = ask(case.network, case.present, case.absent, case.excluded)
    prior = np.where(case.excluded, 0.0, case.network.prior)
    worst = np.zeros(4)
    for on, weight, off in joint_states(case.network, prior):
        p = weight * np.prod(1.0 - off[list(case.present)]) * np.prod(off[list(case.absent)])
        levels = [level + 1 for level in range(3) if (reasoner.groups[level] & on).any()]
        worst[max(levels, default=0)] += p
    assert np.allclose(answer.severity, worst / worst.sum(), atol=1e-9)


@settings(max_examples=60, deadline=None)
@given(small_cases())
def test_weights_are_what_leaving_one_finding_out_changes(case: SmallCase) -> None:
    _, answer = ask(case.network, case.present, case.absent)
    weights = answer.weight
    assert weights is not None
    _, full = brute(case.network, case.network.prior, case.present, case.absent)
    for row, f in enumerate(case.present + case.absent):
        _, without = brute(
            case.network,
            case.network.prior,
            [x for x in case.present if x != f],
            [x for x in case.absent if x != f],
        )
        odds = np.log(full / (1.0 - full)) - np.log(without / (1.0 - without))
        assert np.allclose(weights[row], odds, rtol=1e-6, atol=1e-7)


@pytest.mark.parametrize("seed", range(12))
def test_equals_pyagrum_on_random_networks(seed: int) -> None:
    rng = np.random.default_rng(seed)
    network = random_network(rng, 40, 60, int(rng.integers(3, 12)))
    chosen = rng.permutation(60)
    count = int(rng.integers(1, 10))
    present, absent = (
        tuple(sorted(map(int, chosen[:count]))),
        tuple(sorted(map(int, chosen[count : count + 8]))),
    )
    _, answer = ask(network, present, absent)
    marginal, evidence = agrum_posterior(network, present, absent)
    assert answer.exact
    assert np.abs(answer.marginal - marginal).max() <= 1e-9
    assert math.isclose(math.exp(answer.log_evidence), evidence, rel_tol=1e-9)


def test_keeps_its_digits_where_inclusion_and_exclusion_loses_them() -> None:
    rng = np.random.default_rng(150)
    network = random_network(rng, 150, 300, 12)
    present = tuple(sorted(int(f) for f in rng.choice(300, 12, replace=False)))
    _, answer = ask(network, present)
    marginal, _ = agrum_posterior(network, present, ())
    assert answer.exact
    assert np.abs(answer.marginal - marginal).max() <= 1e-9


@settings(max_examples=80, deadline=None)
@given(small_cases())
def test_bounds_hold_where_the_exact_sum_is_not_allowed(case: SmallCase) -> None:
    _, answer = ask(case.network, case.present, case.absent, case.excluded, exact_width=1, lane_width=1)
    prior = np.where(case.excluded, 0.0, case.network.prior)
    _, marginal = brute(case.network, prior, case.present, case.absent)
    assert np.all(answer.low <= marginal + 1e-9)
    assert np.all(answer.high >= marginal - 1e-9)
    assert np.all((answer.low <= answer.marginal + 1e-12) & (answer.marginal <= answer.high + 1e-12))
    if answer.exact:
        assert not answer.left_out
    else:
        assert answer.left_out


def test_a_case_that_is_too_large_says_so_and_ends() -> None:
    rng = np.random.default_rng(7)
    network = random_network(rng, 120, 100, 50)
    _, answer = ask(network, tuple(range(30)))
    assert not answer.exact
    assert len(answer.left_out) > 0
    assert np.all((answer.low >= 0.0) & (answer.high <= 1.0) & (answer.low <= answer.high))


def test_findings_nobody_mentioned_change_nothing() -> None:
    rng = np.random.default_rng(5)
    network = random_network(rng, 20, 30, 6)
    smaller = Network.build(network.prior, network.background[:10], network.strength[:10])
    _, wide = ask(network, (1, 3), (2,))
    _, narrow = ask(smaller, (1, 3), (2,))
    assert np.array_equal(wide.marginal, narrow.marginal)


def test_no_evidence_gives_the_priors() -> None:
    _, answer = ask(WORKED, ())
    assert np.array_equal(answer.marginal, WORKED.prior)


@pytest.mark.parametrize(
    ("prior", "background", "strength"),
    [(1.0, 0.1, 0.5), (0.1, -0.1, 0.5), (0.1, 0.1, 1.0), (math.nan, 0.1, 0.1)],
)
def test_probabilities_out_of_range_are_refused(prior: float, background: float, strength: float) -> None:
    with pytest.raises(ValueError, match="must lie in"):
        Network.build(np.array([prior]), np.array([background]), np.array([[strength]]))


def test_order_of_findings_and_causes_does_not_matter() -> None:
    rng = np.random.default_rng(11)
    network = random_network(rng, 12, 12, 5)
    turned = Network.build(network.prior[::-1], network.background[::-1], network.strength[::-1, ::-1])
    for present in itertools.combinations(range(12), 4):
        _, one = ask(network, present)
        _, other = ask(turned, tuple(sorted(11 - f for f in present)))
        assert np.allclose(one.marginal, other.marginal[::-1], rtol=1e-10)
        break
