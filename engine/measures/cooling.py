"""Cooling: how far the coolant is from boiling under its cap, at its height, with its mixture."""

from __future__ import annotations

from engine.measures.coolant_mix import (
    ZERO_CELSIUS_K,
    boiling_point,
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
    Results,
    Told,
    wrong,
)
from engine.measures.limits import Implied, Limits, judge

ASSUMED_GLYCOL = 0.5
"""Ready-mixed coolant is sold at equal volumes (ASTM D3306)."""

APART = 0.15
"""Shares by hand and by refractometer that differ by more than this contradict each other."""

IN_HAND_K = 10.0
"""Hot spots in the head boil before the sensor knows: common practice."""


def glycol_of(given: Given) -> float:
    """Return the share of glycol by volume that was given or follows from the freezing point, else half."""
    typed, freezes = given.optional("glycol"), given.optional("freezes_at")
    if freezes is None:
        return ASSUMED_GLYCOL if typed is None else typed
    share = share_that_freezes_at(freezes)
    if typed is not None and abs(typed - share) > APART:
        message = (
            f"a mixture that freezes at {freezes - ZERO_CELSIUS_K:.0f} degC has {100 * share:.0f} % glycol"
        )
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
        low, high = (judge(limits, f"coolant_glycol_{end}", share, doubt) for end in ("low", "high"))
        findings = [high if high.state == "present" else low]
        if findings[0].state == "present":
            says.append(f"{share:.0f} % glycol is outside 40 to 70 %: drain some and mix it right.")
    caveats = [
        *glycol_caveats(given),
        f"Hot spots in the head boil first: keep some {IN_HAND_K:.0f} K in hand at the sensor. The figure on "
        "the cap is what it held when new.",
    ]
    return Told(says=says, caveats=caveats, findings=findings)


def _in_hand(margin: float, without_cap: float) -> list[str]:
    if margin < 0.0:
        return [
            f"It is {-margin:.0f} K above that: it boils, or cap, mixture or sensor are not as typed. Stop."
        ]
    said = [f"{margin:.0f} K in hand at the temperature read."]
    if margin < IN_HAND_K:
        said.append("Too little for a full-load run: let it cool, then test cap and system under pressure.")
    elif without_cap < 0.0:
        said.append("Only the cap keeps it from boiling: never open it hot, and test the cap before the run.")
    elif without_cap < IN_HAND_K:
        said.append(f"A cap that does not hold would leave {without_cap:.0f} K: test it before the run.")
    return said


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

MEASURE = Measure(
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
)
