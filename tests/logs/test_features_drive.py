"""Features of a log: clutch and tyres; signals that jump; crankcase, vacuum and speed at idle."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.logs.features import drive as drive_features
from engine.logs.features import signals
from engine.logs.stretch import Stretch
from tests.logs.drive import Drive, logged, look, sound, with_holes

IDS = [one.id for one in (*drive_features.FEATURES, *signals.FEATURES)]
FLARES = "engine_speed_flares_in_gear_logged"
SPINS = "tyre_slip_on_rollers_logged"
DISAGREE = "wheel_speeds_disagree_seen_logged"
JUMPS = "throttle_reading_jumps_logged"
CRANKCASE = "crankcase_pressure_high_logged"
VACUUM = "idle_vacuum_weak_logged"
FAST_IDLE = "high_idle_logged"


def driven(clutch: float = 0.0, tyres: float = 0.0, scale: float = 1.0, jumps: float = 0.0) -> Drive:
    """A car whose clutch or tyres slip by a share in the upper half of each pull."""
    made = sound(5)
    road = made["road_speed"].copy()
    wheels = scale * road
    for span in made.pulls:
        upper = np.linspace(0.0, 1.0, len(span)) > 0.5
        wheels[span.slice] *= 1.0 + tyres * upper
        # Wheels that spin take the engine with them.
        made["engine_speed"][span.slice] *= (1.0 + clutch * upper) * (1.0 + tyres * upper)
    for at in range(1500, road.size - 200, 700):
        made["throttle"][at : at + 6] += jumps
    made.channels |= {
        "driven_wheel_speed": wheels,
        "undriven_wheel_speed": road,
        "crankcase_pressure": 0.4 * np.clip(made["boost"] / 150.0, 0.0, 1.0),
    }
    return made


@pytest.mark.parametrize("feature_id", IDS)
@pytest.mark.parametrize("hertz", [10, 20, 50, 100])
def test_a_sound_car_shows_nothing(feature_id: str, hertz: int) -> None:
    assert not look(logged(driven(), hertz, seed=hertz, rounded={"road_speed": 1.0}), feature_id).events


@pytest.mark.parametrize("hertz", [10, 20, 50, 100])
@pytest.mark.parametrize(
    ("feature_id", "made"),
    [
        (FLARES, driven(clutch=0.1)),
        (SPINS, driven(tyres=0.15)),
        (DISAGREE, driven(scale=1.15)),
        (JUMPS, driven(jumps=40.0)),
    ],
    ids=[FLARES, SPINS, DISAGREE, JUMPS],
)
def test_each_fault_is_found(feature_id: str, made: Drive, hertz: int) -> None:
    if feature_id == JUMPS and hertz == 10:
        pytest.skip("a jump of 0.06 s falls between the samples of a slow logger")
    assert look(logged(made, hertz, seed=hertz), feature_id).events


@settings(max_examples=10, deadline=None)
@given(slips=st.tuples(st.floats(0.0, 0.2), st.floats(0.0, 0.2)))
def test_slip_is_what_was_put_in(slips: tuple[float, float]) -> None:
    for slip in slips:
        clutch = look(logged(driven(clutch=slip), 50, noise=0.0), FLARES).largest
        tyres = look(logged(driven(tyres=slip), 50, noise=0.0), SPINS).largest
        assert clutch == pytest.approx(100.0 * slip, abs=1.0)
        assert tyres == pytest.approx(100.0 * slip, abs=1.0)


def test_tyres_that_spin_are_not_the_clutch_where_the_driven_wheels_are_logged() -> None:
    assert not look(logged(driven(tyres=0.2), 20), FLARES).events


def test_a_wheel_of_another_size_is_not_slip() -> None:
    assert not look(logged(driven(scale=1.15), 20), SPINS).events


@pytest.mark.parametrize(("pressure", "told"), [(6.0, True), (0.8, False)])
def test_crankcase_pressure_on_boost(pressure: float, told: bool) -> None:
    made = driven()
    made.channels["crankcase_pressure"] = pressure * np.clip(made["boost"] / 100.0, 0.0, 1.0)
    found = look(logged(made, 20), CRANKCASE)
    assert bool(found.events) == told
    assert found.chances >= 3


@pytest.mark.parametrize(("vacuum", "told"), [(-38.0, True), (-62.0, False)])
def test_vacuum_at_warm_idle_only(vacuum: float, told: bool) -> None:
    made = driven()
    made["boost"][made.idle.slice] = vacuum
    assert bool(look(logged(made, 20), VACUUM).events) == told
    made.channels["coolant_temperature"] = np.full(made["boost"].size, 30.0)
    assert look(logged(made, 20), VACUUM).chances == 0


@pytest.mark.parametrize(("speed", "told"), [(1240.0, True), (900.0, False)])
def test_fast_idle(speed: float, told: bool) -> None:
    made = driven()
    made["engine_speed"][made.idle.slice] = speed
    assert bool(look(logged(made, 20), FAST_IDLE).events) == told


def test_a_foot_that_stabs_is_no_jump() -> None:
    made = driven()
    for at in range(1500, made["throttle"].size - 200, 700):
        made["throttle"][at : at + 60] += 40.0 * np.sin(np.linspace(0.0, np.pi, 60))
    assert not look(logged(made, 50), JUMPS).events


@settings(max_examples=6, deadline=None)
@given(seed=st.integers(0, 1000))
def test_short_holes_change_nothing(seed: int) -> None:
    assert look(with_holes(logged(driven(clutch=0.12), 20, seed=seed), seed), FLARES).events
    assert look(with_holes(logged(driven(tyres=0.2), 20, seed=seed), seed), SPINS).events
    for feature_id in IDS:
        assert not look(with_holes(logged(driven(), 20, seed=seed), seed), feature_id).events


@pytest.mark.parametrize("feature_id", IDS)
def test_nothing_known_shows_nothing(feature_id: str) -> None:
    stretch = logged(driven(0.2, 0.2, 1.2, 40.0), 20)
    blank = {name: np.full(stretch.length, np.nan) for name in stretch.channels}
    assert not look(Stretch(0.0, 0.05, blank, stretch.length), feature_id).events
