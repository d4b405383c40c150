"""The order of the walk and the short walk, against their definitions."""

from __future__ import annotations

from itertools import chain, combinations, pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.inspection.order import Step, before, ordered
from engine.inspection.short import worth_most
from tests.engine.inspection_kb import steps

WAYS = {0: 1.0, 1: 3.0, 2: 2.0, 3: 2.5, 4: 3.0}


@settings(max_examples=300, deadline=None)
@given(steps(most=30))
def test_no_step_before_what_makes_it_safe(walk: list[Step]) -> None:
    found = ordered(walk)
    place = {step.id: i for i, step in enumerate(found)}
    assert sorted(place) == sorted(step.id for step in walk)
    for step in walk:
        for guard in walk:
            if guard.id != step.id and guard.guards & step.activities:
                assert place[guard.id] < place[step.id]


@settings(max_examples=200, deadline=None)
@given(steps(most=30))
def test_stages_come_in_order_and_a_spot_is_visited_once_for_each_guarded_part(walk: list[Step]) -> None:
    found = ordered(walk)
    assert [step.stage for step in found] == sorted(step.stage for step in walk)
    for stage in range(5):
        here = [step for step in found if step.stage == stage]
        visits = sum(a.spot != b.spot for a, b in pairwise(here)) + bool(here)
        if not any(before(step, here) for step in here):
            assert visits == len({step.spot for step in here})


@settings(max_examples=200, deadline=None)
@given(steps(most=30, extras=False))
def test_in_a_spot_what_would_stop_the_job_comes_first(walk: list[Step]) -> None:
    found = ordered(walk)
    for one, other in pairwise(found):
        if one.stage == other.stage and one.spot == other.spot:
            assert one.urgency <= other.urgency


@settings(max_examples=100, deadline=None)
@given(steps(most=20), st.randoms(use_true_random=False))
def test_the_order_is_that_of_the_steps_whatever_theirs(walk: list[Step], random: object) -> None:
    shuffled = sorted(walk, key=lambda step: hash((step.id, str(random))))
    assert ordered(shuffled) == ordered(walk)


def test_steps_that_wait_for_each_other_are_refused() -> None:
    one = Step("a", 0, "inlet", 1.0, frozenset({"sparks"}), frozenset({"open_fuel"}), 0, 1.0)
    other = Step("b", 0, "inlet", 1.0, frozenset({"open_fuel"}), frozenset({"sparks"}), 0, 1.0)
    with pytest.raises(ValueError, match="wait for each other: a, b"):
        ordered([one, other])
    late = Step("c", 3, "inlet", 1.0, frozenset({"running"}), frozenset({"sparks"}), 0, 1.0)
    with pytest.raises(ValueError, match="c makes a safe and stands in a later stage"):
        ordered([one, late])


def cost(chosen: list[Step]) -> float:
    return sum(step.minutes for step in chosen) + sum(WAYS[stage] for stage in {s.stage for s in chosen})


def safe(chosen: list[Step], walk: list[Step]) -> bool:
    ids = {step.id for step in chosen}
    return all(guard.id in ids for step in chosen for guard in before(step, walk))


def best_by_trying(walk: list[Step], minutes: float) -> float:
    subsets = chain.from_iterable(combinations(walk, size) for size in range(len(walk) + 1))
    return max(
        sum(step.worth for step in chosen)
        for chosen in map(list, subsets)
        if cost(chosen) <= minutes and safe(chosen, walk)
    )


@settings(max_examples=150, deadline=None)
@given(steps(most=10), st.integers(1, 40).map(lambda halves: halves / 2))
def test_the_short_walk_is_the_best_of_all_subsets(walk: list[Step], minutes: float) -> None:
    ids, taken = worth_most(walk, WAYS, minutes)
    chosen = [step for step in walk if step.id in ids]
    assert safe(chosen, walk)
    assert taken <= minutes
    assert taken == pytest.approx(cost(chosen))
    assert sum(step.worth for step in chosen) == pytest.approx(best_by_trying(walk, minutes), abs=1e-9)


@settings(max_examples=40, deadline=None)
@given(steps(most=60))
def test_more_time_is_never_worth_less(walk: list[Step]) -> None:
    worth = {step.id: step.worth for step in walk}
    sums = [sum(worth[i] for i in worth_most(walk, WAYS, minutes)[0]) for minutes in (2, 5, 10, 20, 60)]
    assert sums == sorted(sums)
