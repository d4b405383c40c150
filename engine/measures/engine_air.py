"""Air that an engine takes at full load: as measured, from its power, or from its displacement."""

from __future__ import annotations

from dataclasses import replace

from engine.measures.declare import Given, Input, wrong
from engine.measures.fuels import AIR_PER_FUEL, CONSUMPTION, FUEL, check_consumption
from engine.measures.orifice import GAS_CONSTANT_AIR

MOST_APART = 1.5
"""Two ways to the same air may differ so much; beyond it one of the readings is wrong (common practice)."""


def air_by_power(power: float, consumption: float, mixture: float, air_per_fuel: float) -> float:
    """Return the air [kg/s] behind a power [W] at a specific consumption [kg/J] and a lambda [1].

    ``m = P b lambda L`` with the air that the fuel needs by mass, L [1].

    >>> round(air_by_power(200e3, 340e-3 / 3.6e6, 0.80, 14.573), 4)
    0.2202

    Source: mass balance of the mixture, handbook.
    """
    return power * consumption * mixture * air_per_fuel


def air_by_filling(
    displacement: float, speed_rpm: float, filling: float, pressure: float, temperature: float
) -> float:
    """Return the air [kg/s] that a four-stroke engine takes at a manifold pressure [Pa abs].

    ``m = eta V n / 2 * p / (R T)`` with the displacement [m3], the speed [1/min] and the filling (volumetric
    efficiency against the manifold, dimensionless).

    >>> round(air_by_filling(2.0e-3, 6000.0, 0.9, 250e3, 320.0), 3)
    0.245

    Source: ideal gas law, handbook.
    """
    return filling * displacement * speed_rpm / 60.0 / 2.0 * pressure / (GAS_CONSTANT_AIR * temperature)


def air_at_full_load(given: Given, pressure: float, temperature: float) -> float | None:
    """Return the engine's air [kg/s] by the surest way given, or None where none is.

    A measured flow goes before the power, the power before the displacement. Raises `InputError` for half a
    way, and where two ways contradict each other.
    """
    ways: dict[str, float] = {}
    if (measured := given.optional("engine_flow")) is not None:
        ways["engine_flow"] = measured
    if (power := given.optional("power")) is not None:
        check_consumption(given)
        air_per_fuel = AIR_PER_FUEL[given.choice("fuel")]
        ways["power"] = air_by_power(power, given.number("consumption"), given.number("lambda"), air_per_fuel)
    displacement, speed = given.optional("displacement"), given.optional("speed")
    if (displacement is None) != (speed is None):
        missing, example = ("speed", "6000 rpm") if speed is None else ("displacement", "2.0 L")
        raise wrong(missing, None, "displacement and engine speed go together", (example,))
    if displacement is not None and speed is not None:
        ways["displacement"] = air_by_filling(
            displacement, speed, given.number("filling"), pressure, temperature
        )
    if not ways:
        return None
    if max(ways.values()) > MOST_APART * min(ways.values()):
        told = ", ".join(f"{1e3 * flow:.0f} g/s by {name}" for name, flow in ways.items())
        raise wrong(next(iter(ways)), None, f"the ways to the engine's air contradict each other: {told}")
    return next(iter(ways.values()))


AIR_INPUTS: tuple[Input, ...] = (
    Input(
        "engine_flow",
        "Air that the engine takes at full load",
        "mass_flow",
        ("5 g/s", "2000 g/s"),
        False,
        doubt="10 %",
        example="200 g/s",
    ),
    Input(
        "power",
        "Or: power at full load, at the crankshaft",
        "power",
        ("5 kW", "2000 kW"),
        False,
        doubt="5 %",
        example="200 kW",
    ),
    replace(CONSUMPTION, matters_with="power"),
    Input(
        "lambda",
        "Lambda at full load",
        "ratio",
        ("0.6", "1.2"),
        False,
        "0.80",
        doubt="0.03",
        matters_with="power",
    ),
    replace(FUEL, matters_with="power"),
    Input(
        "displacement", "Or: displacement", "volume", ("0.3 L", "12 L"), False, doubt="1 %", example="2.0 L"
    ),
    Input(
        "speed",
        "and engine speed at full load",
        "engine_speed",
        ("1000 rpm", "15000 rpm"),
        False,
        doubt="2 %",
        example="6000 rpm",
    ),
    Input(
        "filling",
        "Filling against the manifold",
        "ratio",
        ("0.4", "1.3"),
        False,
        "0.9",
        doubt="0.1",
        matters_with="displacement",
    ),
)
"""The readings of `air_at_full_load`."""
