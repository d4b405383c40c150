"""A sound car driven hard: shifts with and without a lift, the limiter, targets that move, traction control.

Everything here is something that a feature could take for a fault and must not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from engine.logs.stretch import Floats, Span, Stretch
from tests.logs.drive import STEP_S, Drive, late, logged, second_order, slowed

RISE_RPM_PER_S = {2: 1500.0, 3: 900.0, 4: 550.0, 5: 350.0}
LIMIT_RPM = 6900.0


@dataclass(frozen=True)
class Way:
    """How the car is driven and what its boost target does: "flat", "by_speed" or "by_gear"."""

    target: str = "flat"
    lifts_to_shift: bool = True
    on_limiter: bool = False
    limiter_logged: bool = True
    traction_control: bool = False


@dataclass
class _Driver:
    """Runs up from gear to gear, then overruns, and again."""

    way: Way
    speed: float = 2500.0
    gear: int = 2
    does: str = "pull"
    since: float = 0.0
    from_speed: float = 0.0

    def step(self, time: float) -> tuple[float, bool]:
        """Go on by one sample; the throttle [per cent] and whether fuel is cut."""
        if self.does == "pull":
            self.speed += (
                RISE_RPM_PER_S[self.gear] * STEP_S * (1.0 - 0.15 * max(0.0, self.speed / 1000.0 - 5.5))
            )
            if self.speed > LIMIT_RPM:
                last = "overrun" if self.gear == 5 else "shift"
                self._go("limiter" if self.way.on_limiter else last, time)
            return 100.0, False
        if self.does == "limiter":
            swing = float(np.sin(time * 40.0))
            self.speed = LIMIT_RPM + 60.0 * swing
            if time - self.since > 1.0:
                self._go("overrun" if self.gear == 5 else "shift", time)
            return 100.0, swing > 0.3
        if self.does == "shift":
            share = min(1.0, (time - self.since) / 0.35)
            self.speed = self.from_speed * (1.0 - 0.28 * share)
            if share >= 1.0:
                self.gear += 1
                self._go("pull", time)
            return (
                5.0 if share < 0.85 else 60.0
            ) if self.way.lifts_to_shift else 100.0, not self.way.lifts_to_shift
        self.speed -= 700.0 * STEP_S
        if self.speed < 2500.0:
            self.gear = 2
            self._go("pull", time)
        return 2.0, False

    def _go(self, does: str, time: float) -> None:
        self.does, self.since, self.from_speed = does, time, self.speed


def _target(way: Way, speed: Floats, gear: Floats) -> Floats:
    if way.target == "by_speed":
        return np.interp(speed, (2000, 3500, 4500, 6000, 7000), (60, 120, 150, 150, 120))
    if way.target == "by_gear":
        return np.interp(gear, (2, 3, 4, 5), (100, 130, 150, 150))
    return np.full(speed.size, 140.0)


def rough_drive(way: Way, hertz: float, seed: int) -> Stretch:
    """A minute of it, as a logger writes it."""
    count = round(60.0 / STEP_S)
    speed, throttle, gear, cut = np.full(count, 900.0), np.full(count, 2.0), np.zeros(count), np.zeros(count)
    cruise = slice(round(5.0 / STEP_S), round(8.0 / STEP_S))
    speed[cruise], throttle[cruise], gear[cruise] = 2500.0, 18.0, 2.0
    driver = _Driver(way)
    for i in range(cruise.stop, count):
        throttle[i], cut[i] = driver.step(i * STEP_S)
        speed[i], gear[i] = driver.speed, driver.gear
    if way.traction_control:
        throttle[(speed > 4000.0) & (speed < 4500.0) & (gear == 2.0)] = 55.0
    throttle = slowed(throttle, 0.05)
    opened = throttle > 50.0
    asked = _target(way, speed, gear)
    ready = np.minimum(asked, 150.0 / (1.0 + np.exp(-(speed - 3100.0) / 250.0)))
    vacuum = -65.0 + 0.6 * np.minimum(throttle, 100.0)
    boost = second_order(
        np.where(opened, ready, vacuum) - 20.0 * slowed(cut, 0.1), np.where(opened, 0.35, 0.1)
    )
    mixture = np.where(boost > 0.0, np.interp(boost, (0.0, 50.0, 150.0), (0.95, 0.88, 0.80)), 1.0)
    burnt = np.where(cut > 0.0, 1.25, late(mixture, 0.15))
    burnt = slowed(np.where((throttle < 4.0) & (speed > 1500.0), 1.4, burnt), 0.1)
    target = np.where(opened, asked, 10.0)
    zeros = np.zeros(count)
    snap = slowed(np.where(np.abs(np.gradient(throttle, STEP_S)) > 150.0, 0.8, 0.0), 0.1)
    channels = {
        "engine_speed": speed,
        "throttle": throttle,
        "boost": boost,
        "boost_target": target,
        "boost_duty": np.where(opened, np.clip(55.0 + 1.5 * (target - boost), 0.0, 95.0), 0.0),
        "lambda": burnt,
        "lambda_target": mixture,
        "fuel_pressure": 300.0 + slowed(boost, 0.06) - 6.0 * np.clip(boost / 150.0, 0.0, 1.0),
        "injector_duty": 0.75 * (boost + 100.0) / 250.0 * speed / 68.0,
        "fuel_trim_short": 2.0 * np.sin(np.arange(count) * 0.02),
        "fuel_trim_long": zeros - 2.0,
        "knock_retard": snap,
        "intake_temperature": 30.0 + 20.0 * np.arange(count) / count,
        "coolant_temperature": zeros + 90.0,
        "tank_pressure": zeros + 0.5,
        "lateral_acceleration": 0.15 * np.sin(np.arange(count) * 0.005),
        "longitudinal_acceleration": np.where(opened, 0.4, np.where(throttle < 4.0, -0.2, 0.0)),
        "gear": gear,
    }
    if way.limiter_logged:
        channels["cut_active"] = cut
    nowhere = Span(0, 1)
    return logged(Drive(channels, [], [], [], nowhere, nowhere), hertz, noise=1.3, seed=seed)
