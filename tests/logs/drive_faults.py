"""Faults put into the drive of `tests.logs.drive`, each of a size in the unit of its limit."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from tests.logs.drive import STEP_S, Drive, in_pulls, slowed

Fault = Callable[[Drive, float], Drive]


def _arrival(made: Drive, number: int) -> int:
    span = made.pulls[number]
    near = made["boost"][span.slice] >= 0.97 * made["boost_target"][span.slice]
    return span.start + int(np.argmax(near))


def boost_below(made: Drive, size: float) -> Drive:
    """A leak: boost low by `size` from 4000 rpm, the control at its end."""
    in_pulls(made, "boost_duty", lambda values, speed: np.full_like(values, 95.0))
    return in_pulls(made, "boost", lambda values, speed: values - size * np.clip((speed - 3600) / 400, 0, 1))


def boost_low_in_share(made: Drive, size: float) -> Drive:
    """A gate that opens early: all boost in the pull smaller by one factor."""
    return in_pulls(made, "boost", lambda values, speed: values * (1.0 - size / 150.0), settle=False)


def boost_over(made: Drive, size: float) -> Drive:
    """A gate that sticks shut: boost high by `size`, the control at zero."""
    in_pulls(made, "boost_duty", lambda values, speed: np.zeros_like(values))
    return in_pulls(made, "boost", lambda values, speed: values + size)


def boost_spikes(made: Drive, size: float) -> Drive:
    """A peak as boost arrives, over in half a second."""
    for number in range(len(made.pulls)):
        start = _arrival(made, number)
        time = np.arange(200) * STEP_S
        made["boost"][start : start + 200] += size * np.sin(np.clip(time / 0.6, 0, 1) * np.pi)
    return made


def boost_creeps(made: Drive, size: float) -> Drive:
    """A gate too small: boost climbs with speed by `size` up to the red line."""
    return in_pulls(made, "boost", lambda values, speed: values + size * (speed - 4000.0) / 2800.0)


def boost_falls(made: Drive, size: float) -> Drive:
    """A turbocharger at the end of its flow."""
    return in_pulls(made, "boost", lambda values, speed: values - size * np.clip((speed - 5000) / 1800, 0, 1))


def boost_swings(made: Drive, size: float) -> Drive:
    """A control that hunts twice a second, by `size` peak to peak."""
    for span in made.pulls:
        time = np.arange(len(span)) * STEP_S
        made["boost"][span.slice] += 0.5 * size * np.sin(4.0 * np.pi * time) * (time > 1.5)
    return made


def lean(made: Drive, size: float) -> Drive:
    """Lean by `size` in the upper half of each pull."""
    return in_pulls(made, "lambda", lambda values, speed: values + size)


def rich(made: Drive, size: float) -> Drive:
    """Rich by `size` (negative) in the upper half of each pull."""
    return in_pulls(made, "lambda", lambda values, speed: values + size)


def trim_off(made: Drive, size: float) -> Drive:
    """The long-term trim adds `size`."""
    made.channels["fuel_trim_long"] = np.full_like(made["fuel_trim_long"], size)
    return made


def rich_at_lift(made: Drive, size: float) -> Drive:
    """Air is let out behind the air mass meter: rich by `size` for 0.4 s after each lift, no fuel cut."""
    for lift in made.lifts:
        usual = made["lambda"][lift - 5]
        made["lambda"][lift : lift + 150] = usual
        made["lambda"][lift + 20 : lift + 60] = usual - size
    return made


def wideband_late(made: Drive, size: float) -> Drive:
    """A sensor with a lag of `size` seconds (63 per cent)."""
    made.channels["lambda"] = slowed(np.minimum(made["lambda"], 1.1), size)
    return made


def wideband_stuck(made: Drive, size: float) -> Drive:
    """A sensor that stands at one value."""
    made.channels["lambda"] = np.full_like(made["lambda"], 0.9)
    return made


def fuel_lacks_reference(made: Drive, size: float) -> Drive:
    """Fuel pressure that lacks `size` of its rise for each kPa of boost."""
    made.channels["fuel_pressure"] = 300.0 + (1.0 - size) * (made["fuel_pressure"] - 300.0)
    return made


def fuel_falls(made: Drive, size: float) -> Drive:
    """A weak pump: pressure falls with the flow, by `size` at the end of the pull."""
    return in_pulls(
        made,
        "fuel_pressure",
        lambda values, speed: values - size * np.clip((speed - 3500) / 2500, 0, 1),
        False,
    )


def fuel_dips_in_corners(made: Drive, size: float) -> Drive:
    """Fuel runs away from the pickup."""
    for span in made.corners:
        made["fuel_pressure"][span.start + 40 : span.end] -= size
    return made


def duty_reaches(made: Drive, size: float) -> Drive:
    """Injectors too small: duty of `size` at the end of each pull."""
    top = max(float(made["injector_duty"][span.slice].max()) for span in made.pulls)
    made.channels["injector_duty"] = made["injector_duty"] * size / top
    return made


def tank_rises(made: Drive, size: float) -> Drive:
    """The purge valve lets boost into the tank."""
    made.channels["tank_pressure"] = made["tank_pressure"] + size * np.clip(made["boost"] / 150.0, 0.0, 1.0)
    return made


def knocks(made: Drive, size: float) -> Drive:
    """Retard of `size` in one step under load, given back in 1.5 s."""
    for span in made.pulls:
        start = span.start + round(0.6 * len(span))
        made["knock_retard"][start : start + 150] = np.linspace(size, 0.0, 150)
    return made


def knock_at_snap(made: Drive, size: float) -> Drive:
    """A short retard as the throttle opens, and none later."""
    for span in made.pulls:
        made["knock_retard"][span.start + 10 : span.start + 50] = size
    return made


def knock_with_heat(made: Drive, size: float) -> Drive:
    """Each pull hotter than the one before, and more retarded, by `size` from the first to the last."""
    steps = np.linspace(0.0, 1.0, len(made.pulls))
    for step, span in zip(steps.tolist(), made.pulls, strict=True):
        made["intake_temperature"][span.slice] = 30.0 + 25.0 * step
        made["knock_retard"][span.start + 150 : span.end] = size * step
    return made


FAULTS: dict[str, tuple[Fault, float, float]] = {
    "boost_below_target_logged": (boost_below, 22.0, 4.0),
    "overboost_logged": (boost_over, 22.0, 4.0),
    "gate_duty_at_limit_below_target_logged": (boost_below, 22.0, 4.0),
    "gate_duty_at_zero_above_target_logged": (boost_over, 22.0, 4.0),
    "boost_spike_logged": (boost_spikes, 30.0, 3.0),
    "boost_creep_logged": (boost_creeps, 28.0, 3.0),
    "boost_falls_at_high_speed_logged": (boost_falls, 30.0, 5.0),
    "boost_oscillates_logged": (boost_swings, 24.0, 4.0),
    "lean_under_boost_logged": (lean, 0.06, 0.01),
    "rich_under_boost_logged": (rich, -0.08, -0.02),
    "lean_at_idle_and_cruise_logged": (trim_off, 14.0, 3.0),
    "rich_at_idle_and_cruise_logged": (trim_off, -14.0, -3.0),
    "rich_at_throttle_shut_logged": (rich_at_lift, 0.16, 0.0),
    "wideband_slow_or_stuck_logged": (wideband_late, 1.8, 0.25),
    "fuel_pressure_flat_with_boost_logged": (fuel_lacks_reference, 0.9, 0.05),
    "fuel_pressure_falls_at_load_logged": (fuel_falls, 55.0, 3.0),
    "fuel_pressure_dips_in_corners_logged": (fuel_dips_in_corners, 55.0, 4.0),
    "injector_duty_over_limit_logged": (duty_reaches, 92.0, 75.0),
    "tank_pressure_rises_under_boost_logged": (tank_rises, 8.0, 0.5),
    "knock_retard_seen_logged": (knocks, 5.0, 0.0),
    "knock_retard_only_at_shift_logged": (knock_at_snap, 2.0, 0.0),
    "knock_worse_hot_air_logged": (knock_with_heat, 3.0, 0.0),
}
"""For each feature: its fault, a size that must be found, and one that must not be."""
