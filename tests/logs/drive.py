"""A short drive of a sound boosted car, drawn from simple curves, for the tests of single features.

Idle, cruise, pulls with a lift after each, corners at part load. No physics beyond what a feature must not be
misled by: a turbocharger that comes up late, a small overshoot, a reading of lambda that comes late, noise.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from engine.loading import default_root, load_source
from engine.logs.feature import Feature, Looked
from engine.logs.looking import features
from engine.logs.segments import segments_of
from engine.logs.stretch import Floats, Span, Stretch
from engine.measures.limits import Limits

STEP_S = 0.01
PLATEAU_KPA = 150.0
CHANNELS = (
    "engine_speed",
    "throttle",
    "boost",
    "boost_target",
    "boost_duty",
    "lambda",
    "lambda_target",
    "fuel_pressure",
    "injector_duty",
    "fuel_trim_short",
    "fuel_trim_long",
    "knock_retard",
    "intake_temperature",
    "coolant_temperature",
    "tank_pressure",
    "lateral_acceleration",
    "longitudinal_acceleration",
    "gear",
    "road_speed",
    "battery_voltage",
)
NOISE = {
    "engine_speed": 8.0,
    "throttle": 0.2,
    "boost": 1.0,
    "boost_duty": 0.5,
    "lambda": 0.005,
    "fuel_pressure": 4.0,
    "injector_duty": 0.5,
    "fuel_trim_short": 1.5,
    "tank_pressure": 0.15,
    "lateral_acceleration": 0.04,
    "longitudinal_acceleration": 0.04,
}


@lru_cache(maxsize=1)
def limits() -> Limits:
    """The limits of the knowledge base."""
    return load_source(default_root()).limits


def feature(feature_id: str) -> Feature:
    """The feature of an id."""
    return next(one for one in features() if one.id == feature_id)


def look(stretch: Stretch, feature_id: str) -> Looked:
    """What a feature sees in a stretch."""
    return feature(feature_id).look(stretch, segments_of(stretch), limits())


@dataclass
class Drive:
    """The channels of a drive at 100 samples per second, before noise, and where its pulls are."""

    channels: dict[str, Floats]
    pulls: list[Span]
    lifts: list[int]
    corners: list[Span]
    idle: Span
    cruise: Span

    def __getitem__(self, name: str) -> Floats:
        return self.channels[name]


@dataclass
class _Maker:
    speed: list[Floats]
    throttle: list[Floats]
    gear: list[Floats]
    sideways: list[Floats]

    def add(
        self, seconds: float, speed: tuple[float, float], throttle: float, gear: int, g: float = 0.0
    ) -> Span:
        start = sum(part.size for part in self.speed)
        count = round(seconds / STEP_S)
        self.speed.append(np.linspace(*speed, count))
        self.throttle.append(np.full(count, throttle))
        self.gear.append(np.full(count, float(gear)))
        self.sideways.append(np.full(count, g))
        return Span(start, start + count)


def drive(pulls: int = 3, pull_s: float = 5.0, start_rpm: float = 2500.0, top_rpm: float = 6800.0) -> Drive:
    """A sound car: idle, cruise, `pulls` runs at full throttle with a lift after each, and corners."""
    maker = _Maker([], [], [], [])
    idle = maker.add(8.0, (850.0, 850.0), 2.0, 0)
    maker.add(3.0, (850.0, start_rpm), 25.0, 3)
    cruise = maker.add(8.0, (start_rpm, start_rpm), 18.0, 4)
    runs, lifts, corners = [], [], []
    for number in range(pulls):
        runs.append(maker.add(pull_s, (start_rpm, top_rpm), 99.0, 3 + number % 2))
        lifts.append(runs[-1].end)
        maker.add(3.0, (top_rpm, start_rpm), 2.0, 3)
        corners.append(maker.add(2.0, (start_rpm, start_rpm + 200), 22.0, 3, 0.9 if number % 2 else -0.9))
        maker.add(3.0, (start_rpm + 200, start_rpm), 20.0, 3)
    speed, throttle = np.concatenate(maker.speed), np.concatenate(maker.throttle)
    count = speed.size
    throttle = slowed(throttle, 0.06)
    opened = throttle > 60.0
    # A throttled engine, and on boost what the exhaust of this speed can bring.
    vacuum = -65.0 + 0.6 * np.minimum(throttle, 100.0)
    ready = PLATEAU_KPA / (1.0 + np.exp(-(speed - 3300.0) / 220.0))
    target = np.where(opened, PLATEAU_KPA, np.minimum(vacuum + 10.0, PLATEAU_KPA))
    boost = second_order(np.where(opened, ready, vacuum), np.where(opened, 0.35, 0.12))
    duty = np.where(opened, np.clip(60.0 + 1.5 * (target - boost), 0.0, 95.0), 0.0)
    asked = np.where(boost > 0.0, np.interp(boost, (0.0, 50.0, 150.0), (0.95, 0.88, 0.80)), 1.0)
    overrun = (throttle < 4.0) & (speed > 1500.0)
    burnt = slowed(np.where(overrun, 1.38, late(asked, 0.15)), 0.1)
    zeros = np.zeros(count)
    forward = np.where(opened, 0.35, np.where(overrun, -0.15, 0.0))
    channels = {
        "engine_speed": speed,
        "throttle": throttle,
        "boost": boost,
        "boost_target": target,
        "boost_duty": duty,
        "lambda": burnt,
        "lambda_target": asked,
        "fuel_pressure": 300.0 + slowed(boost, 0.05),
        "injector_duty": np.clip(0.72 * (boost + 100.0) / 250.0 * speed / 6800.0 * 100.0, 1.0, None),
        "fuel_trim_short": zeros.copy(),
        "fuel_trim_long": zeros + 1.5,
        "knock_retard": zeros.copy(),
        "intake_temperature": zeros + 32.0,
        "coolant_temperature": zeros + 88.0,
        "tank_pressure": zeros + 0.6,
        "lateral_acceleration": slowed(np.concatenate(maker.sideways), 0.1),
        "longitudinal_acceleration": forward,
        "gear": np.concatenate(maker.gear),
        "road_speed": np.where(np.concatenate(maker.gear) > 0, speed / 50.0, 0.0),
        "battery_voltage": zeros + 13.9,
    }
    return Drive(channels, runs, lifts, corners, idle, cruise)


@lru_cache(maxsize=8)
def _kept(pulls: int) -> Drive:
    return drive(pulls)


def sound(pulls: int = 5) -> Drive:
    """A drive of a sound car to put a fault into: a fresh copy of one that is kept."""
    kept = _kept(pulls)
    channels = {name: values.copy() for name, values in kept.channels.items()}
    return replace(kept, channels=channels)


def logged(
    made: Drive,
    hertz: float = 20.0,
    noise: float = 1.0,
    seed: int = 1,
    only: tuple[str, ...] | None = None,
    start_s: float = 0.0,
    rounded: Mapping[str, float] | None = None,
) -> Stretch:
    """The drive as a logger writes it: fewer samples, noise, and perhaps a coarse step."""
    rng = np.random.default_rng(seed)
    every = round(1.0 / hertz / STEP_S)
    channels = {}
    for name in made.channels if only is None else only:
        values = made.channels[name][::every].copy()
        values += rng.normal(0.0, noise * NOISE.get(name, 0.0), values.size) if noise else 0.0
        step = (rounded or {}).get(name)
        channels[name] = np.round(values / step) * step if step else values
    return Stretch(start_s, every * STEP_S, channels, next(iter(channels.values())).size)


def in_pulls(
    made: Drive, name: str, change: Callable[[Floats, Floats], Floats], settle: bool = True
) -> Drive:
    """Change a channel in each pull, by its values and the engine speed; `settle` from 4000 rpm on only."""
    for span in made.pulls:
        values, speed = made[name][span.slice], made["engine_speed"][span.slice]
        changed = change(values, speed)
        made.channels[name][span.slice] = np.where(speed >= 4000.0, changed, values) if settle else changed
    return made


def with_holes(stretch: Stretch, seed: int, share: float = 0.1) -> Stretch:
    """The stretch with single samples and short runs missing in every channel."""
    rng = np.random.default_rng(seed)
    channels = {}
    for name, values in stretch.channels.items():
        holed = values.copy()
        longest = max(2, round(0.3 / stretch.step_s))
        free_from = 0
        for start in np.flatnonzero(rng.random(values.size) < share / 2.0).tolist():
            if start >= free_from:
                end = start + int(rng.integers(1, longest + 1))
                holed[start:end] = np.nan
                free_from = end + longest
        channels[name] = holed
    return Stretch(stretch.start_s, stretch.step_s, channels, stretch.length)


def slowed(values: Floats, tau: float) -> Floats:
    """Follow the values with a first-order lag of `tau` seconds."""
    share = 1.0 - np.exp(-STEP_S / max(tau, 1e-6))
    out = np.empty_like(values)
    state = float(values[0])
    for i, value in enumerate(values.tolist()):
        state += share * (value - state)
        out[i] = state
    return out


def late(values: Floats, seconds: float) -> Floats:
    """Give the values later by `seconds`."""
    count = round(seconds / STEP_S)
    return np.concatenate((np.full(count, values[0]), values[:-count]))


def second_order(values: Floats, tau: Floats) -> Floats:
    """Follow with a damping of 0.8: an overshoot of a few per cent."""
    out = np.empty_like(values)
    state, rate = float(values[0]), 0.0
    for i, (value, time) in enumerate(zip(values.tolist(), tau.tolist(), strict=True)):
        quick = 1.6 / time
        rate += STEP_S * (quick * quick * (value - state) - 2.0 * 0.8 * quick * rate)
        state += STEP_S * rate
        out[i] = state
    return out
