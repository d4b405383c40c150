"""Coolant pressure from a cold start: what warming explains, and what only combustion gas does."""

from __future__ import annotations

from collections.abc import Sequence

from engine.measures.coolant_mix import mixture_density, mixture_vapour_pressure
from engine.measures.cooling import FREEZES_AT, GLYCOL, glycol_caveats, glycol_of
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
from engine.measures.limits import Limits, judge, setting

WINDOW_S = 120.0
"""The first two minutes from cold."""

LIMIT = "coolant_pressure_rise_from_cold"


def pressure_at(when: float, times: Sequence[float], pressures: Sequence[float]) -> float:
    """Return the pressure at a time, on straight lines between readings; units as they are given.

    >>> pressure_at(90.0, [0.0, 60.0, 120.0], [0.0, 10.0, 30.0])
    20.0

    Source: linear interpolation.
    """
    for i in range(1, len(times)):
        if when <= times[i]:
            share = (when - times[i - 1]) / (times[i] - times[i - 1])
            return pressures[i - 1] + share * (pressures[i] - pressures[i - 1])
    return pressures[-1]


def explained_rise(
    air: float, start: float, glycol: float, cold: float, warm: float, coolant: float, space: float
) -> float:
    """Return the rise [Pa] that warming alone makes in a closed system, from a temperature [K] to another.

    ``p = (p0 - pv0) T / T0 Va / (Va - growth) + pv(T)``, with ``growth = Vc (rho0 / rho - 1)``. `air` is the
    air pressure [Pa], `start` the gauge pressure [Pa] when cold, `coolant` and `space` the volumes [m3] of
    coolant and of air above it. An estimate: hoses give, and not all coolant is as warm as the sensor.
    Raises `ValueError` where the growth leaves less than a tenth of the air space.

    >>> round(explained_rise(101_325.0, 0.0, 0.5, 293.15, 313.15, 8e-3, 1e-3) / 1e3, 1)
    21.0

    Source: ideal gas law and Raoult's law; densities of Melinder 2010 as in the library CoolProp.
    """
    growth = coolant * (mixture_density(cold, glycol) / mixture_density(warm, glycol) - 1.0)
    if space - growth < 0.1 * space:
        raise ValueError("the coolant grows by more than the air space")
    dry = air + start - mixture_vapour_pressure(cold, glycol)
    squeezed = dry * warm / cold * space / (space - growth)
    return squeezed + mixture_vapour_pressure(warm, glycol) - air - start


def compute_rise(given: Given) -> Computed:
    """Return the rise in two minutes and over all, and what warming alone would explain."""
    pressures, times = given.many("pressures"), given.many("times")
    if len(pressures) != len(times):
        raise wrong("times", None, f"{len(pressures)} pressures, but {len(times)} times", ("0/40/80/120 s",))
    if list(times) != sorted(set(times)):
        raise wrong("times", None, "each time is later than the one before it", ("0/40/80/120 s",))
    cold, warm = given.optional("cold"), given.optional("warm")
    if cold is not None and warm is not None and warm < cold:
        raise wrong("warm", None, "the coolant does not get colder while the engine runs")
    end = min(times[0] + WINDOW_S, times[-1])
    inside = [p for t, p in zip(times, pressures, strict=True) if t <= end]
    rise = max(*inside, pressure_at(end, times, pressures)) - pressures[0]
    window = end - times[0]
    found = {
        "rise": rise,
        "rate": rise / window,
        "rise_all": max(pressures) - pressures[0],
        "window": window,
    }
    if cold is not None and warm is not None:
        volume, space = given.number("coolant_volume"), given.number("air_space")
        air, glycol = given.number("atmosphere"), glycol_of(given)
        try:
            explained = explained_rise(air, pressures[0], glycol, cold, warm, volume, space)
        except ValueError:
            return found
        found["explained"] = max(0.0, explained)
        found["beyond"] = rise - found["explained"]
    return found


