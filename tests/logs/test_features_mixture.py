"""Features of a log: mixture and the wideband."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.measures.limits import judge
from tests.logs import feature_checks as check
from tests.logs.drive import CHANNELS, in_pulls, limits, logged, look, sound
from tests.logs.drive_faults import lean, rich_at_lift, wideband_stuck

IDS = check.ids_of("features.mixture") + check.ids_of("features.wideband")
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


NO_TARGET = tuple(name for name in CHANNELS if name != "lambda_target")


def test_the_event_tells_gear_speed_and_boost() -> None:
    made = sound()
    for span in made.pulls[1::2]:
        made["lambda"][span.start + 250 : span.end] += 0.08
    found = look(logged(made, 20), "lean_under_boost_logged")
    assert {event.gear for event in found.events} == {4}
    evidence = found.events[0].evidence
    assert evidence["boost kPa"] > 100.0
    assert 4000.0 < evidence["engine speed rpm"] < 7000.0
    assert evidence["lambda"] - evidence["lambda target"] == pytest.approx(0.08, abs=0.02)


def test_without_a_target_only_what_is_lean_for_any_engine_is_told_and_nothing_cleared() -> None:
    for offset, told in ((0.0, False), (0.06, False), (0.18, True)):
        found = look(logged(lean(sound(), offset), 20, only=NO_TARGET), "lean_under_boost_logged")
        assert bool(found.events) == told
        assert found.chances == 0


def test_rich_without_a_target_is_told_far_below_any_use() -> None:
    for offset, told in ((-0.05, False), (-0.16, True)):
        found = look(logged(lean(sound(), offset), 20, only=NO_TARGET), "rich_under_boost_logged")
        assert bool(found.events) == told
        assert found.chances == 0


def test_a_short_lean_moment_as_the_throttle_opens_is_passed_over() -> None:
    made = sound()
    for span in made.pulls:
        made["lambda"][span.start : span.start + 60] += 0.3
    assert not look(logged(made, 20), "lean_under_boost_logged").events


def test_a_cut_is_not_lean() -> None:
    made = in_pulls(sound(), "lambda", lambda values, speed: np.where(speed > 6500.0, 1.8, values))
    assert not look(logged(made, 20), "lean_under_boost_logged").events


def test_a_short_trim_that_swings_about_zero_is_no_trim() -> None:
    made = sound()
    made.channels["fuel_trim_short"] = 14.0 * np.sin(np.arange(made["boost"].size) * 0.06)
    for name in ("lean_at_idle_and_cruise_logged", "rich_at_idle_and_cruise_logged"):
        assert not look(logged(made, 20), name).events


def test_a_cold_engine_is_not_judged_by_its_trims() -> None:
    made = sound()
    made.channels["fuel_trim_long"] = np.full_like(made["boost"], 20.0)
    made.channels["coolant_temperature"] = np.full_like(made["boost"], 30.0)
    assert look(logged(made, 20), "lean_at_idle_and_cruise_logged").chances == 0


def test_trims_at_idle_alone_are_told_as_idle() -> None:
    made = sound()
    made["fuel_trim_long"][made.idle.slice] = 18.0
    found = look(logged(made, 20), "lean_at_idle_and_cruise_logged")
    assert [event.evidence["at idle (1) or cruise (0)"] for event in found.events] == [1.0]


@pytest.mark.parametrize("only", [CHANNELS, NO_TARGET])
def test_a_wideband_that_stands_still_is_told(only: tuple[str, ...]) -> None:
    assert look(logged(wideband_stuck(sound(), 0.0), 20, only=only), "wideband_slow_or_stuck_logged").events


@pytest.mark.parametrize("size", [0.06, 0.1, 0.15, 0.2])
def test_a_lean_engine_is_not_a_slow_wideband(size: float) -> None:
    made = in_pulls(sound(), "lambda", lambda values, speed: values + size, settle=False)
    for hertz in check.RATES:
        assert not look(logged(made, hertz), "wideband_slow_or_stuck_logged").events


def test_one_rich_lift_among_many_is_chance() -> None:
    made = rich_at_lift(sound(), 0.0)
    lift = made.lifts[2]
    made["lambda"][lift + 20 : lift + 60] -= 0.2
    found = look(logged(made, 20), "rich_at_throttle_shut_logged")
    assert not found.events
    assert found.largest is not None
    assert judge(limits(), "rich_at_throttle_shut_logged", found.largest).state == "present"
