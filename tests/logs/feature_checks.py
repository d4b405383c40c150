"""What holds for every feature of a log, checked on the drive of `tests.logs.drive`."""

from __future__ import annotations

import numpy as np

from engine.logs.feature import Looked
from engine.logs.looking import features
from engine.logs.stretch import Stretch
from engine.measures.limits import judge
from tests.logs.drive import CHANNELS, feature, limits, logged, look, sound, with_holes
from tests.logs.drive_faults import FAULTS, Fault

__all__ = ["FAULTS", "RATES", "Fault"]

RATES = (10, 20, 50, 100)


def ids_of(module: str) -> list[str]:
    """The features of a module that the drive has a fault for."""
    return [one.id for one in features() if one.look.__module__.endswith(module) and one.id in FAULTS]


def fault_is_found(feature_id: str) -> None:
    """A fault that matters is found at every rate, with evidence and at a time within the log."""
    fault, size, _ = FAULTS[feature_id]
    made = fault(sound(), size)
    for hertz in RATES:
        stretch = logged(made, hertz, seed=hertz)
        found = look(stretch, feature_id)
        assert found.events, hertz
        for event in found.events:
            assert stretch.start_s <= event.start_s <= event.end_s <= stretch.time[-1]
            assert judge(limits(), feature_id, event.size).state == "present"
            assert event.evidence
            assert event.channels
            assert all(stretch.has(name) for name in event.channels)
            assert all(np.isfinite(value) for value in event.evidence.values())
        assert found.largest is not None
        assert found.chances >= 1


def small_fault_is_not(feature_id: str) -> None:
    """A deviation as any sound car has it is not reported."""
    fault, _, size = FAULTS[feature_id]
    made = fault(sound(), size)
    for hertz in RATES:
        assert not look(logged(made, hertz, seed=hertz + 1), feature_id).events, hertz


def sound_car_is_cleared(feature_id: str) -> None:
    """A sound car gives no event, and where a log can clear it, clears it."""
    least = feature(feature_id).least_chances
    for hertz in RATES:
        for noise in (0.0, 1.0):
            found = look(logged(sound(), hertz, noise=noise, seed=hertz), feature_id)
            assert not found.events, (hertz, noise)
            if least is not None:
                # A whole log is several drives: what counts is that each adds chances.
                assert found.chances >= 1
                assert found.largest is not None
                assert judge(limits(), feature_id, found.largest).state == "absent", (hertz, noise)


def holes_change_nothing(feature_id: str, seed: int) -> None:
    """Short holes neither hide a fault nor make one."""
    fault, size, _ = FAULTS[feature_id]
    assert look(with_holes(logged(fault(sound(), size), 20, seed=seed), seed), feature_id).events
    assert not look(with_holes(logged(sound(), 20, seed=seed), seed), feature_id).events


def the_clock_changes_nothing(feature_id: str, start_s: float) -> None:
    """The same log that began later gives the same, later."""
    fault, size, _ = FAULTS[feature_id]
    made = fault(sound(), size)
    now = look(logged(made, 20), feature_id)
    later = look(logged(made, 20, start_s=start_s), feature_id)
    assert [event.size for event in now.events] == [event.size for event in later.events]
    for one, other in zip(now.events, later.events, strict=True):
        assert abs(other.start_s - one.start_s - start_s) < 1e-6 * max(1.0, abs(start_s))


def grows_with_the_fault(feature_id: str, shares: tuple[float, float]) -> None:
    """A larger fault never looks smaller (by more than the noise), and is found if the smaller is."""
    fault, size, _ = FAULTS[feature_id]
    worse = -1.0 if feature(feature_id).smallest_is_worst else 1.0
    small, large = sorted(shares)
    seen = []
    for share in (small, large):
        found: Looked = look(logged(fault(sound(), size * share), 20, noise=0.0), feature_id)
        seen.append((found.largest, bool(found.events)))
    (one, one_found), (other, other_found) = seen
    assert one is not None
    assert other is not None
    assert worse * (other - one) >= -0.02 * abs(size)
    assert other_found or not one_found


def constant_log_is_silent(feature_id: str, level: float, seed: int) -> None:
    """Channels that stand still, whatever they stand at within reason, show nothing that a pull shows."""
    rng = np.random.default_rng(seed)
    count = 400
    channels = {name: np.full(count, level) for name in CHANNELS}
    channels["engine_speed"] = np.full(count, 3000.0)
    channels["throttle"] = np.full(count, 90.0)
    channels["lambda"] = channels["lambda_target"] = np.full(count, 0.85)
    channels["knock_retard"] = channels["fuel_trim_short"] = channels["fuel_trim_long"] = np.zeros(count)
    channels["boost_target"] = channels["boost"] + rng.normal(0.0, 1.0, count)
    assert not look(Stretch(0.0, 0.05, channels, count), feature_id).events


def empty_log_is_silent(feature_id: str) -> None:
    """Nothing known, or next to nothing logged, is no finding and no error."""
    count = 200
    nothing = {name: np.full(count, np.nan) for name in CHANNELS}
    for channels, length in (
        (nothing, count),
        ({name: values[:1] for name, values in nothing.items()}, 1),
        ({name: np.zeros(2) for name in CHANNELS}, 2),
        ({name: np.zeros(count) for name in CHANNELS}, count),
    ):
        found = look(Stretch(0.0, 0.05, channels, length), feature_id)
        assert not found.events
    for name in CHANNELS:
        stretch = logged(sound(), 20)
        blank = {**stretch.channels, name: np.full(stretch.length, np.nan)}
        assert not look(Stretch(0.0, 0.05, blank, stretch.length), feature_id).events, name
