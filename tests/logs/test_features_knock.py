"""Features of a log: knock retard."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.logs import feature_checks as check
from tests.logs.drive import logged, look, sound
from tests.logs.drive_faults import knock_at_snap, knock_with_heat, knocks

SEEN = "knock_retard_seen_logged"
AT_SHIFT = "knock_retard_only_at_shift_logged"

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


def test_each_event_is_counted_with_speed_boost_and_gear() -> None:
    found = look(logged(knocks(sound(), 5.0), 20), SEEN)
    assert len(found.events) == 5
    assert [event.gear for event in found.events] == [3, 4, 3, 4, 3]
    for event in found.events:
        assert event.evidence["boost kPa"] > 100.0
        assert 4500.0 < event.evidence["engine speed rpm"] < 7000.0


def test_a_log_that_counts_retard_as_negative_shows_the_same() -> None:
    made = knocks(sound(), 5.0)
    usual = look(logged(made, 20), SEEN)
    made.channels["knock_retard"] = -made["knock_retard"]
    turned = look(logged(made, 20), SEEN)
    assert [event.size for event in usual.events] == [event.size for event in turned.events]
    assert all(event.evidence["sign of retard in the log"] == -1.0 for event in turned.events)
    assert all("sign of retard in the log" not in event.evidence for event in usual.events)


def test_retard_only_at_a_snap_is_benign_and_real_knock_beside_it_is_not() -> None:
    snap = logged(knock_at_snap(sound(), 2.0), 20)
    assert look(snap, AT_SHIFT).events
    assert not look(snap, SEEN).events
    both = logged(knock_at_snap(knocks(sound(), 5.0), 2.0), 20)
    assert not look(both, AT_SHIFT).events
    assert look(both, SEEN).events


def test_much_retard_at_a_snap_is_not_benign() -> None:
    snap = logged(knock_at_snap(sound(), 8.0), 20)
    assert look(snap, SEEN).events
    assert not look(snap, AT_SHIFT).events


def test_a_shift_at_full_throttle_is_a_snap() -> None:
    made = sound(2)
    span = made.pulls[0]
    middle = span.start + len(span) // 2
    made["engine_speed"][middle : span.end] -= 1500.0
    made["gear"][middle : span.end] = 4.0
    for at in (middle, made.pulls[1].start):
        made["knock_retard"][at + 5 : at + 35] = 2.5
    stretch = logged(made, 50)
    assert look(stretch, AT_SHIFT).events
    assert not look(stretch, SEEN).events


def test_retard_without_load_is_not_counted() -> None:
    made = sound()
    made["knock_retard"][made.idle.slice] = 6.0
    made["knock_retard"][made.cruise.slice] = 6.0
    assert not look(logged(made, 20), SEEN).events


def test_a_single_wrong_sample_is_no_event() -> None:
    made = sound()
    stretch = logged(made, 20)
    stretch.channels["knock_retard"][made.pulls[0].start // 5 + 50] = 12.0
    assert not look(stretch, SEEN).events


def test_low_retard_is_neither_knock_nor_its_absence() -> None:
    found = look(logged(knocks(sound(), 2.0), 20), SEEN)
    assert not found.events
    assert found.largest == pytest.approx(2.0, abs=0.3)


def test_no_chance_without_boost() -> None:
    made = sound()
    made.channels["boost"] = np.minimum(made["boost"], 20.0)
    assert look(logged(made, 20), SEEN).chances == 0


def test_retard_that_falls_as_the_air_gets_hotter_does_not_follow_it() -> None:
    made = knock_with_heat(sound(), 3.0)
    made.channels["intake_temperature"] = 90.0 - made["intake_temperature"]
    assert not look(logged(made, 20), "knock_worse_hot_air_logged").events
