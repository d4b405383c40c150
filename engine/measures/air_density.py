"""Air density: how thin the air is today, and what height that stands for."""

from __future__ import annotations

from engine.measures.declare import (
    Computed,
    Formula,
    Given,
    Input,
    Measure,
    Output,
    Published,
    Results,
    Told,
    wrong,
)
from engine.measures.limits import Limits
from engine.measures.moist_air import (
    SEA_LEVEL_DENSITY,
    air_density,
    density_height,
    saturation_pressure,
)


def compute(given: Given) -> Computed:
    """Return density, density height, dry pressure, and the air against that of the standard day."""
    pressure, temperature = given.number("atmosphere"), given.number("temperature")
    humidity = given.number("humidity")
    vapour = humidity * saturation_pressure(temperature)
    if vapour >= pressure:
        raise wrong("humidity", None, "there would be more vapour than air")
    density = air_density(pressure, temperature, humidity)
    return {
        "density": density,
        "density_height": density_height(density),
        "dry_pressure": pressure - vapour,
        "share": density / SEA_LEVEL_DENSITY,
    }


def tell(given: Given, results: Results, limits: Limits) -> Told:
    """Say what the air of the day means for a boosted engine."""
    share = 100.0 * results.value("share")
    says = [
        f"The air is {share:.0f} % as dense as on the standard day, "
        f"as at {results.value('density_height'):.0f} m.",
        "An engine held to an absolute boost target works its turbocharger harder in thin air; one held to "
        "gauge boost makes less power.",
    ]
    return Told(says=says)


MEASURE = Measure(
    id="air_density",
    label="Air density and density altitude",
    asks="How dense is the air today, and at which height is the standard atmosphere as thin?",
    inputs=(
        Input(
            "atmosphere",
            "Air pressure at the place, or its height",
            "atmosphere",
            ("50 kPa", "110 kPa"),
            doubt="0.3 kPa",
            help="As a barometer shows it at the place, not reduced to sea level.",
        ),
        Input(
            "temperature",
            "Air temperature",
            "temperature",
            ("-40 degC", "60 degC"),
            valid=("0 degC", "50 degC"),
            valid_because="the vapour formula was checked between these",
            doubt="1 K",
            example="35 degC",
        ),
        Input(
            "humidity",
            "Relative humidity",
            "fraction",
            ("0 %", "100 %"),
            False,
            "0 %",
            doubt="5 %",
            example="60 %",
        ),
    ),
    outputs=(
        Output("density", "Density of the air", "density"),
        Output("density_height", "Height at which the standard atmosphere is as dense", "length", "m"),
        Output("dry_pressure", "Pressure of the dry air", "pressure", reference="absolute"),
        Output("share", "Density against the standard day at sea level", "fraction"),
    ),
    formulas=(
        Formula("rho = (p - pv) / (Rd T) + pv / (Rv T)", "iso_2533"),
        Formula("pv = phi 611.21 exp((18.678 - t/234.5) t / (257.14 + t))", "buck_1981"),
        Formula("H = T0/L (1 - (rho/rho0)^(1/(g/(R L) - 1)))", "iso_2533"),
    ),
    assumes=("Air and vapour are ideal gases; the real density is up to 0.07 % higher.",),
    compute=compute,
    tell=tell,
    example={"atmosphere": "95 kPa", "temperature": "35 degC", "humidity": "60 %"},
    published=(
        Published("density", 1.05956, 5e-4, "library ambiance and CoolProp"),
        Published("density_height", 1485.9, 4e-3, "library ambiance (ISO 2533)"),
    ),
)
