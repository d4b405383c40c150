"""Cooling: how far the coolant is from boiling, and whether its pressure rises as combustion gas makes it."""

from __future__ import annotations

import math

from engine.measures.declare import (
    ATMOSPHERE,
    Computed,
    Formula,
    Given,
    Input,
    Measure,
    Output,
    Published,
    Reported,
    Results,
    Told,
    wrong,
)
from engine.measures.limits import Limits, judge

GLYCOL_MOLAR = 62.068
WATER_MOLAR = 18.0153
GLYCOL_DENSITY = 1113.0
WATER_DENSITY = 998.2

REGION_4 = (
    1167.0521452767,
    -724213.16703206,
    -17.073846940092,
    12020.82470247,
    -3232555.0322333,
    14.91510861353,
    -4823.2657361591,
    405113.40542057,
    -0.23855557567849,
    650.17534844798,
)


def water_saturation_pressure(temperature: float) -> float:
    """Return the pressure [Pa] at which water boils at a temperature [K], 273 to 647 K.

    >>> round(water_saturation_pressure(373.124))
    101325

    Source: IAPWS-IF97, region 4, equation 30 (coefficients from memory, checked with CoolProp).
    """
    n = REGION_4
    theta = temperature + n[8] / (temperature - n[9])
    a = theta * theta + n[0] * theta + n[1]
    b = n[2] * theta * theta + n[3] * theta + n[4]
    c = n[5] * theta * theta + n[6] * theta + n[7]
    return float(1e6 * (2.0 * c / (-b + math.sqrt(b * b - 4.0 * a * c))) ** 4)


def glycol_saturation_pressure(temperature: float) -> float:
    """Return the vapour pressure [Pa] of ethylene glycol at a temperature [K], 320 to 500 K.

    ``log10 p[kPa] = A - B / (T + C)``. It adds little to that of the water: 0.1 % of it at 130 degC.

    >>> 100_000 < glycol_saturation_pressure(470.5) < 103_000
    True

    Source: Antoine equation fitted from memory to the boiling point of 197.3 degC and 12.2 kPa at 135 degC.
    """
    return float(1e3 * 10.0 ** (7.1459 - 2033.2 / (temperature - 74.8)))


def water_share(glycol_by_volume: float) -> float:
    """Return the mole fraction of water in a mixture with a share of ethylene glycol by volume at 20 degC.

    >>> round(water_share(0.5), 4)
    0.7555
    """
    glycol = glycol_by_volume * GLYCOL_DENSITY / GLYCOL_MOLAR
    water = (1.0 - glycol_by_volume) * WATER_DENSITY / WATER_MOLAR
    return water / (glycol + water)


def boiling_point(pressure: float, glycol_by_volume: float) -> float:
    """Return the temperature [K] at which a water-glycol mixture boils at an absolute pressure [Pa].

    ``x_w p_w(T) + (1 - x_w) p_g(T) = p`` (Raoult).

    >>> round(boiling_point(101_325.0 + 103e3, 0.5) - 273.15, 1)
    129.7

    Source: Raoult's law; within 0.2 K of modified UNIFAC at equal volumes.
    """
    x = water_share(glycol_by_volume)
    low, high = 280.0, 520.0
    for _ in range(60):
        middle = (low + high) / 2.0
        over = x * water_saturation_pressure(middle) + (1.0 - x) * glycol_saturation_pressure(middle)
        low, high = (middle, high) if over < pressure else (low, middle)
    return (low + high) / 2.0


def compute_boiling(given: Given) -> Computed:
    """Return the boiling points with the cap's pressure and without it, and the margins."""
    air, cap, glycol = given.number("atmosphere"), given.number("cap"), given.number("glycol")
    boils, bare = boiling_point(air + cap, glycol), boiling_point(air, glycol)
    found = {"boils": boils, "boils_without_cap": bare, "worth_of_cap": boils - bare}
    coolant = given.optional("temperature")
    if coolant is not None:
        found["margin"] = boils - coolant
        found["margin_without_cap"] = bare - coolant
    return found


def tell_boiling(given: Given, results: Results, limits: Limits) -> Told:
    """Say how much is in hand, and what a weak cap would take."""
    says = [
        f"It boils at {results.value('boils') - 273.15:.0f} degC under the cap, at "
        f"{results.value('boils_without_cap') - 273.15:.0f} degC without."
    ]
    caveats = [
        "Hot spots in the head boil first: keep some 10 K in hand at the sensor. The cap may be tired."
    ]
    if results.has("margin"):
        margin = results.value("margin")
        says.append(f"{margin:.0f} K in hand at the temperature read.")
        if margin < 10.0:
            says.append("Too little for a full-load run: cool down, then pressure-test cap and system.")
        elif results.value("margin_without_cap") < 0.0:
            says.append("Only the cap keeps it from boiling: never open it hot, and test it before the run.")
    return Told(says=says, caveats=caveats)


def compute_rise(given: Given) -> Computed:
    """Return the rise over the time, in two minutes, and what warming alone would explain."""
    pressures, times = given.many("pressures"), given.many("times")
    if len(pressures) != len(times) or list(times) != sorted(set(times)):
        raise wrong("times", None, "each pressure needs a time, and the times rise")
    span = times[-1] - times[0]
    inside = [(t, p) for t, p in zip(times, pressures, strict=True) if t - times[0] <= 120.0]
    rise = max(p for _, p in inside) - pressures[0]
    window = max(t for t, _ in inside) - times[0]
    if window <= 0.0:
        raise wrong("times", None, "the first two minutes hold one reading only")
    found = {"rise": rise, "rate": rise / window, "rise_all": max(pressures) - pressures[0], "span": span}
    cold, warm = given.optional("cold"), given.optional("warm")
    if cold is not None and warm is not None:
        # Vapour and the air above the coolant; the coolant's own growth into the air space is left out.
        air = given.number("atmosphere")
        x = water_share(given.number("glycol"))
        dry = air - x * water_saturation_pressure(cold)
        found["explained"] = max(0.0, dry * warm / cold + x * water_saturation_pressure(warm) - air)
    return found


