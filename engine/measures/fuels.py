"""Fuels: the readings that injectors and pump share, and what a fuel can at best make of its mass."""

from __future__ import annotations

from engine.measures.declare import Given, Input, wrong

BEST_PETROL = 250e-3 / 3.6e6
"""Specific consumption [kg/J] that a petrol engine hardly betters at full load (common practice)."""

AIR_PER_FUEL: dict[str, float] = {"petrol": 14.573, "e85": 9.799, "methanol": 6.472}
"""Air that each needs by mass, at 20.95 % oxygen: CH1.85; E85 by volume, 745 and 789 kg/m3; CH4O."""


def least_consumption(fuel: str) -> float:
    """Return the specific consumption [kg/J] that an engine cannot be below on a fuel.

    ``b = b_petrol AFR_petrol / AFR``: the same air gives about the same work, so the fuel goes with the
    air that it needs.

    >>> [round(3.6e9 * least_consumption(fuel)) for fuel in ("petrol", "e85", "methanol")]
    [250, 372, 563]

    Source: element balance (20.95 % oxygen); the best petrol figure is common practice.
    """
    return BEST_PETROL * AIR_PER_FUEL["petrol"] / AIR_PER_FUEL[fuel]


def check_consumption(given: Given) -> None:
    """Raise `InputError` where the specific consumption is that of another fuel."""
    fuel, consumption = given.choice("fuel"), given.number("consumption")
    least = least_consumption(fuel)
    if consumption < least:
        shown = f"{3.6e9 * consumption:.0f} g/kWh"
        usual = {"petrol": "340 g/kWh", "e85": "500 g/kWh", "methanol": "760 g/kWh"}[fuel]
        message = f"no engine does it on {fuel} with less than some {3.6e9 * least:.0f} g/kWh"
        raise wrong("consumption", shown, message, (usual,))


FUEL = Input(
    "fuel",
    "Fuel",
    "choice",
    needed=False,
    default="petrol",
    choices={"petrol": "Petrol, up to a tenth ethanol", "e85": "E85", "methanol": "Methanol"},
)

CONSUMPTION = Input(
    "consumption",
    "Specific consumption at full load",
    "specific_consumption",
    ("200 g/kWh", "1200 g/kWh"),
    False,
    "340 g/kWh",
    doubt="8 %",
    help="Some 320 to 370 for boosted petrol, 460 to 550 on E85, 700 to 850 on methanol.",
)

DENSITY = Input(
    "density",
    "Density of the fuel",
    "density",
    ("650 kg/m3", "850 kg/m3"),
    False,
    "745 kg/m3",
    doubt="2 %",
    help="Petrol 720 to 775 at 15 degC, E85 about 782, methanol about 792.",
)
