"""What a driver does in a session, on the road or on the rollers: the script that the model car follows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from tests.logs.model_car import Car

Kind = Literal["off", "crank", "idle", "go", "cruise", "pull", "through", "overrun", "corner", "brake"]


@dataclass(frozen=True)
class Phase:
    """One thing that the driver does, until `seconds` are over or `rpm` is reached in `gear`."""

    kind: Kind
    seconds: float = 0.0
    gear: int = 0
    rpm: float = 0.0
    sideways_g: float = 0.0
    throttle: float = 100.0


def script_of(car: Car, *, short: bool = False) -> list[Phase]:
    """Return the session of a car; a `short` one is for the example log: some 80 seconds."""
    rng = np.random.default_rng([car.seed, 2])
    begin = [
        Phase("off", 3.0),
        Phase("crank", float(rng.uniform(0.8, 1.4))),
        Phase("idle", 6.0 if short else float(rng.uniform(9.0, 16.0))),
    ]
    if short:
        return begin + _short(car)
    return begin + (_rollers(car, rng) if car.dyno else _road(car, rng))


def _top(car: Car) -> float:
    return car.redline_rpm - 150.0


def _short(car: Car) -> list[Phase]:
    phases = [Phase("go", gear=3, rpm=2600.0), Phase("cruise", 6.0, gear=3, rpm=2600.0)]
    for number in range(3):
        phases += [
            Phase("pull", gear=3, rpm=_top(car)),
            Phase("overrun", gear=3, rpm=3000.0),
            Phase("cruise", 4.0 + number, gear=3, rpm=2600.0),
        ]
    return phases


def _rollers(car: Car, rng: np.random.Generator) -> list[Phase]:
    gear = int(rng.integers(3, 5))
    start = float(rng.uniform(1900.0, 2500.0))
    phases = [
        Phase("go", gear=gear, rpm=start),
        Phase("cruise", 5.0, gear=gear, rpm=start),
        Phase("cruise", 7.0, gear=gear, rpm=3200.0),
    ]
    for number in range(int(rng.integers(4, 6))):
        phases += [
            Phase("go", gear=gear, rpm=start),
            Phase("cruise", 3.5, gear=gear, rpm=start),
            Phase("pull", gear=gear, rpm=_top(car)),
            Phase("overrun", gear=gear, rpm=start + 500.0),
        ]
        if number == 1:
            phases += [Phase("brake"), Phase("idle", float(rng.uniform(10.0, 20.0)))]
        else:
            phases.append(Phase("cruise", float(rng.uniform(4.0, 9.0)), gear=gear, rpm=start))
    return [*phases, Phase("brake"), Phase("idle", 8.0)]


def _road(car: Car, rng: np.random.Generator) -> list[Phase]:
    def g(least: float = 0.7) -> float:
        return float(rng.uniform(least, 1.15) * rng.choice([-1.0, 1.0]))

    def corner() -> Phase:
        return Phase("corner", float(rng.uniform(3.0, 5.0)), 3, float(rng.uniform(3200, 4600)), g())

    phases = [
        Phase("go", gear=3, rpm=2400.0),
        Phase("cruise", 6.0, gear=3, rpm=2400.0),
        Phase("go", gear=4, rpm=2900.0),
        Phase("cruise", 7.0, gear=4, rpm=2900.0),
    ]
    for number in range(3):
        gear = 3 if number < 2 else 4
        start = float(rng.uniform(2000.0, 2800.0))
        phases += [
            Phase("go", gear=gear, rpm=start),
            Phase("cruise", 3.5, gear=gear, rpm=start),
            Phase("pull", gear=gear, rpm=_top(car)),
            Phase("overrun", gear=gear, rpm=3500.0),
            Phase("go", gear=3, rpm=3600.0),
            corner(),
            corner(),
        ]
    phases += [
        Phase("go", gear=2, rpm=2800.0),
        Phase("through", gear=4, rpm=_top(car)),
        Phase("brake", gear=3, rpm=3400.0),
        corner(),
        Phase("go", gear=4, rpm=2400.0),
        Phase("pull", gear=4, rpm=_top(car)),
        Phase("brake", gear=3, rpm=3600.0),
        corner(),
        Phase("cruise", 6.0, gear=3, rpm=3000.0),
        # A driver's foot that only asks for half.
        Phase("pull", 3.0, gear=3, rpm=5200.0, throttle=float(rng.uniform(40.0, 60.0))),
        Phase("overrun", gear=3, rpm=3600.0),
        Phase("pull", 4.0, gear=3, rpm=5200.0, throttle=float(rng.uniform(31.0, 34.0))),
        Phase("overrun", gear=3, rpm=2000.0),
        Phase("brake"),
        Phase("idle", 9.0),
    ]
    return phases
