"""The most probable explanations against a full enumeration."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given, settings

from engine.elimination import walk
from engine.explanations import explain
from engine.plan import make_plan
from tests.engine.networks import SmallCase, joint_states, random_network, small_cases


@settings(max_examples=120, deadline=None)
@given(small_cases())
def test_equals_full_enumeration(case: SmallCase) -> None:
    network, present = case.network, case.present
    plan = make_plan(network, present)
    log_evidence = float(walk(plan, network.prior[None, plan.engaged], 0).log_evidence[0])
    found = explain(network, present, network.prior, log_evidence)
    linked = {c for f in present for c in network.parents[f]}
    shares: dict[tuple[int, ...], float] = {}
    for on, weight, off in joint_states(network, network.prior):
        key = tuple(sorted(c for c in linked if on[c]))
        p = weight * float(np.prod(1.0 - off[list(present)])) / math.exp(log_evidence)
        shares[key] = shares.get(key, 0.0) + p
    wanted = sorted(shares.values(), reverse=True)[:3]
    assert found.proven
    assert np.allclose([e.probability for e in found.best], wanted, rtol=1e-8)
    for explanation in found.best:
        assert math.isclose(shares[explanation.causes], explanation.probability, rel_tol=1e-8)


def test_a_search_that_stops_early_says_so() -> None:
    rng = np.random.default_rng(2)
    network = random_network(rng, 200, 200, 100)
    present = tuple(range(40))
    found = explain(network, present, network.prior, 0.0)
    assert not found.proven
    assert len(found.best) == 3
