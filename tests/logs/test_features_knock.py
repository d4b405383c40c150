"""Features of a log: TITLE_knock."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.logs import feature_checks as check
from tests.logs.drive import logged, look, sound

IDS = check.ids_of("features.knock")
each = pytest.mark.parametrize("feature_id", IDS)


@each
def test_a_fault_is_found(feature_id: str) -> None:
    check.fault_is_found(feature_id)


@each
def test_a_small_deviation_is_not_reported(feature_id: str) -> None:
    check.small_fault_is_not(feature_id)


@each
def test_a_sound_car_is_cleared(feature_id: str) -> None:
    check.sound_car_is_cleared(feature_id)


@each
def test_an_empty_log_is_silent(feature_id: str) -> None:
    check.empty_log_is_silent(feature_id)


@each
@settings(max_examples=6, deadline=None)
@given(level=st.floats(-50.0, 200.0), seed=st.integers(0, 99))
def test_a_constant_log_is_silent(feature_id: str, level: float, seed: int) -> None:
    check.constant_log_is_silent(feature_id, level, seed)


@each
@settings(max_examples=6, deadline=None)
@given(seed=st.integers(0, 1000))
def test_holes_change_nothing(feature_id: str, seed: int) -> None:
    check.holes_change_nothing(feature_id, seed)


@each
@settings(max_examples=4, deadline=None)
@given(start_s=st.floats(-1e5, 1e6))
def test_the_clock_changes_nothing(feature_id: str, start_s: float) -> None:
    check.the_clock_changes_nothing(feature_id, start_s)


@each
@settings(max_examples=6, deadline=None)
@given(shares=st.tuples(st.floats(0.0, 2.0), st.floats(0.0, 2.0)))
def test_a_larger_fault_never_looks_smaller(feature_id: str, shares: tuple[float, float]) -> None:
    check.grows_with_the_fault(feature_id, shares)
