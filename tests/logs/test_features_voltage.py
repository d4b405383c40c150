"""Features of a log: system voltage."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.logs.features import voltage
from engine.logs.stretch import Stretch
from tests.logs.drive import Drive, logged, look, sound, with_holes

IDS = [one.id for one in voltage.FEATURES]
SAGS = "voltage_falls_at_load_seen_logged"
LOW = "voltage_low_running_logged"
HIGH = "voltage_too_high_running_logged"


def charged(volts: float = 13.9, sag: float = 0.0) -> Drive:
    """A system at so many volts that loses `sag` in each pull."""
    made = sound(3)
    level = np.full(made["boost"].size, volts)
    for span in made.pulls:
        level[span.slice] -= sag
    made.channels["battery_voltage"] = level
    return made


@pytest.mark.parametrize("feature_id", IDS)
@pytest.mark.parametrize("hertz", [10, 20, 50, 100])
@pytest.mark.parametrize("volts", [13.6, 14.2, 14.8])
def test_a_good_system_is_cleared(feature_id: str, hertz: int, volts: float) -> None:
    found = look(logged(charged(volts, sag=0.15), hertz, seed=hertz), feature_id)
    assert not found.events
    assert found.chances >= 1


@pytest.mark.parametrize("hertz", [10, 20, 50, 100])
@pytest.mark.parametrize(
    ("feature_id", "volts", "sag"), [(SAGS, 14.0, 1.1), (LOW, 12.4, 0.0), (HIGH, 15.6, 0.0)]
)
def test_each_fault_is_found(feature_id: str, volts: float, sag: float, hertz: int) -> None:
    found = look(logged(charged(volts, sag), hertz), feature_id)
    assert found.events
    assert found.events[0].evidence["system voltage V"] == pytest.approx(volts, abs=sag + 0.05)


@settings(max_examples=12, deadline=None)
@given(sags=st.tuples(st.floats(0.0, 3.0), st.floats(0.0, 3.0)))
def test_the_sag_is_what_was_put_in(sags: tuple[float, float]) -> None:
    small, large = (look(logged(charged(14.0, s), 20), SAGS).largest for s in sorted(sags))
    assert small == pytest.approx(min(sags), abs=0.02)
    assert large == pytest.approx(max(sags), abs=0.02)


def test_cranking_and_a_stopped_engine_are_not_low() -> None:
    speed = np.concatenate((np.zeros(100), np.full(30, 220.0), np.full(470, 2000.0)))
    volts = np.concatenate((np.full(100, 12.3), np.full(30, 9.8), np.full(470, 14.0)))
    found = look(Stretch(0.0, 0.1, {"engine_speed": speed, "battery_voltage": volts}, 600), LOW)
    assert not found.events
    assert found.largest == pytest.approx(14.0)


def test_a_24_volt_system_is_not_overcharged() -> None:
    assert not look(logged(charged(28.0), 20), HIGH).events


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 1000))
def test_short_holes_change_nothing(seed: int) -> None:
    assert look(with_holes(logged(charged(14.0, 1.2), 20, seed=seed), seed), SAGS).events
    for feature_id in IDS:
        assert not look(with_holes(logged(charged(), 20, seed=seed), seed), feature_id).events


@pytest.mark.parametrize("feature_id", IDS)
def test_nothing_known_shows_nothing(feature_id: str) -> None:
    stretch = logged(charged(11.0, 2.0), 20)
    blank = {**stretch.channels, "battery_voltage": np.full(stretch.length, np.nan)}
    assert not look(Stretch(0.0, 0.05, blank, stretch.length), feature_id).events
