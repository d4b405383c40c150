"""A synthetic car, engine and logger: recordings whose truth is known, to check what is found in logs.

    record(seed)                          # a sound car
    record(seed, {"boost_leak": 30.0})    # the same car with a leak

The physics are in `model_drive` (motion and boost) and `model_channels` (all else), the cars in `model_car`,
the faults and what they should show in `model_faults`. A model is not a car: what real logs bring beside it
is not in it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from engine.logs.resample import even, step_of
from engine.logs.stretch import Floats, Stretch
from tests.logs.model_car import Car, car_of
from tests.logs.model_channels import everything
from tests.logs.model_drive import MOVING, STEP_S, Driven, drive
from tests.logs.model_script import script_of

NOISE = {
    "engine_speed": 6.0,
    "throttle": 0.15,
    "pedal": 0.1,
    "boost": 0.9,
    "boost_duty": 0.1,
    "lambda": 0.005,
    "fuel_pressure": 4.0,
    "injector_duty": 0.4,
    "injector_pulse": 0.04,
    "fuel_trim_short": 0.4,
    "oil_pressure": 5.0,
    "oil_temperature": 0.15,
    "coolant_temperature": 0.15,
    "coolant_pressure": 1.0,
    "intake_temperature": 0.15,
    "ignition_angle": 0.1,
    "battery_voltage": 0.03,
    "road_speed": 0.15,
    "driven_wheel_speed": 0.2,
    "undriven_wheel_speed": 0.2,
    "lateral_acceleration": 0.03,
    "longitudinal_acceleration": 0.03,
    "air_mass_flow": 0.8,
    "tank_pressure": 0.1,
    "crankcase_pressure": 0.12,
    "exhaust_temperature": 2.0,
}
"""Spread of the noise of each sensor, in the kept unit, on a usual logger (common practice)."""

STEPS = {
    "engine_speed": (1.0, 10.0),
    "throttle": (0.1, 0.5),
    "pedal": (0.1, 0.5),
    "boost": (0.1, 1.0),
    "boost_target": (0.1, 1.0),
    "boost_duty": (0.1, 0.5),
    "lambda": (0.001, 0.01),
    "lambda_target": (0.001, 0.01),
    "fuel_pressure": (0.5, 4.0),
    "injector_duty": (0.1, 0.5),
    "injector_pulse": (0.01, 0.05),
    "fuel_trim_short": (0.1, 0.8),
    "fuel_trim_long": (0.1, 0.8),
    "oil_pressure": (0.5, 4.0),
    "oil_temperature": (0.1, 1.0),
    "coolant_temperature": (0.1, 1.0),
    "coolant_pressure": (0.1, 1.0),
    "intake_temperature": (0.1, 1.0),
    "knock_retard": (0.1, 0.35),
    "ignition_angle": (0.1, 0.5),
    "battery_voltage": (0.01, 0.1),
    "road_speed": (0.1, 1.0),
    "driven_wheel_speed": (0.1, 0.5),
    "undriven_wheel_speed": (0.1, 0.5),
    "gear": (1.0, 1.0),
    "lateral_acceleration": (0.01, 0.02),
    "longitudinal_acceleration": (0.01, 0.02),
    "air_mass_flow": (0.1, 1.0),
    "tank_pressure": (0.01, 0.1),
    "crankcase_pressure": (0.01, 0.1),
    "barometer": (0.1, 1.0),
    "exhaust_temperature": (1.0, 1.0),
    "misfire_count": (1.0, 1.0),
    "cut_active": (1.0, 1.0),
}
"""Resolution of a fine and of a coarse logger, in the kept unit (common practice)."""


NEVER_NEGATIVE = frozenset(
    {"throttle", "pedal", "boost_duty", "injector_duty", "injector_pulse", "road_speed", "air_mass_flow"}
    | {"driven_wheel_speed", "undriven_wheel_speed", "engine_speed"}
)


@dataclass(frozen=True)
class Recording:
    """A log whose truth is known: times [s], and the logged channels in the units of ``kb/channels.yaml``."""

    car: Car
    time: Floats
    channels: Mapping[str, Floats]


def record(
    seed: int,
    faults: Mapping[str, float] | None = None,
    *,
    also_logged: frozenset[str] = frozenset(),
    dyno: bool | None = None,
    start: str | None = None,
    short: bool = False,
    sample_hz: float | None = None,
) -> Recording:
    """Return what the logger of the car of `seed` recorded of a session with `faults` (name to size).

    `also_logged` are channels that it has in any case, `start` forces the engine "warm" or "cold" at first.
    """
    car = car_of(seed, dyno=dyno, also_logged=also_logged)
    if start == "warm" and car.start_degc < 60.0:
        car = replace(car, start_degc=car.thermostat_degc - 4.0)
    if start == "cold":
        car = replace(car, start_degc=min(car.start_degc, car.air_degc + 12.0))
    if sample_hz is not None:
        car = replace(car, sample_hz=sample_hz)
    return recorded(car, faults or {}, short=short)


def _as_driven(car: Car) -> Car:
    """The car without what does not move it."""
    return replace(car, logged=frozenset(), sample_hz=0.0, coarse=False, noise=0.0, start_degc=0.0)


def _of_the_drive(faults: Mapping[str, float]) -> tuple[tuple[str, float], ...]:
    return tuple(sorted((name, size) for name, size in faults.items() if name in MOVING))


@lru_cache(maxsize=4)
def _driven(car: Car, faults: tuple[tuple[str, float], ...], short: bool) -> Driven:
    return drive(car, script_of(car, short=short), dict(faults))


def recorded(car: Car, faults: Mapping[str, float], *, short: bool = False) -> Recording:
    """Return what the logger of a car recorded of a session with `faults`."""
    driven = _driven(_as_driven(car), _of_the_drive(faults), short)
    true = everything(car, driven, faults).channels
    rng = np.random.default_rng([car.seed, 5])
    count = int(np.floor(true["boost"].size * STEP_S * car.sample_hz)) - 1
    time = np.arange(count) / car.sample_hz
    places = np.minimum(np.round(time / STEP_S).astype(np.int64), true["boost"].size - 1)
    channels = {}
    for name in STEPS:
        # Drawn whether logged or not, so that a car stays the same car with another logger.
        noise = rng.normal(0.0, 1.0, count)
        if name not in car.logged:
            continue
        spread: Floats = np.full(count, NOISE.get(name, 0.0) * car.noise)
        if name in ("engine_speed", "air_mass_flow"):
            spread = spread * np.clip(true["engine_speed"][places] / 3000.0, 0.0, 2.0) * 1.2
        step = STEPS[name][int(car.coarse)]
        values = true[name][places] + spread * noise
        if name in NEVER_NEGATIVE:
            values = np.maximum(values, 0.0)
        if name == "boost" and "map_ceiling" in faults:
            values = np.minimum(values, car.boost_kpa - faults["map_ceiling"])
        channels[name] = np.round(values / step) * step
    return Recording(car, time, channels)


def to_stretch(recording: Recording) -> Stretch:
    """Return a recording on an even step, as the reader of logs would."""
    return even(recording.time, recording.channels, step_of(recording.time))
