"""How the car moves and how boost comes up: a loop over time steps of 10 ms, from the driver to the wheels.

The turbocharger is a first-order lag towards what the exhaust can drive, held by a wastegate with a spring, a
delay of its own and a controller; the manifold fills behind the throttle; the engine's torque follows its
absolute manifold pressure. Handbook statics throughout, simplified: enough that a fault shows as it would.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from engine.logs.stretch import Floats
from tests.logs.model_car import Car
from tests.logs.model_script import Phase

STEP_S = 0.01
GRAVITY = 9.80665
GATE_GAIN = 5.0
LONGEST_PHASE_S = 30.0
COLUMNS = (
    "engine_speed",
    "ground_ms",
    "wheel_ms",
    "gear",
    "throttle",
    "boost",
    "boost_target",
    "boost_duty",
    "cut_active",
    "sideways_g",
    "forward_g",
    "phase",
    "unlocked",
)
MOVING = frozenset(
    {
        "boost_leak",
        "overboost",
        "boost_spike",
        "boost_creep",
        "boost_falls",
        "boost_at_part_throttle",
        "clutch_slip",
        "tyre_slip",
    }
)
"""The faults that change how the car moves or how boost comes up; all others act on what is seen."""

Faults = Mapping[str, float]


@dataclass(frozen=True)
class Driven:
    """What the loop gave, at 100 samples per second; `phases` are the script."""

    columns: Mapping[str, Floats]
    phases: list[Phase]

    def __getitem__(self, name: str) -> Floats:
        return self.columns[name]


def drive(car: Car, phases: list[Phase], faults: Faults) -> Driven:
    """Drive a script and return what happened."""
    loop = _Loop(car, phases, faults)
    rows = loop.run()
    table = np.array(rows, dtype=np.float64)
    return Driven({name: np.ascontiguousarray(table[:, i]) for i, name in enumerate(COLUMNS)}, phases)


class _Loop:
    def __init__(self, car: Car, phases: list[Phase], faults: Faults) -> None:
        self.car, self.phases, self.faults = car, phases, faults
        rng = np.random.default_rng([car.seed, 3])
        self.wander = rng.normal(0.0, 1.0, 200_000).tolist()
        self.rows: list[tuple[float, ...]] = []
        self.rpm = self.ground = self.wheel = 0.0
        self.gear = 0
        self.shift_left = 0.0
        self.throttle = 1.0
        self.turbo = 0.0
        self.manifold = car.air_kpa
        self.gate_sees = 0.0
        self.wound = 0.0
        self.arrived_s = 99.0
        self.was_below = False
        self.foot = 0.0
        self.slip = 0.0
        self.cut_left = 0.0
        self.idle_wave = 0.0
        self.unlocked = 0.0
        self.force = 0.0

    def run(self) -> list[tuple[float, ...]]:
        for number, phase in enumerate(self.phases):
            began = len(self.rows)
            while True:
                at = (len(self.rows) - began) * STEP_S
                if at > LONGEST_PHASE_S or self._over(phase, at):
                    break
                self._step(number, phase, at)
        return self.rows

    def _over(self, phase: Phase, at: float) -> bool:
        if phase.kind in ("off", "crank", "idle", "cruise", "corner"):
            return at >= phase.seconds
        if phase.kind == "go":
            wanted = phase.rpm / self.car.rpm_per_ms(phase.gear)
            return self.gear == phase.gear and self.shift_left <= 0.0 and abs(self.ground - wanted) < 0.35
        if phase.kind == "pull":
            return self.rpm >= phase.rpm or (0.0 < phase.seconds <= at)
        if phase.kind == "through":
            return self.gear == phase.gear and self.rpm >= phase.rpm
        if phase.kind == "overrun":
            return self.rpm <= phase.rpm
        if phase.gear == 0:
            return self.ground <= 0.05
        return self.ground <= phase.rpm / self.car.rpm_per_ms(phase.gear)

    def _step(self, number: int, phase: Phase, at: float) -> None:
        asked, brake_g = self._driver(phase, at)
        fastest = 900.0 if phase.kind in ("pull", "through", "overrun", "brake") else 120.0
        if self.shift_left > 0.0:
            fastest = 900.0
        step = fastest * STEP_S
        self.throttle += min(max(asked - self.throttle, -step), step)
        self._turbo(phase)
        before = self.ground
        self._move(phase, brake_g)
        forward = (self.ground - before) / STEP_S / GRAVITY
        ramp = 0.5
        sideways = 0.0
        if phase.kind == "corner":
            rise = min(1.0, at / ramp, max(0.0, (phase.seconds - at) / ramp))
            sideways = phase.sideways_g * rise
        self.rows.append(
            (
                self.rpm,
                self.ground,
                self.wheel,
                float(self.gear),
                self.throttle,
                self.manifold - self.car.air_kpa,
                self.target,
                self.duty,
                1.0 if self.cut_left > 0.0 else 0.0,
                0.0 if self.car.dyno else sideways,
                0.0 if self.car.dyno else forward,
                float(number),
                self.unlocked,
            )
        )

    def _driver(self, phase: Phase, at: float) -> tuple[float, float]:
        """Return the throttle that is asked for [per cent] and the braking [g]; shifts where that is due."""
        kind, car = phase.kind, self.car
        if kind in ("off", "crank", "idle"):
            self.gear = 0
            return 1.0, 0.0
        if self.shift_left > 0.0:
            return (100.0 if car.flat_shift and kind == "through" else 1.0), 0.0
        if kind == "pull":
            return phase.throttle, 0.0
        if kind == "through":
            if self.rpm >= phase.rpm and self.gear < phase.gear:
                self._shift(self.gear + 1)
            return 100.0, 0.0
        if kind == "overrun":
            return 1.0, 0.12 if at > 1.5 else 0.0
        if kind == "brake":
            return 1.0, self._brake(phase, at)
        return self._hold_speed(phase)

    def _brake(self, phase: Phase, at: float) -> float:
        if phase.gear and self.gear > phase.gear and self.ground * self.car.rpm_per_ms(phase.gear) < 5500.0:
            self._shift(self.gear - 1)
        if not phase.gear and self.gear and self.rpm < 1100.0:
            self.gear = 0
        return min(0.75, 1.6 * at)

    def _hold_speed(self, phase: Phase) -> tuple[float, float]:
        car = self.car
        wanted = phase.rpm / car.rpm_per_ms(phase.gear)
        error = wanted - self.ground
        if self.gear == 0:
            self._shift(1 if self.ground < 3.0 else phase.gear)
            return 1.0, 0.0
        rpm_wheels = self.ground * car.rpm_per_ms(self.gear)
        up = self.gear < phase.gear and (rpm_wheels > 2900.0 or (abs(error) < 0.5 and rpm_wheels > 1500.0))
        down = self.gear > phase.gear and self.ground * car.rpm_per_ms(self.gear - 1) < 4500.0
        if up or down:
            self._shift(self.gear + (1 if up else -1))
            return 1.0, 0.0
        if error < -2.5:
            self.foot = 12.0
            return 1.0, 0.35
        if phase.kind == "go" and error > 1.5:
            self.foot = 15.0
            return (40.0 if car.dyno else 30.0) if self.ground > 4.0 else 18.0, 0.0
        self.foot = min(max(self.foot + 2.2 * error * STEP_S, 2.0), 45.0)
        return min(max(self.foot + 5.0 * error, 1.0), 45.0), 0.0

    def _shift(self, gear: int) -> None:
        self.gear = gear
        self.shift_left = self.car.shift_s

    def _turbo(self, phase: Phase) -> None:
        car, faults = self.car, self.faults
        opened = (1.0 - math.cos(min(self.throttle, 100.0) * math.pi / 200.0)) + 0.005
        demand = 0.10 * self.rpm / 6000.0 / opened
        ratio = max(0.2, 1.0 / math.sqrt(1.0 + demand * demand)) if self.rpm > 60.0 else 1.0
        taper = max(0.0, min(1.0, (self.rpm / car.redline_rpm - 0.72) / 0.28))
        full = car.boost_kpa * (1.0 - car.boost_taper * taper)
        # What the exhaust can drive, ahead of the gate.
        ready = 1.0 / (1.0 + math.exp(-(self.rpm - car.spool_rpm) / car.spool_width_rpm))
        flow = ratio**1.5
        high = max(0.0, (self.rpm - 5200.0) / 2000.0)
        able = (car.boost_kpa * car.turbo_reserve + 15.0) * ready * flow * (1.0 - 0.07 * high)
        wish = min(1.0, max(0.0, (self.throttle - 22.0) / 55.0))
        # At part throttle a sound map asks for no less than the spring alone gives.
        least = 0.0
        if self.throttle > 30.0:
            settles = (max(able, car.spring_kpa) + GATE_GAIN * car.spring_kpa) / (1.0 + GATE_GAIN)
            least = ratio * (car.air_kpa + settles) - car.air_kpa
        self.target = max(full * wish, min(least, full))
        if car.target_follows_manifold and self.throttle <= 30.0:
            self.target = ratio * car.air_kpa - car.air_kpa + 3.0
        leak = faults.get("boost_leak", 0.0)
        if leak:
            left = full - leak * (1.0 + 0.3 * (1.0 - self.rpm / car.redline_rpm))
            able = min(able, ((car.air_kpa + left) / max(ratio, 0.9) - car.air_kpa) * ready)
        falls = faults.get("boost_falls", 0.0)
        if falls:
            start = 0.68 * car.redline_rpm
            lost = falls * max(0.0, (self.rpm - start) / (0.97 * car.redline_rpm - start))
            able = min(able, (full + 6.0 - (6.0 + lost) * min(1.0, lost)) * ready * flow)
        held = self._gate(full, able, ratio)
        late = faults.get("boost_spike", 0.0)
        if late:
            held += (max(held, self._held_for(full + late, able)) - held) * self._late_gate(full, late)
        # A gate acts on a pressure that it sees late; its opening works against the drive.
        self.gate_sees += (self.turbo - self.gate_sees) * STEP_S / car.gate_lag_s
        drive = able - GATE_GAIN * max(0.0, self.gate_sees - held) if able > held else able
        spool = car.spool_s * min(2.5, max(0.7, 3600.0 / max(self.rpm, 900.0)))
        rate = (drive - self.turbo) / (spool if drive > self.turbo or ratio > 0.9 else 1.0)
        self.turbo = max(0.0, self.turbo + rate * STEP_S)
        self._arrive(full)
        # A throttle that shuts lets the pressure ahead of it go back to the inlet, or stand for a moment.
        ahead = self.turbo * (min(1.0, self.throttle / 15.0) if car.recirculates else 1.0)
        wanted = ratio * (car.air_kpa + ahead)
        self.manifold += (wanted - self.manifold) * STEP_S / 0.05

    @staticmethod
    def _held_for(wanted: float, able: float) -> float:
        """Return where the gate must begin to open so that boost settles at `wanted` [kPa]."""
        return wanted - max(0.0, able - wanted) / GATE_GAIN

    def _gate(self, full: float, able: float, ratio: float) -> float:
        """Return the boost [kPa] at which the gate begins to open, the controller having its say."""
        car, faults = self.car, self.faults
        boost = self.manifold - car.air_kpa
        gain = (car.boost_kpa / car.spring_kpa - 1.0) / car.duty_at_target
        self.duty = 0.0
        if self.throttle > 35.0 and self.target > 0.4 * car.spring_kpa:
            error = self.target - boost
            if abs(error) < 60.0 and self.settles:
                self.wound = min(max(self.wound + 1.2 * error * STEP_S, -60.0), 60.0)
            # What the map was found to need at this target, ahead of the throttle.
            ahead = min((car.air_kpa + self.target) / ratio - car.air_kpa, 1.3 * car.boost_kpa)
            forward = max(0.0, self._held_for(ahead, able) / car.spring_kpa - 1.0) / gain
            forward *= 1.0 + car.feed_forward_error
            self.duty = min(max(forward + 0.25 * error + self.wound, 0.0), car.duty_most)
        else:
            self.wound = 0.0
        held = car.spring_kpa * (1.0 + gain * self.duty)
        over = faults.get("overboost", 0.0)
        if over:
            held = max(held, self._held_for(full + over, able))
        creep = faults.get("boost_creep", 0.0)
        if creep:
            start = 0.55 * car.redline_rpm
            climb = creep * (self.rpm - start) / (0.97 * car.redline_rpm - start)
            held = max(held, self._held_for(car.boost_kpa + climb, able))
        stuck = faults.get("boost_at_part_throttle", 0.0)
        if stuck and self.throttle < 65.0:
            held = max(held, stuck * car.boost_kpa)
        return held

    @property
    def settles(self) -> bool:
        """Whether the turbocharger has come up, so that the controller may wind up."""
        return self.arrived_s < 90.0 or self.stalled_s > 0.3

    stalled_s = 0.0
    spiked_s = 99.0
    over_s = 0.0
    target = 0.0
    duty = 0.0

    def _arrive(self, full: float) -> None:
        below = self.turbo < 0.75 * full or self.throttle < 50.0
        if below:
            self.arrived_s = 99.0
            self.was_below = True
        elif self.was_below and self.turbo >= full - 4.0:
            self.was_below = False
            self.arrived_s = 0.0
        elif not self.was_below:
            self.arrived_s = min(self.arrived_s + STEP_S, 89.0)
        near = self.throttle > 70.0 and self.rpm > self.car.spool_rpm + 4.0 * self.car.spool_width_rpm
        self.stalled_s = self.stalled_s + STEP_S if near and self.arrived_s > 90.0 else 0.0

    def _late_gate(self, full: float, size: float) -> float:
        """Return how far the gate still sticks: until boost is over target by `size`, a second at most."""
        if self.was_below or self.throttle < 50.0:
            self.spiked_s = 0.0 if self.turbo > 0.7 * full and self.throttle > 50.0 else 99.0
            self.over_s = 0.0
        if self.turbo > full:
            self.over_s += STEP_S
        if self.spiked_s > 0.0 or self.turbo >= full + 0.85 * size or self.over_s > 0.9:
            self.spiked_s += STEP_S
        return math.exp(-self.spiked_s / 0.12)

    def _move(self, phase: Phase, brake_g: float) -> None:
        car = self.car
        self.cut_left = max(0.0, self.cut_left - STEP_S)
        self.shift_left = max(0.0, self.shift_left - STEP_S)
        self.unlocked = 0.0
        locked = self.gear > 0 and self.shift_left <= 0.0
        torque = self._torque(phase) if self.rpm > 400.0 else 0.0
        force = 0.0
        if locked:
            total = car.ratios[self.gear - 1] * car.final_drive
            force = torque * total * 0.9 * 2.0 * math.pi / car.tyre_m
        rolls = self.ground > 0.02
        drag = 0.36 * self.ground * self.ground + (0.012 * car.mass_kg * GRAVITY if rolls else 0.0)
        # Of rotating parts, more in a low gear.
        inertia = car.mass_kg * (1.04 + (0.03 * car.ratios[self.gear - 1] ** 2 if self.gear else 0.0))
        change = (force - drag - brake_g * car.mass_kg * GRAVITY) / inertia
        self.ground = max(0.0, self.ground + change * STEP_S)
        share = min(1.0, max(0.0, force / (0.55 * car.mass_kg * GRAVITY)))
        self.wheel = self.ground * (1.0 + car.tyre_slip * share + self._fault_slip("tyre_slip", torque))
        self._engine_speed(phase, locked, torque)

    def _fault_slip(self, name: str, torque: float) -> float:
        size = self.faults.get(name, 0.0)
        if not size:
            return 0.0
        # It holds most of the torque, and lets go of what is near the peak.
        most = self.car.displacement_l * (1.05 * (self.car.air_kpa + self.car.boost_kpa - 12.0) - 20.0)
        wanted = size * min(1.0, max(0.0, (torque / most - 0.8) / 0.12))
        self.slip += (wanted - self.slip) * STEP_S / 0.4
        return self.slip

    def _torque(self, phase: Phase) -> float:
        car = self.car
        breathes = 0.85 + 0.2 * math.exp(-(((self.rpm - 4200.0) / 2200.0) ** 2))
        friction = 12.0 + 0.0022 * self.rpm
        burns = not (self.throttle < 3.0 and self.rpm > 1500.0 and car.overrun_cut) and self.cut_left <= 0.0
        indicated = 1.0 * (self.manifold - 12.0) * breathes if burns else -6.0
        return car.displacement_l * (indicated - friction)

    def _engine_speed(self, phase: Phase, locked: bool, torque: float) -> None:
        car = self.car
        count = len(self.rows)
        self.idle_wave += -self.idle_wave * STEP_S / 0.8 + 0.9 * self.wander[count % 200_000] * 1.2
        if phase.kind == "off":
            self.rpm = 0.0
        elif phase.kind == "crank":
            self.rpm += (215.0 - self.rpm) * STEP_S / 0.15
        elif locked:
            wheels = self.wheel * car.rpm_per_ms(self.gear)
            if wheels < 1400.0 and self.gear == 1 and phase.kind == "go":
                self.rpm += (max(1400.0, wheels) - self.rpm) * STEP_S / 0.2
                self.unlocked = 1.0
                return
            slip = self._fault_slip("clutch_slip", torque)
            # The clutch takes up what the shift has left.
            self.rpm += (wheels * (1.0 + slip) - self.rpm) * min(1.0, STEP_S / 0.03)
            if abs(self.rpm - wheels * (1.0 + slip)) > 0.01 * self.rpm:
                self.unlocked = 1.0
        elif self.gear > 0:
            self.unlocked = 1.0
            if car.flat_shift and phase.kind == "through":
                self.cut_left = STEP_S * 2
            wheels = max(self.wheel * car.rpm_per_ms(self.gear), 900.0)
            self.rpm += (wheels - self.rpm) * STEP_S / (0.3 * car.shift_s)
        else:
            self.unlocked = 1.0
            wanted = car.idle_rpm + self.idle_wave
            self.rpm += (wanted - self.rpm) * STEP_S / (0.35 if self.rpm < 1600.0 else 0.7)
