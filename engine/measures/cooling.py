"""Cooling: how far the coolant is from boiling, and whether its pressure rises as combustion gas makes it."""

from __future__ import annotations

from collections.abc import Sequence

from engine.measures.coolant_mix import (
    ZERO_CELSIUS_K,
    boiling_point,
    mixture_density,
    mixture_vapour_pressure,
    share_that_freezes_at,
)
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
from engine.measures.limits import Implied, Limits, judge, setting

ASSUMED_GLYCOL = 0.5
"""Ready-mixed coolant is sold at equal volumes (ASTM D3306)."""

APART = 0.15
"""Shares by hand and by refractometer that differ by more than this contradict each other."""

IN_HAND_K = 10.0
"""Hot spots in the head boil before the sensor knows: common practice."""

WINDOW_S = 120.0
"""The first two minutes from cold."""


def glycol_of(given: Given) -> float:
    """Return the share of glycol by volume that was given or follows from the freezing point, else half."""
    typed, freezes = given.optional("glycol"), given.optional("freezes_at")
    if freezes is None:
        return ASSUMED_GLYCOL if typed is None else typed
    share = share_that_freezes_at(freezes)
    if typed is not None and abs(typed - share) > APART:
        message = f"a mixture that freezes at {freezes - ZERO_CELSIUS_K:.0f} degC has {100 * share:.0f} % glycol"
        raise wrong("glycol", f"{100 * typed:.0f} %", message, ("leave out one of the two",))
    return share


def glycol_caveats(given: Given) -> list[str]:
    """Return what is said where the share of glycol was assumed."""
    if given.has("glycol") or given.has("freezes_at"):
        return []
    return [
        "The glycol share was not given; taken as 50 %. Plain water boils some 8 K lower: read it with a "
        "refractometer."
    ]


def compute_boiling(given: Given) -> Computed:
    """Return the boiling points with the cap's pressure and without it, and the margins."""
    air, cap, glycol = given.number("atmosphere"), given.number("cap"), glycol_of(given)
    boils, bare = boiling_point(air + cap, glycol), boiling_point(air, glycol)
    found = {"boils": boils, "boils_without_cap": bare, "worth_of_cap": boils - bare, "share": glycol}
    coolant = given.optional("temperature")
    if coolant is not None:
        found["margin"] = boils - coolant
        found["margin_without_cap"] = bare - coolant
    return found


def tell_boiling(given: Given, results: Results, limits: Limits) -> Told:
    """Say how much is in hand, what a weak cap would take, and whether the mixture is in its range."""
    says = [
        f"It boils at {results.value('boils') - ZERO_CELSIUS_K:.0f} degC under the cap, at "
        f"{results.value('boils_without_cap') - ZERO_CELSIUS_K:.0f} degC with a cap that does not hold."
    ]
    if results.has("margin"):
        says.extend(_in_hand(results.value("margin"), results.value("margin_without_cap")))
    findings: list[Implied] = []
    if given.has("glycol") or given.has("freezes_at"):
        share, doubt = 100.0 * results.value("share"), 100.0 * results.uncertainty("share")
        findings = [judge(limits, f"coolant_glycol_{end}", share, doubt) for end in ("low", "high")]
        if any(implied.state == "present" for implied in findings):
            says.append(f"{share:.0f} % glycol is outside 40 to 70 %: drain some and mix it right.")
    caveats = [
        *glycol_caveats(given),
        f"Hot spots in the head boil first: keep some {IN_HAND_K:.0f} K in hand at the sensor. The figure on "
        "the cap is what it held when new.",
    ]
    return Told(says=says, caveats=caveats, findings=findings)


