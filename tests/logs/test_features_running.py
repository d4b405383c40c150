"""Features of a log: how evenly the engine turns, counted misfires, cuts."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.logs.features import running
from engine.logs.features.running import jitter
from engine.logs.stretch import Floats, Stretch
from tests.logs.drive import Drive, logged, look, sound, with_holes
from tests.logs.model import Recording, to_stretch
from tests.logs.model_faults import FAULTS, faulty

IDS = [one.id for one in running.FEATURES]
UNDER_BOOST = "misfire_under_boost_logged"
AT_IDLE = "misfire_at_idle_logged"
COUNTED = "misfires_counted_under_boost_logged"
CUT = "cut_flag_seen_logged"


def counted(per_pull: int = 0, cut_s: float = 0.0) -> Drive:
    """A drive with so many misfires counted in each pull, and a cut of so many seconds at its end."""
    made = sound(3)
    count = np.zeros(made["boost"].size)
    cut = np.zeros(count.size)
    for span in made.pulls:
        places = np.linspace(span.start + 50, span.end - 50, per_pull).astype(np.int64)
        np.add.at(count, places, 1.0)
        cut[span.end - round(cut_s * 100.0) : span.end] = 1.0
    made.channels["misfire_count"], made.channels["cut_active"] = np.cumsum(count), cut
    return made


def notched(made: Drive, size: float, in_pulls: bool) -> Drive:
    """Notches of the engine speed of 0.14 s, two in each second, in the pulls or at idle."""
    for span in made.pulls if in_pulls else [made.idle]:
        for at in range(span.start + 60, span.end - 20, 50):
            made["engine_speed"][at : at + 14] -= size * np.sin(np.linspace(0.0, np.pi, 14))
    return made


@pytest.mark.parametrize("feature_id", IDS)
@pytest.mark.parametrize("hertz", [10, 20, 50, 100])
@pytest.mark.parametrize("step", [1.0, 10.0, 25.0])
def test_an_even_engine_shows_nothing(feature_id: str, hertz: int, step: float) -> None:
    stretch = logged(counted(1), hertz, seed=hertz, rounded={"engine_speed": step})
    assert not look(stretch, feature_id).events


@pytest.mark.parametrize("hertz", [20, 50, 100])
@pytest.mark.parametrize("in_pulls", [True, False])
def test_notches_are_found_without_a_counter(in_pulls: bool, hertz: int) -> None:
    name = UNDER_BOOST if in_pulls else AT_IDLE
    found = look(logged(notched(counted(), 260.0, in_pulls), hertz, seed=hertz), name)
    assert found.events
    other = AT_IDLE if in_pulls else UNDER_BOOST
    assert not look(logged(notched(counted(), 260.0, in_pulls), hertz, seed=hertz), other).events


@pytest.mark.parametrize(("fault_id", "name"), [("misfire_load", UNDER_BOOST), ("misfire_idle", AT_IDLE)])
@pytest.mark.parametrize("seed", [1001, 1003, 1004])
def test_the_model_s_misfires_show_in_the_speed_alone(fault_id: str, name: str, seed: int) -> None:
    fault = next(one for one in FAULTS if one.id == fault_id)
    made = faulty(seed, fault, fault.matter[-1])
    bare = {channel: values for channel, values in made.channels.items() if channel != "misfire_count"}
    assert look(to_stretch(Recording(made.car, made.time, bare)), name).events


@settings(max_examples=12, deadline=None)
@given(sizes=st.tuples(st.floats(0.0, 400.0), st.floats(0.0, 400.0)), in_pulls=st.booleans())
def test_deeper_notches_never_look_smaller(sizes: tuple[float, float], in_pulls: bool) -> None:
    name = UNDER_BOOST if in_pulls else AT_IDLE
    small, large = (
        look(logged(notched(counted(), size, in_pulls), 50, noise=0.0), name).largest
        for size in sorted(sizes)
    )
    assert small is not None
    assert large is not None
    assert large >= small - 1e-6


@given(slope=st.floats(-2000.0, 2000.0), start=st.floats(800.0, 5000.0))
def test_a_straight_run_up_has_no_jitter(slope: float, start: float) -> None:
    speed: Floats = start + slope * np.arange(100, dtype=np.float64) * 0.02
    found = jitter(Stretch(0.0, 0.02, {"engine_speed": speed}, 100), 0.05)
    assert np.nanmax(found) == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize(("count", "told"), [(8, True), (2, False)])
def test_counted_misfires(count: int, told: bool) -> None:
    found = look(logged(counted(count), 20), COUNTED)
    assert bool(found.events) == told
    assert found.largest == count


def test_a_counter_that_starts_again_counts_nothing() -> None:
    made = counted(2)
    for span in made.pulls:
        middle = (span.start + span.end) // 2
        made["misfire_count"][middle:] -= made["misfire_count"][middle]
    found = look(logged(made, 20), COUNTED)
    assert found.largest is not None
    assert found.largest <= 2


def test_a_cut_is_told_with_its_length() -> None:
    found = look(logged(counted(cut_s=0.4), 20), CUT)
    assert found.events
    assert found.largest == pytest.approx(0.4, abs=0.1)
    assert not look(logged(counted(), 20), CUT).events


@settings(max_examples=6, deadline=None)
@given(seed=st.integers(0, 1000))
def test_short_holes_make_nothing(seed: int) -> None:
    for feature_id in IDS:
        assert not look(with_holes(logged(counted(1), 20, seed=seed), seed), feature_id).events


@pytest.mark.parametrize("feature_id", IDS)
def test_nothing_known_shows_nothing(feature_id: str) -> None:
    stretch = logged(notched(counted(9), 300.0, True), 20)
    blank = {name: np.full(stretch.length, np.nan) for name in stretch.channels}
    assert not look(Stretch(0.0, 0.05, blank, stretch.length), feature_id).events
