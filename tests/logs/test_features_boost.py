"""Features of a log: boost."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.logs.features.boost_shape import swings
from engine.logs.stretch import Stretch
from tests.logs import feature_checks as check
from tests.logs.drive import CHANNELS, drive, in_pulls, logged, look, sound
from tests.logs.drive_faults import boost_creeps, boost_falls, boost_low_in_share, boost_over, boost_spikes

IDS = check.ids_of("features.boost") + check.ids_of("features.boost_shape")
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


NO_TARGET = tuple(name for name in CHANNELS if name != "boost_target")


def with_ceiling(stretch: Stretch, kpa: float) -> Stretch:
    """A sensor that ends at `kpa`."""
    channels = {**stretch.channels, "boost": np.minimum(stretch.channels["boost"], kpa)}
    return Stretch(stretch.start_s, stretch.step_s, channels, stretch.length)


@pytest.mark.parametrize("share_kpa", [25.0, 60.0, 110.0])
def test_boost_low_from_the_start_is_below_target(share_kpa: float) -> None:
    found = look(logged(boost_low_in_share(sound(), share_kpa), 20), "boost_below_target_logged")
    assert len(found.events) == 5
    assert found.largest == pytest.approx(share_kpa, abs=8.0)
    assert [event.gear for event in found.events] == [3, 4, 3, 4, 3]


@pytest.mark.parametrize(
    ("seconds", "start_rpm", "top_rpm"), [(20.0, 1500.0, 3600.0), (12.0, 1500.0, 4500.0)]
)
@pytest.mark.parametrize("hertz", [10, 50])
def test_a_turbocharger_that_still_comes_up_is_not_below_target(
    seconds: float, start_rpm: float, top_rpm: float, hertz: int
) -> None:
    made = drive(2, seconds, start_rpm, top_rpm)
    assert not look(logged(made, hertz), "boost_below_target_logged").events


def test_a_target_that_steps_up_gives_the_boost_time() -> None:
    made = sound()
    for span in made.pulls:
        made["boost_target"][span.start + 300 : span.end] += 30.0
        made["boost"][span.start + 300 : span.end] += 30.0 * (
            1.0 - np.exp(-np.arange(len(span) - 300) / 25.0)
        )
    for name in ("boost_below_target_logged", "overboost_logged", "boost_creep_logged"):
        assert not look(logged(made, 20), name).events, name


def test_a_spike_is_no_overboost_and_overboost_is_no_spike() -> None:
    spike = logged(boost_spikes(sound(), 45.0), 20)
    over = logged(boost_over(sound(), 45.0), 20)
    assert look(spike, "boost_spike_logged").events
    assert not look(spike, "overboost_logged").events
    assert look(over, "overboost_logged").events
    assert not look(over, "boost_spike_logged").events


@pytest.mark.parametrize(
    ("fault", "size", "feature_id"),
    [
        (boost_spikes, 30.0, "boost_spike_logged"),
        (boost_creeps, 40.0, "boost_creep_logged"),
        (boost_falls, 45.0, "boost_falls_at_high_speed_logged"),
    ],
)
def test_the_shape_shows_without_a_target(fault: check.Fault, size: float, feature_id: str) -> None:
    assert look(logged(fault(sound(), size), 20, only=NO_TARGET), feature_id).events
    assert not look(logged(sound(), 20, only=NO_TARGET), feature_id).events


def test_boost_that_falls_as_it_is_asked_to_does_not_fall() -> None:
    made = boost_falls(sound(), 40.0)
    made.channels["boost_target"] = np.where(made["throttle"] > 60.0, made["boost"], made["boost_target"])
    assert not look(logged(made, 20), "boost_falls_at_high_speed_logged").events


@pytest.mark.parametrize("hertz", [10, 20, 50, 100])
@pytest.mark.parametrize("only", [CHANNELS, NO_TARGET])
def test_a_sensor_at_the_end_of_its_range_is_told(hertz: int, only: tuple[str, ...]) -> None:
    stretch = with_ceiling(logged(sound(), hertz, only=only, seed=3), 120.0)
    found = look(stretch, "map_frozen_at_ceiling_logged")
    assert len(found.events) == 5
    assert found.events[0].evidence["boost kPa"] == 120.0


def test_boost_that_reads_level_in_coarse_steps_is_not_frozen() -> None:
    for step in (1.0, 2.0, 10.0):
        stretch = logged(sound(), 20, noise=0.3, rounded={"boost": step, "boost_target": step})
        assert not look(stretch, "map_frozen_at_ceiling_logged").events
        assert not look(stretch, "boost_below_target_logged").events


def test_full_boost_at_a_small_throttle_is_told() -> None:
    made = sound()
    for span in made.corners:
        made["boost"][span.slice] = 148.0
    assert look(logged(made, 20), "boost_full_at_part_throttle_logged").events
    assert not look(logged(sound(), 20), "boost_full_at_part_throttle_logged").events


@settings(max_examples=60, deadline=None)
@given(hertz=st.floats(1.2, 4.0), size=st.floats(0.0, 60.0))
def test_the_size_of_a_swing_is_peak_to_peak(hertz: float, size: float) -> None:
    made = sound()
    for span in made.pulls:
        time = np.arange(len(span)) * 0.01
        made["boost"][span.slice] += 0.5 * size * np.sin(2.0 * np.pi * hertz * time) * (time > 1.0)
    found = look(logged(made, 50, noise=0.0), "boost_oscillates_logged")
    assert found.largest == pytest.approx(size, abs=4.0 + 0.1 * size)


@given(st.lists(st.floats(-100, 100), max_size=60), st.floats(0.5, 50))
def test_swings_turn_and_are_large_enough(values: list[float], least: float) -> None:
    points = swings(np.array(values), least)
    steps = np.diff([values[place] for place in points])
    assert points == sorted(points)
    assert (np.abs(steps) >= least - 1e-9).all()
    assert (steps[1:] * steps[:-1] < 0).all()


def test_more_boost_than_asked_at_a_lift_is_no_overboost() -> None:
    made = in_pulls(sound(), "boost", lambda values, speed: values)
    for lift in made.lifts:
        # The throttle stays open a moment longer than the target.
        made["boost_target"][lift - 30 : lift] = 20.0
    assert not look(logged(made, 20), "overboost_logged").events
