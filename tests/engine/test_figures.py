"""Figures against values worked out by hand."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from engine.figures import Mean, Rate, mean, rate, reliability


def test_the_wilson_interval_of_eight_in_ten() -> None:
    found = rate([True] * 8 + [False] * 2 + [None] * 5)
    assert (found.hits, found.of, found.share) == (8, 10, 0.8)
    assert found.low == pytest.approx(0.4902, abs=1e-4)
    assert found.high == pytest.approx(0.9433, abs=1e-4)


def test_none_of_thirty_is_not_proof_that_there_is_none() -> None:
    found = rate([False] * 30)
    # With no hit the upper end is z^2 / (n + z^2).
    assert found.low == 0.0
    assert found.high == pytest.approx(3.8415 / 33.8415, abs=1e-4)


def test_nothing_expected_has_no_share() -> None:
    assert rate([None, None]) == Rate(hits=0, of=0, share=None, low=None, high=None)
    assert mean([]) is None
    assert mean([3.0]) == Mean(value=3.0, of=1, low=None, high=None)


def test_the_interval_of_a_mean() -> None:
    found = mean([2.0, 3.0, 4.0])
    # The standard deviation is 1, so the reach is 1.96 / sqrt(3).
    assert found is not None
    assert (found.value, found.of) == (3.0, 3)
    assert found.low == pytest.approx(3.0 - 1.1316, abs=1e-4)
    assert found.high == pytest.approx(3.0 + 1.1316, abs=1e-4)


def test_a_reliability_table() -> None:
    table = reliability([(0.05, False), (0.07, True), (0.31, False), (1.0, True), (0.9, True)])
    told = [(row.low, row.high, row.count, row.predicted, row.observed) for row in table]
    assert told == [
        (0.02, 0.1, 2, pytest.approx(0.06), 0.5),
        (0.3, 0.4, 1, 0.31, 0.0),
        (0.9, 1.0, 2, 0.95, 1.0),
    ]


@given(st.lists(st.booleans(), min_size=1, max_size=50))
def test_an_interval_holds_its_share(hits: list[bool]) -> None:
    found = rate(hits)
    assert found.low is not None
    assert found.high is not None
    assert found.share is not None
    assert 0.0 <= found.low <= found.share + 1e-12
    assert found.share - 1e-12 <= found.high <= 1.0
