"""Fuel pressure against manifold pressure: does the regulator follow it, and does the supply hold at load?"""

from __future__ import annotations

from collections.abc import Sequence

from engine.measures.boost_leak import slope
from engine.measures.declare import (
    TO_CONVERT,
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
from engine.measures.fuel_flow import flow_at
from engine.measures.limits import Implied, Limits, judge, setting

LEAST_RANGE_PA = 30_000.0
"""Over less a gauge tells no slope."""

NO_BOOST_PA = 5_000.0
"""Up to here the readings are those without boost."""

MOST_REPORTED_KPA = 1200.0
LEAST_LOSS_KPA, MOST_LOSS_KPA = -200.0, 1000.0
"""What the knowledge base takes as credible readings."""

STEEP = 1.25
"""A rise that no one-for-one regulator and no gauge explains."""

FLAT, LOSS = "fuel_pressure_slope", "fuel_pressure_loss_by_reading"
LOW, HIGH = "fuel_pressure_base_low", "fuel_pressure_base_high"


def differences(rail: Sequence[float], manifold: Sequence[float]) -> tuple[float, ...]:
    """Return the pressure over the manifold [Pa] that drives the injectors, both as gauge or both absolute.

    >>> differences((240e3, 400e3), (-60e3, 100e3))
    (300000.0, 300000.0)

    Source: definition.
    """
    return tuple(r - m for r, m in zip(rail, manifold, strict=True))


def _without_boost(given: Given) -> tuple[list[float], list[float]]:
    pairs = zip(given.many("rail"), given.many("manifold"), strict=True)
    low = [(r, m) for r, m in pairs if m <= NO_BOOST_PA]
    return [r for r, _ in low], [m for _, m in low]


def compute(given: Given) -> Computed:
    """Return the slope of fuel pressure over manifold pressure, the difference, and what is lost."""
    rail, manifold = given.many("rail"), given.many("manifold")
    if len(rail) != len(manifold):
        message = f"{len(rail)} fuel pressures, but {len(manifold)} manifold pressures"
        raise wrong("manifold", None, message)
    if max(manifold) - min(manifold) < LEAST_RANGE_PA:
        message = "the manifold pressures lie within 30 kPa: take one at idle and one at boost"
        raise wrong("manifold", None, message, ("-60/100 kPa gauge",))
    over = differences(rail, manifold)
    lowest, highest = (manifold.index(f(manifold)) for f in (min, max))
    unloaded, loaded = over[lowest], over[highest]
    if min(over) <= 0.0:
        raise wrong("rail", None, "the rail is not above the manifold: no fuel would flow")
    found: dict[str, float] = {
        "slope": slope(manifold, rail),
        "unloaded": unloaded,
        "loaded": loaded,
        "loss": unloaded - loaded,
        "flow_share": flow_at(1.0, unloaded, loaded),
    }
    low_rail, low_manifold = _without_boost(given)
    both = 0 < len(low_manifold) < len(manifold)
    if both and max(low_manifold) - min(low_manifold) >= LEAST_RANGE_PA:
        found["slope_without_boost"] = slope(low_manifold, low_rail)
    base = given.optional("base")
    if base is not None and low_manifold:
        found["from_base"] = unloaded - base
    return found


def tell(given: Given, results: Results, limits: Limits) -> Told:
    """Say whether the regulator follows the manifold, what the loss costs in fuel, and what to try next."""
    loss, rise = results.value("loss") / 1e3, results.value("slope")
    lost = 100.0 * (1.0 - results.value("flow_share"))
    says = [f"The fuel pressure rises {rise:.2f} kPa for each kPa of the manifold."]
    if abs(loss) >= 1.0:
        gone = f"{loss:.0f} kPa less" if loss > 0 else f"{-loss:.0f} kPa more"
        share = f"{lost:.0f} % less" if loss > 0 else f"{-lost:.0f} % more"
        says.append(
            f"At the highest manifold pressure it is {gone} over the manifold: {share} fuel for a pulse."
        )
    flat = judge(limits, FLAT, rise, results.uncertainty("slope"))
    by_pump = given.choice("taken") == "hand_pump"
    if by_pump:
        says.append(_by_hand_pump(flat))
        findings: list[Implied] = [flat]
        measurements: list[Reported] = []
    else:
        findings, measurements = _running(given, results, limits, flat)
        says.append(_what_next(findings, results, limits))
    base_findings, base_reported = _base(given, results, limits, flat)
    says += _of_base(base_findings)
    caveats = _caveats(given, findings, by_pump)
    return Told(
        says=says,
        caveats=caveats,
        findings=[*findings, *base_findings],
        measurements=[*measurements, *base_reported],
    )


def _by_hand_pump(flat: Implied) -> str:
    return {
        "present": "It does not follow its reference: look for a split or wet hose, then at the regulator.",
        "absent": "The regulator follows its reference. Whether the supply holds shows only under load.",
        "unknown": "It follows in part: a hose that leaks, a stiff regulator, or a return that is too small.",
    }[flat.state]


def _running(
    given: Given, results: Results, limits: Limits, flat: Implied
) -> tuple[list[Implied], list[Reported]]:
    """Return what readings with the engine running show.

    A regulator without its reference and a supply that gives out both lose pressure at boost. The
    regulator is to blame where the rail stays level from the start; where it followed without boost, or
    falls below where it was, it is left to the hand pump.
    """
    top = max(given.many("manifold")) / 1e3
    if flat.state == "present" and not _followed_without_boost(results, limits):
        return [flat], []
    loss, doubt = results.value("loss") / 1e3, results.uncertainty("loss") / 1e3
    fallen = judge(limits, LOSS, loss, doubt)
    reported = []
    on_boost = top > setting(limits[LOSS], "clears_above_boost", "kPa")
    would_clear = on_boost and judge(limits, LOSS, loss).state == "absent"
    # The rule that clears knows no doubt; a reading that is not clear of the limit is held back from it.
    if (fallen.state != "unknown" or not would_clear) and LEAST_LOSS_KPA <= loss <= MOST_LOSS_KPA:
        at = {"boost_pressure_kPa": round(top, 2)}
        reported.append(Reported("fuel_pressure_loss", round(loss, 2), "kPa", at))
    found = [] if fallen.state == "absent" and not on_boost else [fallen]
    follows = flat.state == "absent" and 1e3 * top > NO_BOOST_PA
    return [*found, *([flat] if follows else [])], reported


def _followed_without_boost(results: Results, limits: Limits) -> bool:
    if not results.has("slope_without_boost"):
        return False
    value, doubt = results.value("slope_without_boost"), results.uncertainty("slope_without_boost")
    return judge(limits, FLAT, value, doubt).state != "present"


def _what_next(findings: Sequence[Implied], results: Results, limits: Limits) -> str:
    present = {f.limit for f in findings if f.state == "present"}
    if FLAT in present:
        return (
            "It does not follow the manifold: raise the reference with a hand pump, engine off; if the rail "
            "stays, look at the hose, then the regulator."
        )
    if LOSS in present:
        followed = _followed_without_boost(results, limits)
        first = "It followed without boost. " if followed else ""
        return (
            f"{first}Prove the reference with a hand pump, then read voltage at the pump, its flow at that "
            "pressure, and the drop over the filter. No full-load run until it holds."
        )
    if results.value("slope") - 2.0 * results.uncertainty("slope") > STEEP:
        return "It rises more than one for one: a rising-rate regulator, or a return too small for the flow."
    if any(f.limit == LOSS and f.state == "absent" for f in findings):
        return "It follows and it holds."
    return "Read it again at more boost, with a gauge good to 5 kPa, before a full-load run is judged by it."


def _base(
    given: Given, results: Results, limits: Limits, flat: Implied
) -> tuple[list[Implied], list[Reported]]:
    """Return how the pressure at the lowest manifold pressure compares with the maker's, and the reading.

    The rules of the knowledge base know no maker's figure; where one is given, it alone judges. Without
    its reference the pressure is high at idle by the vacuum, which says nothing more of the regulator.
    """
    speed = given.optional("idle_speed")
    if results.has("from_base"):
        value, doubt = results.value("from_base") / 1e3, results.uncertainty("from_base") / 1e3
        low, high = judge(limits, LOW, value, doubt), judge(limits, HIGH, value, doubt)
        return [low] if flat.state == "present" else [low, high], []
    over, at_idle = results.value("unloaded") / 1e3, min(given.many("manifold")) <= NO_BOOST_PA
    if speed is None or not at_idle or given.choice("taken") == "hand_pump" or over > MOST_REPORTED_KPA:
        return [], []
    return [], [Reported("fuel_pressure", round(over, 2), "kPa", {"engine_speed_rpm": round(speed, 1)})]


def _of_base(findings: Sequence[Implied]) -> list[str]:
    present = [f.limit for f in findings if f.state == "present"]
    if LOW in present:
        return ["It starts below the base pressure: pump voltage, filter and regulator before anything else."]
    if HIGH in present:
        return [
            "It starts above the base pressure: the regulator, or a return line that is pinched or too small."
        ]
    return []


def _caveats(given: Given, findings: Sequence[Implied], by_pump: bool) -> list[str]:
    caveats = []
    if any(f.limit == FLAT and f.state == "present" for f in findings):
        caveats.append(
            "A system made for one pressure (many without a return; the low side of direct injection) does "
            "not follow with nothing wrong."
        )
    if len(given.many("rail")) < 3:
        caveats.append(
            "Two readings make a slope but do not show whether it is straight; take one at no boost too."
        )
    if not by_pump and max(given.many("manifold")) <= NO_BOOST_PA:
        caveats.append("No reading at boost: nothing is told of the supply under load.")
    return caveats


MEASURE = Measure(
    id="fuel_pressure",
    label="Fuel pressure against manifold pressure",
    asks="Does the fuel pressure follow the manifold one for one, and does it hold at boost?",
    inputs=(
        TO_CONVERT,
        Input(
            "rail",
            "Fuel pressures, at idle first and at boost last",
            "pressure",
            ("50 kPa", "1500 kPa"),
            reference="gauge",
            doubt="5 kPa",
            many=True,
            at_least=2,
            at_most=500,
            example="240/300/400 kPa gauge",
        ),
        Input(
            "manifold",
            "Manifold pressures at the same moments",
            "pressure",
            ("-101 kPa", "600 kPa"),
            reference="gauge",
            doubt="2 kPa",
            many=True,
            at_least=2,
            at_most=500,
            example="-60/0/100 kPa gauge",
            help="With a hand pump: the pressure on the reference.",
        ),
        Input(
            "taken",
            "How the manifold pressure was made",
            "choice",
            choices={
                "running": "By the engine, at idle and under load",
                "hand_pump": "By a hand pump on the reference of the regulator, without load",
            },
        ),
        Input(
            "base",
            "Base pressure that the maker or builder states, over the manifold",
            "pressure_difference",
            ("50 kPa", "1200 kPa"),
            False,
            example="300 kPa",
        ),
        Input(
            "idle_speed",
            "Engine speed at the lowest manifold pressure",
            "engine_speed",
            ("300 rpm", "4000 rpm"),
            False,
            example="850 rpm",
        ),
    ),
    outputs=(
        Output("slope", "Rise of fuel pressure for each kPa of the manifold", "ratio"),
        Output("slope_without_boost", "The same from the readings without boost", "ratio"),
        Output("unloaded", "Over the manifold at the lowest manifold pressure", "pressure_difference"),
        Output("loaded", "Over the manifold at the highest", "pressure_difference"),
        Output("loss", "Lost between the two", "pressure_difference"),
        Output("flow_share", "Injector flow left", "ratio"),
        Output("from_base", "Above the base pressure at the lowest", "pressure_difference"),
    ),
    formulas=(
        Formula(
            "slope of fuel over manifold pressure by least squares; 1 for a referenced regulator",
            "common_practice",
        ),
        Formula("flow left = sqrt(dp loaded / dp unloaded)", "bernoulli_orifice"),
    ),
    assumes=(
        "The regulator is meant to follow the manifold; returnless systems at constant pressure are not.",
        "Both pressures belong to the same moment; a gauge that lags shows a loss that is not there.",
    ),
    compute=compute,
    tell=tell,
    example={"rail": "300/300 kPa gauge", "manifold": "0/100 kPa gauge", "taken": "running"},
    cautions=("petrol_fire", "fuel_line_pressure", "full_load_on_the_road"),
    limits=(FLAT, LOSS, LOW, HIGH),
    published=(
        Published("loaded", 200.0, 1e-6, "300 kPa rail less 100 kPa boost"),
        Published("flow_share", 0.81650, 1e-4, "500 cc/min falls to 408.25: square-root law, worked by hand"),
    ),
)
