"""Boosted petrol cars as they differ from each other, all sound; drawn from a seed.

The ranges are common practice for road cars of 1.2 to 3.5 litres with one turbocharger. What a car logs, how
often and how well, belongs to it: two loggers on the same engine show different things.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

ALWAYS = frozenset(
    {"engine_speed", "throttle", "boost", "lambda", "intake_temperature", "coolant_temperature"}
)
SOMETIMES = {
    "boost_target": 0.75,
    "boost_duty": 0.7,
    "lambda_target": 0.75,
    "pedal": 0.4,
    "fuel_pressure": 0.6,
    "injector_duty": 0.6,
    "injector_pulse": 0.4,
    "fuel_trim_short": 0.6,
    "fuel_trim_long": 0.5,
    "oil_pressure": 0.6,
    "oil_temperature": 0.5,
    "coolant_pressure": 0.25,
    "knock_retard": 0.7,
    "ignition_angle": 0.7,
    "battery_voltage": 0.85,
    "road_speed": 0.8,
    "driven_wheel_speed": 0.3,
    "undriven_wheel_speed": 0.3,
    "gear": 0.5,
    "lateral_acceleration": 0.4,
    "longitudinal_acceleration": 0.4,
    "air_mass_flow": 0.4,
    "tank_pressure": 0.2,
    "crankcase_pressure": 0.2,
    "barometer": 0.3,
    "exhaust_temperature": 0.2,
    "misfire_count": 0.3,
    "cut_active": 0.2,
}


@dataclass(frozen=True)
class Car:
    """A sound car with its logger. Pressures are gauge unless said otherwise."""

    seed: int
    dyno: bool
    displacement_l: float
    cylinders: int
    redline_rpm: float
    idle_rpm: float
    mass_kg: float
    ratios: tuple[float, ...]
    final_drive: float
    tyre_m: float
    shift_s: float
    flat_shift: bool
    air_kpa: float
    air_degc: float
    boost_kpa: float
    boost_taper: float
    target_follows_manifold: bool
    spring_kpa: float
    duty_at_target: float
    duty_most: float
    feed_forward_error: float
    gate_lag_s: float
    turbo_reserve: float
    spool_rpm: float
    spool_width_rpm: float
    spool_s: float
    recirculates: bool
    lambda_full: float
    lambda_error: float
    lambda_delay_s: float
    lambda_lag_s: float
    tip_in_lean: float
    overrun_cut: bool
    trim_long: float
    fuel_base_kpa: float
    fuel_droop_kpa: float
    injector_duty_top: float
    relief_kpa: float
    oil_hot_idle_kpa: float
    oil_hot_degc: float
    coolant_hot_degc: float
    start_degc: float
    thermostat_degc: float
    cooler_effectiveness: float
    cooler_heats_k: float
    compressor_efficiency: float
    cap_kpa: float
    volts: float
    volts_idle_drop: float
    volts_load_drop: float
    knock_flicker: float
    tyre_slip: float
    crankcase_kpa: float
    noise: float
    sample_hz: float
    coarse: bool
    logged: frozenset[str]

    def rpm_per_ms(self, gear: int) -> float:
        """Engine speed [rpm] for each m/s of road speed in a gear, without slip."""
        return self.ratios[gear - 1] * self.final_drive / self.tyre_m * 60.0


def car_of(seed: int, *, dyno: bool | None = None, also_logged: frozenset[str] = frozenset()) -> Car:
    """Return the car of a seed; `also_logged` are channels that its logger has in any case."""
    rng = np.random.default_rng([seed, 1])

    def between(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    displacement = between(1.2, 3.5)
    counts = (3, 4) if displacement < 1.6 else (4, 5) if displacement < 2.4 else (6, 8)
    gears = int(rng.integers(5, 7))
    first, top = between(3.1, 3.8), between(0.75, 0.95)
    # Steps between gears get smaller towards the top, as in most gearboxes.
    share = np.linspace(0.0, 1.0, gears) ** between(0.75, 0.95)
    ratios = tuple(float(r) for r in first * (top / first) ** share)
    boost = between(60.0, 180.0)
    redline = between(6000.0, 7400.0)
    final, tyre, air_kpa = between(3.4, 4.2), between(1.85, 2.1), between(94.0, 102.5)
    # Cars with more torque are heavier or geared longer: in third all pull at some 0.3 to 0.5 g, and on the
    # rollers the brake is set so that a pull takes its time.
    torque = displacement * (1.05 * (air_kpa + boost - 12.0) - 20.0)
    force = torque * ratios[2] * final * 0.9 * 2.0 * np.pi / tyre
    wanted = force / (between(0.28, 0.5) * 9.80665) / 1.12
    mass = float(np.clip(wanted, 1000.0, 2300.0))
    final *= min(1.0, 1.2 * mass / wanted)
    thermostat = between(82.0, 93.0)
    on_dyno = bool(rng.random() < 0.45)
    warm = bool(rng.random() < 0.75)
    air = between(5.0, 33.0)
    start = between(68.0, thermostat) if warm else air + between(0.0, 25.0)
    logged = set(ALWAYS) | {name for name, share in SOMETIMES.items() if rng.random() < share}
    return Car(
        seed=seed,
        dyno=on_dyno if dyno is None else dyno,
        displacement_l=displacement,
        cylinders=int(rng.choice(counts)),
        redline_rpm=redline,
        idle_rpm=between(720.0, 980.0),
        mass_kg=wanted * 1.2 if (on_dyno if dyno is None else dyno) else mass,
        ratios=ratios,
        final_drive=final,
        tyre_m=tyre,
        shift_s=between(0.25, 0.55),
        flat_shift=bool(rng.random() < 0.25),
        air_kpa=air_kpa,
        air_degc=air,
        boost_kpa=boost,
        boost_taper=between(0.0, 0.12),
        target_follows_manifold=bool(rng.random() < 0.5),
        spring_kpa=boost * between(0.45, 0.75),
        duty_at_target=between(30.0, 60.0),
        duty_most=between(92.0, 100.0),
        feed_forward_error=between(-0.15, 0.2),
        gate_lag_s=between(0.04, 0.085),
        turbo_reserve=between(1.3, 1.6),
        spool_rpm=between(2100.0, 3300.0),
        spool_width_rpm=between(150.0, 320.0),
        spool_s=between(0.22, 0.5),
        recirculates=bool(rng.random() < 0.7),
        lambda_full=between(0.77, 0.87),
        lambda_error=between(-0.018, 0.014),
        lambda_delay_s=between(0.03, 0.12),
        lambda_lag_s=between(0.05, 0.18),
        tip_in_lean=between(0.0, 0.1),
        overrun_cut=bool(rng.random() < 0.75),
        trim_long=between(-3.5, 3.5),
        fuel_base_kpa=float(rng.choice([250.0, 300.0, 300.0, 350.0, 400.0])) + between(-8.0, 8.0),
        fuel_droop_kpa=between(0.0, 8.0),
        injector_duty_top=between(48.0, 76.0),
        relief_kpa=between(350.0, 600.0),
        oil_hot_idle_kpa=between(95.0, 190.0),
        oil_hot_degc=between(86.0, 112.0),
        coolant_hot_degc=thermostat + between(1.0, 4.0),
        start_degc=start,
        thermostat_degc=thermostat,
        cooler_effectiveness=between(0.85, 0.93),
        cooler_heats_k=between(1.0, 5.0),
        compressor_efficiency=between(0.68, 0.76),
        cap_kpa=between(90.0, 140.0),
        volts=between(13.7, 14.6),
        volts_idle_drop=between(0.0, 0.25),
        volts_load_drop=between(0.0, 0.2),
        knock_flicker=between(0.0, 1.0),
        tyre_slip=between(0.004, 0.02),
        crankcase_kpa=between(-2.5, 0.6),
        noise=between(0.5, 1.3),
        sample_hz=float(rng.choice([10.0, 20.0, 25.0, 40.0, 50.0, 100.0])),
        coarse=bool(rng.random() < 0.3),
        logged=frozenset(logged) | also_logged,
    )
