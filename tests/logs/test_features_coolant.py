"""Features of a log: coolant temperature and pressure."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.logs.features import coolant
from engine.logs.stretch import Floats, Stretch
from tests.logs.drive import look, sound, with_holes
from tests.logs.model import to_stretch
from tests.logs.model_faults import FAULTS, faulty

IDS = [one.id for one in coolant.FEATURES]
STEPS = "coolant_pressure_steps_with_boost_seen_logged"
AT_LOAD = "overheats_at_load_logged"
JUMPS = "temperature_gauge_jumps_logged"
FAST = "coolant_pressure_rises_fast_logged"


def driven(hertz: int = 20, seed: int = 1, **put: Floats | float) -> Stretch:
    """The drive of a sound car with warm coolant at 60 kPa; `put` is added to channels at 100 a second."""
    rng = np.random.default_rng(seed)
    made = sound(3)
    made.channels["coolant_pressure"] = np.full(made["boost"].size, 60.0)
    every = 100 // hertz
    channels = {
        name: (made[name] + put.get(name, 0.0))[::every]
        for name in ("engine_speed", "throttle", "boost", "coolant_temperature", "coolant_pressure")
    }
    for name, spread in (("coolant_pressure", 1.0), ("coolant_temperature", 0.15), ("boost", 1.0)):
        channels[name] = channels[name] + rng.normal(0.0, spread, channels[name].size)
    return Stretch(0.0, 1.0 / hertz, channels, channels["boost"].size)


def with_boost(size: float) -> Floats:
    return size * np.clip(sound(3)["boost"] / 100.0, 0.0, 1.0)


@pytest.mark.parametrize("feature_id", IDS)
@pytest.mark.parametrize("hertz", [10, 20, 50])
def test_a_sound_cooling_system_shows_nothing(feature_id: str, hertz: int) -> None:
    assert not look(driven(hertz, seed=hertz), feature_id).events


@pytest.mark.parametrize("feature_id", IDS)
def test_nothing_known_shows_nothing(feature_id: str) -> None:
    good = driven()
    for name in good.channels:
        blank = {**good.channels, name: np.full(good.length, np.nan)}
        assert not look(Stretch(0.0, 0.05, blank, good.length), feature_id).events, name
    assert not look(Stretch(0.0, 0.05, {n: v[:2] for n, v in good.channels.items()}, 2), feature_id).events


@settings(max_examples=12, deadline=None)
@given(sizes=st.tuples(st.floats(0.0, 80.0), st.floats(0.0, 80.0)), seed=st.integers(0, 99))
def test_a_larger_step_never_looks_smaller(sizes: tuple[float, float], seed: int) -> None:
    small, large = (
        look(driven(20, seed, coolant_pressure=with_boost(size)), STEPS).largest for size in sorted(sizes)
    )
    assert small is not None
    assert large is not None
    assert large >= small - 1e-9


@settings(max_examples=10, deadline=None)
@given(seed=st.integers(0, 1000))
def test_short_holes_change_nothing(seed: int) -> None:
    assert look(with_holes(driven(20, seed, coolant_pressure=with_boost(30.0)), seed), STEPS).events
    for feature_id in IDS:
        assert not look(with_holes(driven(20, seed), seed), feature_id).events, feature_id


def test_a_step_that_the_heat_explains_is_no_gas() -> None:
    # 4 kPa per kelvin near 105 degC (CoolProp: 3.6 at 100, 4.2 at 105, 4.8 at 110 degC).
    heat = with_boost(4.0)
    assert not look(driven(coolant_temperature=heat, coolant_pressure=4.0 * heat), STEPS).events
    assert look(driven(coolant_pressure=4.0 * heat), STEPS).events


def test_a_long_slow_pull_on_the_rollers_is_a_chance_too() -> None:
    # Boost of this car comes 4.6 s after it has passed 15 kPa; all its pulls were once left out.
    fault = next(one for one in FAULTS if one.id == "coolant_pressure_boost")
    found = look(to_stretch(faulty(30010, fault, 35.0)), STEPS)
    assert found.chances >= 4
    assert found.events


@pytest.mark.parametrize(("rise", "told"), [(32.0, True), (20.0, False)])
def test_too_hot_at_load(rise: float, told: bool) -> None:
    assert bool(look(driven(coolant_temperature=rise), AT_LOAD).events) == told


def test_too_hot_at_idle() -> None:
    assert look(driven(coolant_temperature=32.0), "overheats_at_idle_logged").events


def test_coolant_that_climbs_with_work_is_found() -> None:
    time = np.arange(2400) * 0.05
    channels = {"engine_speed": np.full(2400, 3500.0), "coolant_temperature": 88.0 + 0.5 * time}
    assert look(Stretch(0.0, 0.05, channels, 2400), "coolant_rises_at_load_logged").events
    channels["coolant_temperature"] = 88.0 + 0.1 * time
    assert not look(Stretch(0.0, 0.05, channels, 2400), "coolant_rises_at_load_logged").events


@pytest.mark.parametrize(("times", "told"), [(6, True), (1, False)])
def test_a_gauge_that_jumps(times: int, told: bool) -> None:
    jumps = np.zeros(sound(3)["boost"].size)
    for i in range(times):
        jumps[500 + 300 * i : 520 + 300 * i] = 25.0
    assert bool(look(driven(coolant_temperature=jumps), JUMPS).events) == told


@pytest.mark.parametrize(("size", "told"), [(60.0, True), (8.0, False)])
def test_pressure_that_comes_before_the_heat(size: float, told: bool) -> None:
    time = np.arange(2400) * 0.05
    channels = {
        "engine_speed": np.full(2400, 900.0),
        "coolant_temperature": 20.0 + 0.3 * time,
        "coolant_pressure": size * np.clip(time / 60.0, 0.0, 1.0),
    }
    assert bool(look(Stretch(0.0, 0.05, channels, 2400), FAST).events) == told
