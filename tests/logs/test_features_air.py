"""Features of a log: charge air."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.logs.features import intake_air
from engine.logs.stretch import Floats, Stretch
from tests.logs.drive import Drive, logged, look, sound, with_holes

IDS = [one.id for one in intake_air.FEATURES]
HOT = "charge_air_too_hot_logged"
CLIMBS = "charge_air_climbs_all_through_pull_logged"
BEFORE = "charge_air_hot_before_pull_logged"
ABSURD = "air_temp_reading_implausible_logged"


def heated(before: float = 0.0, rise: float = 0.0, bend: float = 1.0) -> Drive:
    """Charge air warmer by `before` all the time, and by `rise` at the end of each pull."""
    made = sound(3)
    air = made["intake_temperature"] + before
    for span in made.pulls:
        air[span.slice] += rise * np.linspace(0.0, 1.0, len(span)) ** bend
    made.channels["intake_temperature"] = air
    return made


@pytest.mark.parametrize("feature_id", IDS)
@pytest.mark.parametrize("hertz", [10, 20, 50, 100])
@pytest.mark.parametrize("level", [-25.0, 10.0, 32.0, 48.0])
def test_cool_air_shows_nothing(feature_id: str, hertz: int, level: float) -> None:
    stretch = logged(heated(level - 32.0, rise=3.0), hertz, seed=hertz)
    assert not look(stretch, feature_id).events


@pytest.mark.parametrize("hertz", [10, 20, 50, 100])
@pytest.mark.parametrize(
    ("feature_id", "before", "rise"),
    [(HOT, 50.0, 0.0), (CLIMBS, 0.0, 45.0), (BEFORE, 35.0, 0.0), (ABSURD, -72.0, 0.0)],
)
def test_each_fault_is_found(feature_id: str, before: float, rise: float, hertz: int) -> None:
    found = look(logged(heated(before, rise), hertz), feature_id)
    assert found.events
    assert all(event.evidence["charge air degC"] for event in found.events)


def test_the_rise_is_what_was_put_in() -> None:
    found = look(logged(heated(rise=45.0), 20), CLIMBS)
    # From the middle of the first to the middle of the last half second of 5 s.
    assert found.largest == pytest.approx(45.0 * 0.9, abs=1.0)
    assert found.chances == 3


def test_air_that_levels_off_does_not_climb_on() -> None:
    assert not look(logged(heated(rise=60.0, bend=0.08), 20), CLIMBS).events


@settings(max_examples=15, deadline=None)
@given(rises=st.tuples(st.floats(0.0, 90.0), st.floats(0.0, 90.0)))
@pytest.mark.parametrize("feature_id", [HOT, CLIMBS])
def test_more_heat_never_looks_like_less(feature_id: str, rises: tuple[float, float]) -> None:
    small, large = (look(logged(heated(rise=r), 20, noise=0.0), feature_id).largest for r in sorted(rises))
    assert small is not None
    assert large is not None
    assert large >= small - 1e-9


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 1000))
def test_short_holes_change_nothing(seed: int) -> None:
    assert look(with_holes(logged(heated(rise=50.0), 20, seed=seed), seed), CLIMBS).events
    for feature_id in IDS:
        assert not look(with_holes(logged(heated(), 20, seed=seed), seed), feature_id).events


@pytest.mark.parametrize("feature_id", IDS)
def test_nothing_known_shows_nothing(feature_id: str) -> None:
    stretch = logged(heated(rise=50.0), 20)
    air: Floats = np.full(stretch.length, np.nan)
    blank = {**stretch.channels, "intake_temperature": air}
    found = look(Stretch(0.0, 0.05, blank, stretch.length), feature_id)
    assert not found.events
    assert found.largest is None