def tell_rise(given: Given, results: Results, limits: Limits) -> Told:
    """Say whether the pressure rises faster than warming explains."""
    rise, doubt = results.value("rise") / 1e3, results.uncertainty("rise") / 1e3
    window = results.value("window")
    limit = limits[LIMIT]
    says = [f"The pressure rose {rise:.0f} kPa within {window:.0f} s of the cold start."]
    caveats = [
        "Cap shut, level right, no pressure left when cold; a system filled to the brim rises by itself."
    ]
    if results.has("explained"):
        says.append(f"Warming explains some {results.value('explained') / 1e3:.0f} kPa of it, an estimate.")
        caveats += glycol_caveats(given)
    elif given.has("warm") and given.has("cold"):
        caveats.append(
            "The coolant grows by more than the air space given; what warming explains is left out."
        )
    cold = given.optional("cold")
    warmest = setting(limit, "cold", "kelvin")
    if cold is None:
        caveats.append("The temperature at the start was not given; only a stone-cold start counts.")
    elif cold > warmest:
        says.append("That was no cold start, so it says nothing of the gasket. Let it cool and repeat.")
        return Told(says=says, caveats=caveats)
    implied = judge(limits, LIMIT, rise, doubt)
    left = 1e3 * setting(limit, "left_at_least", "kPa")
    if implied.state == "present" and results.has("beyond") and results.value("beyond") < left:
        says.append("Warming may explain nearly all of it. Repeat stone cold, with the air space known.")
        return Told(says=says, caveats=caveats)
    if implied.state == "absent" and not _covers(given.many("times"), setting(limit, "clears_after", "s")):
        says.append("Readings from the start to two minutes are needed before this clears the engine.")
        return Told(says=says, caveats=caveats)
    if implied.state == "present":
        says.append(
            "That is combustion gas until shown otherwise: test the coolant for it, then leak-down. No "
            "full-load run before."
        )
    elif implied.state == "absent":
        says.append("That is what warming alone gives.")
    else:
        says.append("That decides nothing: repeat stone cold, or test the coolant for combustion gas.")
    # The rule of the knowledge base knows no doubt, so it sees the reading only where it would say the same.
    cleared_by_rule = judge(limits, LIMIT, rise).state == "absent"
    reported = []
    if implied.state == "absent" or not cleared_by_rule:
        reported.append(Reported("coolant_pressure_rise", round(max(rise, 0.0), 2), "kPa"))
    return Told(says=says, caveats=caveats, findings=[implied], measurements=reported)


def _covers(times: Sequence[float], least: float) -> bool:
    """Return whether readings, none of them a guess between two, reach from the start to the end of it."""
    inside = [t for t in times if t <= times[0] + WINDOW_S]
    return times[0] <= WINDOW_S / 4.0 and inside[-1] - times[0] >= least


MEASURE = Measure(
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
            "Times since the start, one for each pressure",
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
            ("-30 degC", "90 degC"),
            False,
            doubt="2 K",
            example="20 degC",
        ),
        Input(
            "warm",
            "Coolant temperature after two minutes",
            "temperature",
            ("-30 degC", "120 degC"),
            False,
            doubt="2 K",
            valid=("-30 degC", "100 degC"),
            valid_because="densities are known up to 100 degC.",
            example="40 degC",
        ),
        GLYCOL,
        FREEZES_AT,
        Input(
            "coolant_volume",
            "Coolant in the system",
            "volume",
            ("1 L", "40 L"),
            False,
            "8 L",
            doubt="2 L",
            matters_with="warm",
        ),
        Input(
            "air_space",
            "Air above the coolant, when cold",
            "volume",
            ("0.05 L", "10 L"),
            False,
            "1 L",
            doubt="0.3 L",
            matters_with="warm",
            help="The free part of the header tank.",
        ),
    ),
    outputs=(
        Output("rise", "Rise in the first two minutes", "pressure_difference"),
        Output("rate", "The same as a rate", "pressure_rate"),
        Output("explained", "What warming explains", "pressure_difference"),
        Output("beyond", "Rise beyond that", "pressure_difference"),
        Output("rise_all", "Rise over all readings", "pressure_difference"),
        Output("window", "Time that was looked at", "time"),
    ),
    formulas=(
        Formula("explained = (p0 - pv0) T/T0 Va/(Va - growth) + pv - p0", "raoult"),
        Formula("growth = Vc (rho0 / rho - 1)", "melinder_2010"),
        Formula("p_w(T) by IAPWS-IF97, region 4", "iapws_if97"),
    ),
    assumes=(
        "All coolant is as warm as the sensor, and hoses do not give: warming explains less than is shown.",
    ),
    compute=compute_rise,
    tell=tell_rise,
    example={
        "pressures": "0/15/35/55 kPa gauge",
        "times": "0/40/80/120 s",
        "cold": "20 degC",
        "warm": "40 degC",
        "glycol": "50 %",
        "coolant_volume": "8 L",
        "air_space": "1 L",
    },
    cautions=("coolant_scald", "coolant_tester_pressure", "exhaust_gas_co", "moving_belts_fans"),
    limits=(LIMIT,),
    published=(Published("explained", 20.98, 5e-3, "ideal gas law, Raoult, densities of CoolProp; by hand"),),
)