def _in_hand(margin: float, without_cap: float) -> list[str]:
    if margin < 0.0:
        return [f"It is {-margin:.0f} K above that: it boils, or cap, mixture or sensor are not as typed. Stop."]
    said = [f"{margin:.0f} K in hand at the temperature read."]
    if margin < IN_HAND_K:
        said.append("Too little for a full-load run: let it cool, then test cap and system under pressure.")
    elif without_cap < 0.0:
        said.append("Only the cap keeps it from boiling: never open it hot, and test the cap before the run.")
    elif without_cap < IN_HAND_K:
        said.append(f"A cap that does not hold would leave {without_cap:.0f} K: test it before the run.")
    return said


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
    20.7

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
    rise, doubt, window = results.value("rise") / 1e3, results.uncertainty("rise") / 1e3, results.value("window")
    limit = limits["coolant_pressure_rise_from_cold"]
    says = [f"The pressure rose {rise:.0f} kPa within {window:.0f} s of the cold start."]
    caveats = [
        "Cap shut, level right, no pressure left when cold; a system filled to the brim rises by itself."
    ]
    if results.has("explained"):
        says.append(f"Warming explains some {results.value('explained') / 1e3:.0f} kPa of it, an estimate.")
        caveats += glycol_caveats(given)
    elif given.has("warm") and given.has("cold"):
        caveats.append("The coolant grows by more than the air space given; what warming explains is left out.")
    cold = given.optional("cold")
    warmest = setting(limit, "cold", "kelvin")
    if cold is None:
        caveats.append("The temperature at the start was not given; only a stone-cold start counts.")
    elif cold > warmest:
        says.append("That was no cold start, so it says nothing of the gasket. Let it cool and repeat.")
        return Told(says=says, caveats=caveats)
    implied = judge(limits, limit_id := "coolant_pressure_rise_from_cold", rise, doubt)
    left = 1e3 * setting(limit, "left_at_least", "kPa")
    if implied.state == "present" and results.has("beyond") and results.value("beyond") < left:
        says.append("Warming may explain nearly all of it. Repeat stone cold, with the air space known.")
        return Told(says=says, caveats=caveats)
    whole = window >= setting(limit, "clears_after", "s") and times_start(given) <= WINDOW_S / 4.0
    if implied.state == "absent" and not whole:
        says.append("Two whole minutes from the start are needed before this clears the engine.")
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
    low = judge(limits, limit_id, rise).state == "absent"
    reported = [] if low and implied.state != "absent" else [
        Reported("coolant_pressure_rise", round(max(rise, 0.0), 2), "kPa")
    ]
    return Told(says=says, caveats=caveats, findings=[implied], measurements=reported)


def times_start(given: Given) -> float:
    """Return the time [s] of the first reading."""
    return given.many("times")[0]


GLYCOL = Input(
    "glycol",
    "Glycol share by volume",
    "fraction",
    ("0 %", "95 %"),
    False,
    doubt="5 %",
    valid=("0 %", "70 %"),
    valid_because="coolant is made for 40 to 70 % (ASTM D3306).",
    example="50 %",
    help="Taken as 50 % if neither this nor the freezing point is given.",
)

FREEZES_AT = Input(
    "freezes_at",
    "Or: freezing point shown by the refractometer",
    "temperature",
    ("-51 degC", "0 degC"),
    False,
    doubt="2 K",
    example="-36 degC",
    help="The scale for ethylene glycol.",
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
                help="As printed on the cap, or as the cap tester found it.",
            ),
            GLYCOL,
            FREEZES_AT,
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
            Output("share", "Glycol share by volume", "fraction"),
            Output("margin", "In hand", "temperature_difference"),
            Output("margin_without_cap", "In hand without the cap", "temperature_difference"),
        ),
        formulas=(
            Formula("x_w p_w(T) + (1 - x_w) p_g(T) = air + cap (Raoult)", "raoult"),
            Formula("p_w(T) by IAPWS-IF97, region 4", "iapws_if97"),
            Formula("p_g(T) = exp(C1 + C2 / T + C3 ln T + C4 T^6)", "perry_table_2_8"),
            Formula("glycol share by freezing point, table", "melinder_2010"),
        ),
        assumes=("Ethylene glycol and water, well mixed; propylene glycol boils a little lower.",),
        compute=compute_boiling,
        tell=tell_boiling,
        example={"cap": "103 kPa", "glycol": "50 %", "temperature": "105 degC"},
        cautions=("coolant_scald", "chemical_skin"),
        limits=("coolant_glycol_high", "coolant_glycol_low"),
        published=(
            Published("boils", 129.8, 0.0115, "library thermo, modified UNIFAC (within 1.5 K)"),
            Published("boils_without_cap", 107.9, 0.0139, "library thermo, modified UNIFAC (within 1.5 K)"),
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
        limits=("coolant_pressure_rise_from_cold",),
        published=(Published("explained", 20.6, 0.03, "ideal gas law with densities of CoolProp, by hand"),),
    ),
)
