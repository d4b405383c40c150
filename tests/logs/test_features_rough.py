"""Hard driving of a sound car shows no fault to the features of boost, mixture, fuel and knock."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from engine.logs.looking import features
from engine.logs.segments import segments_of
from engine.logs.stretch import Stretch
from tests.logs.drive import drive, limits, logged, second_order
from tests.logs.rough_drive import Way, rough_drive

MODULES = ("boost", "boost_shape", "mixture", "wideband", "fuel_supply", "knock")
WAYS = [
    Way(target, lifts, limiter, told, traction)
    for target, lifts, (limiter, told), traction in product(
        ("flat", "by_speed", "by_gear"),
        (True, False),
        ((False, True), (True, True), (True, False)),
        (False, True),
    )
]


def seen_in(stretch: Stretch) -> list[str]:
    """The features that show in a stretch."""
    parts = segments_of(stretch)
    return [
        one.id
        for one in features()
        if one.look.__module__.rsplit(".", 1)[-1] in MODULES
        and stretch.has(*one.needs)
        and one.look(stretch, parts, limits()).events
    ]


@pytest.mark.parametrize("hertz", [10, 20, 50])
@pytest.mark.parametrize("way", WAYS[:: len(WAYS) // 12], ids=str)
def test_hard_driving_shows_nothing(way: Way, hertz: int) -> None:
    stretch = rough_drive(way, hertz, seed=hertz)
    assert len(segments_of(stretch).pulls) >= 6
    assert seen_in(stretch) == []


@pytest.mark.parametrize("spool_rpm", [2200.0, 4200.0, 5000.0, 5600.0])
@pytest.mark.parametrize(
    ("seconds", "start", "top"), [(3.0, 3000.0, 7500.0), (9.0, 2500.0, 6800.0), (20.0, 2000.0, 7000.0)]
)
def test_a_late_turbocharger_shows_nothing(
    spool_rpm: float, seconds: float, start: float, top: float
) -> None:
    made = drive(3, seconds, start, top)
    speed, opened = made["engine_speed"], made["throttle"] > 60.0
    ready = 150.0 / (1.0 + np.exp(-(speed - spool_rpm) / 220.0))
    low = np.where(speed < spool_rpm, np.clip((speed - 1500.0) / spool_rpm * 25.0, 0.0, 25.0), 0.0)
    vacuum = -65.0 + 0.6 * np.minimum(made["throttle"], 100.0)
    made.channels["boost"] = second_order(
        np.where(opened, np.maximum(ready, low), vacuum), np.where(opened, 0.35, 0.12)
    )
    made.channels["fuel_pressure"] = 300.0 + made["boost"]
    duty = np.clip(60.0 + 1.5 * (made["boost_target"] - made["boost"]), 0.0, 95.0)
    made.channels["boost_duty"] = np.where(opened, duty, 0.0)
    for hertz in (10, 50):
        assert seen_in(logged(made, hertz, seed=3)) == []


@pytest.mark.parametrize("hertz", [5, 10, 20, 100])
def test_coarse_or_noisy_logs_show_nothing(hertz: int) -> None:
    made = drive(4)
    steps = {"boost": 1.0, "lambda": 0.01, "fuel_pressure": 5.0, "engine_speed": 25.0, "throttle": 1.0}
    coarse = {
        "boost": 10.0,
        "boost_target": 10.0,
        "lambda": 0.02,
        "fuel_pressure": 10.0,
        "engine_speed": 50.0,
    }
    assert seen_in(logged(made, hertz, rounded=steps)) == []
    assert seen_in(logged(made, hertz, noise=0.2, rounded=coarse)) == []
    assert seen_in(logged(made, hertz, noise=2.0)) == []