def tell_rise(given: Given, results: Results, limits: Limits) -> Told:
    """Say whether the pressure rises faster than warming explains."""
    rise = results.value("rise") / 1e3
    says = [f"The pressure rose {rise:.0f} kPa in the first two minutes from cold."]
    implied = judge(limits, "coolant_pressure_rise_from_cold", rise, results.uncertainty("rise") / 1e3)
    if results.has("explained"):
        explained = results.value("explained") / 1e3
        says.append(f"Warming of air and vapour explains some {explained:.0f} kPa of it.")
    if implied.state == "present":
        says.append("That is combustion gas until shown otherwise: test the coolant for it, then leak-down.")
    caveats = ["Start cold, cap shut, level right; a system that was filled to the brim rises by itself."]
    reported = [Reported("coolant_pressure_rise", round(max(rise, 0.0), 2), "kPa")]
    return Told(says=says, caveats=caveats, findings=[implied], measurements=reported)


GLYCOL = Input(
    "glycol",
    "Glycol share by volume",
    "fraction",
    ("0 %", "95 %"),
    False,
    "50 %",
    doubt="5 %",
    valid=("0 %", "70 %"),
    valid_because="coolant is made for 40 to 70 % at most (ASTM D3306)",
)

MEASURES = (
    Measure(
        id="boiling_margin",
        label="Boiling margin of the coolant",
        asks="How far is the coolant from boiling under this cap, at this height?",
        inputs=(
            ATMOSPHERE,
            Input(
                "cap",
                "Opening pressure of the cap, above the air",
                "pressure_difference",
                ("0 kPa", "250 kPa"),
                doubt="5 kPa",
                example="103 kPa",
            ),
            GLYCOL,
            Input(
                "temperature",
                "Coolant temperature",
                "temperature",
                ("-20 degC", "180 degC"),
                False,
                doubt="2 K",
                example="105 degC",
            ),
        ),
        outputs=(
            Output("boils", "Boils under the cap at", "temperature"),
            Output("boils_without_cap", "Boils without its pressure at", "temperature"),
            Output("worth_of_cap", "Worth of the cap", "temperature_difference"),
            Output("margin", "In hand", "temperature_difference"),
            Output("margin_without_cap", "In hand without the cap", "temperature_difference"),
        ),
        formulas=(
            Formula("x_w p_w(T) + (1 - x_w) p_g(T) = air + cap (Raoult)", "raoult"),
            Formula("p_w(T) by IAPWS-IF97, region 4", "iapws_if97"),
        ),
        assumes=("Ethylene glycol and water, well mixed; other bases boil a little lower.",),
        compute=compute_boiling,
        tell=tell_boiling,
        example={"cap": "103 kPa", "glycol": "50 %", "temperature": "105 degC"},
        cautions=("coolant_scald",),
        published=(
            Published("boils", 129.8, 0.012, "library thermo, modified UNIFAC (within 1.5 K)"),
            Published("boils_without_cap", 107.9, 0.014, "library thermo, modified UNIFAC (within 1.5 K)"),
        ),
    ),
    Measure(
        id="coolant_pressure_rise",
        label="Rise of coolant pressure from cold",
        asks="Does the coolant's pressure rise faster than warming explains?",
        inputs=(
            ATMOSPHERE,
            Input(
                "pressures",
                "Pressures from a cold start on",
                "pressure",
                ("-20 kPa", "400 kPa"),
                reference="gauge",
                doubt="2 kPa",
                many=True,
                at_least=2,
                at_most=500,
                example="0/15/35/55 kPa gauge",
            ),
            Input(
                "times",
                "Times since the start",
                "time",
                ("0 s", "3600 s"),
                many=True,
                at_least=2,
                at_most=500,
                example="0/40/80/120 s",
            ),
            Input(
                "cold",
                "Coolant temperature at the start",
                "temperature",
                ("-30 degC", "60 degC"),
                False,
                doubt="2 K",
                example="20 degC",
            ),
            Input(
                "warm",
                "and after two minutes",
                "temperature",
                ("-30 degC", "130 degC"),
                False,
                doubt="2 K",
                example="40 degC",
            ),
            GLYCOL,
        ),
        outputs=(
            Output("rise", "Rise in the first two minutes", "pressure_difference"),
            Output("rate", "The same as a rate", "pressure_rate"),
            Output("explained", "What warming explains", "pressure_difference"),
            Output("rise_all", "Rise over all readings", "pressure_difference"),
        ),
        formulas=(
            Formula("explained = (air - pv(cold)) Twarm/Tcold + pv(warm) - air", "raoult"),
            Formula("p_w(T) by IAPWS-IF97, region 4", "iapws_if97"),
        ),
        assumes=("The air above the coolant keeps its volume; a full system squeezes it and rises more.",),
        compute=compute_rise,
        tell=tell_rise,
        example={
            "pressures": "0/15/35/55 kPa gauge",
            "times": "0/40/80/120 s",
            "cold": "20 degC",
            "warm": "40 degC",
        },
        cautions=("coolant_scald", "coolant_tester_pressure"),
        limits=("coolant_pressure_rise_from_cold",),
        published=(
            Published("rise", 55.0, 1e-6, "the readings"),
            Published("explained", 10.3, 0.05, "ideal gas law and library CoolProp, worked by hand"),
        ),
    ),
)
