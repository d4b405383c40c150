"""Compression: which cylinder is weak, whether all are, and what oil in the bore does to it."""

from __future__ import annotations

import math
from collections.abc import Sequence

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
from engine.measures.limits import Implied, Limits, judge

GOOD = 0.9
"""Within a tenth of the best counts as even: common practice."""

ENOUGH = 0.75
"""The lowest as a share of the highest that is just let pass: common practice."""


def low_high(pressures: Sequence[float]) -> float:
    """Return the lowest as a share [1] of the highest, of gauge pressures in any one unit.

    >>> round(100 * low_high([1150.0, 1120.0, 1180.0, 1000.0]), 1)
    84.7

    Source: common practice; at least 75 % is the usual limit.
    """
    return min(pressures) / max(pressures)


def gain_with_oil(dry: Sequence[float], wet: Sequence[float]) -> float:
    """Return how much more [1] oil lifts the lowest cylinder than it lifts the good ones on average.

    Each rise is ``wet / dry - 1``; good is within a tenth of the highest. Gauge pressures in one unit, above
    zero.

    >>> round(gain_with_oil([1200.0, 1200.0, 800.0], [1224.0, 1224.0, 1000.0]), 3)
    0.23

    Source: common practice, a tenth more than the good ones gain.
    """
    rises = [w / d - 1.0 for d, w in zip(dry, wet, strict=True)]
    good = [rise for rise, d in zip(rises, dry, strict=True) if d >= GOOD * max(dry)]
    return rises[dry.index(min(dry))] - math.fsum(good) / len(good)


def low_neighbours(pressures: Sequence[float]) -> list[int]:
    """Return the first numbers of pairs side by side, as listed, that are both out of the good range.

    >>> low_neighbours([1200.0, 800.0, 790.0, 1180.0])
    [2]

    Source: common practice.
    """
    low = [p < GOOD * max(pressures) for p in pressures]
    return [i + 1 for i in range(len(low) - 1) if low[i] and low[i + 1]]


def compute(given: Given) -> Computed:
    """Return lowest, mean, spread, the lowest as a share of the highest, and the rise with oil."""
    dry, wet = given.many("pressures"), given.many("wet")
    if wet and len(wet) != len(dry):
        message = f"{len(dry)} cylinders dry, but {len(wet)} with oil"
        raise wrong("wet", None, message, ("one for each cylinder, in the same order",))
    if max(dry) <= 0.0:
        message = "no cylinder shows any compression: is the throttle open, does the crank turn the camshaft?"
        raise wrong("pressures", None, message)
    found: dict[str, float | tuple[float, ...]] = {
        "lowest": min(dry),
        "mean": math.fsum(dry) / len(dry),
        "spread": max(dry) - min(dry),
        "low_high": low_high(dry),
    }
    minimum = given.optional("minimum")
    if minimum is not None:
        found["over_minimum"] = min(dry) - minimum
        found["best_over_minimum"] = max(dry) - minimum
    if wet and min(dry) > 0.0:
        found["rise"] = tuple(w / d - 1.0 for d, w in zip(dry, wet, strict=True))
        if low_high(dry) < GOOD:
            found["gain"] = gain_with_oil(dry, wet)
    return found


def tell(given: Given, results: Results, limits: Limits) -> Told:
    """Say which cylinder is weak, whether its neighbour is, and what oil does to it."""
    dry = given.many("pressures")
    lowest = dry.index(min(dry)) + 1
    share, doubt = 100.0 * results.value("low_high"), 100.0 * results.uncertainty("low_high")
    even = judge(limits, "compression_share", share, doubt)
    says = [
        f"Cylinder {lowest} is lowest with {share:.0f} % of the highest ({min(dry) / 1e3:.0f} of "
        f"{max(dry) / 1e3:.0f} kPa); {_means(even)}"
    ]
    pairs = low_neighbours(dry) if even.state != "absent" else []
    if pairs:
        says.append(
            f"Cylinders {pairs[0]} and {pairs[0] + 1} are both low: if they sit side by side, think of the "
            "head gasket between them, and listen at the neighbour's plug hole in a leak-down test."
        )
    all_low = _all_low(results, limits)
    findings = [even, *all_low]
    if any(implied.state == "present" for implied in all_low):
        says.append(
            "All are low: cam timing, wear, a throttle not open, slow cranking or a gauge that reads low."
        )
    if results.has("over_minimum") and results.value("over_minimum") < 0.0:
        says.append(
            f"The lowest is {-results.value('over_minimum') / 1e3:.0f} kPa below the maker's minimum."
        )
    says += _with_oil(even, results, findings, limits)
    caveats = [
        "Throttle open, battery strong, all plugs out, engine warm, the same strokes for each; else the "
        "figures mean little. Compare cylinders, not gauges."
    ]
    if results.has("gain"):
        caveats.append("A broken ring land may show no rise with oil: trust the leak-down test more.")
    return Told(
        says=says, caveats=caveats, findings=findings, measurements=_reported(results, even, all_low, limits)
    )


def _means(even: Implied) -> str:
    return {
        "present": "less than three quarters. Not for a full-load run.",
        "absent": "even.",
        "unknown": "between even and the usual limit of 75 %.",
    }[even.state]


def _all_low(results: Results, limits: Limits) -> list[Implied]:
    """Return what follows for all cylinders; only an even set can be low as a whole."""
    if results.value("low_high") < ENOUGH:
        return []
    lowest = results.value("lowest") / 1e3, results.uncertainty("lowest") / 1e3
    if not results.has("over_minimum"):
        return [judge(limits, "compression_lowest_cylinder", *lowest)]
    # The maker's figure decides: all are low where the best is below it, and none where the lowest is above.
    name = "best_over_minimum" if results.value("best_over_minimum") < 0.0 else "over_minimum"
    margin, doubt = results.value(name) / 1e3, results.uncertainty(name) / 1e3
    if name == "over_minimum" and margin < 0.0:
        return []
    return [judge(limits, "compression_over_minimum", margin, doubt)]


def _with_oil(even: Implied, results: Results, findings: list[Implied], limits: Limits) -> list[str]:
    if even.state == "absent":
        return []
    if not results.has("gain"):
        return [
            "Next, put a spoonful of oil in it and measure again, or do a leak-down test of that cylinder."
        ]
    gain, doubt = 100.0 * results.value("gain"), 100.0 * results.uncertainty("gain")
    wet = judge(limits, "compression_wet_gain", gain, doubt)
    findings.append(wet)
    if wet.state == "present":
        return [f"Oil lifts it by {gain:.0f} % more than the good ones: rings or bore. Leak-down proves it."]
    if wet.state == "absent":
        return ["Oil does not lift it: a valve or the head gasket. A leak-down test tells which."]
    return [
        f"Oil lifts it by {gain:.0f} % more than the good ones, which decides nothing: do a leak-down test."
    ]


def _reported(results: Results, even: Implied, all_low: Sequence[Implied], limits: Limits) -> list[Reported]:
    """Return the readings for the rules of the knowledge base, which know no doubt and no maker's figure.

    A reading is left out where a rule would say more than the finding implied here.
    """
    share, lowest = 100.0 * results.value("low_high"), results.value("lowest") / 1e3
    reported = []
    cleared_by_rule = judge(limits, "compression_share", share).state == "absent"
    if even.state == "absent" or not cleared_by_rule:
        reported.append(Reported("compression_ratio_low_high", round(share, 2), "percent"))
    low_by_rule = (
        results.value("low_high") >= ENOUGH
        and judge(limits, "compression_lowest_cylinder", lowest).state == "present"
    )
    if not low_by_rule or any(implied.state == "present" for implied in all_low):
        reported.append(Reported("compression_lowest", round(max(lowest, 0.0), 1), "kPa"))
    return reported


MEASURE = Measure(
    id="compression",
    label="Compression",
    asks="Are the cylinders even, and does oil lift the weak one?",
    inputs=(
        TO_CONVERT,
        Input(
            "pressures",
            "Compression of each cylinder, in order",
            "pressure",
            ("0 kPa", "3000 kPa"),
            reference="gauge",
            doubt="2 %",
            many=True,
            at_least=2,
            at_most=24,
            valid=("300 kPa", "2000 kPa"),
            valid_because="few petrol engines lie outside: is the gauge right, the throttle open?",
            example="1150/1120/1180/1000 kPa gauge",
        ),
        Input(
            "wet",
            "The same with a spoonful of oil in each",
            "pressure",
            ("0 kPa", "3500 kPa"),
            False,
            reference="gauge",
            doubt="2 %",
            many=True,
            at_least=2,
            at_most=24,
            example="1190/1160/1220/1150 kPa gauge",
            help="One for each cylinder, in the same order; the good ones are there to compare with.",
        ),
        Input(
            "minimum",
            "Least by the maker",
            "pressure",
            ("100 kPa", "2500 kPa"),
            False,
            reference="gauge",
            example="900 kPa gauge",
            help="It overrides the rule of thumb.",
        ),
    ),
    outputs=(
        Output("lowest", "Lowest", "pressure", reference="gauge"),
        Output("mean", "Mean", "pressure", reference="gauge"),
        Output("spread", "Spread, highest less lowest", "pressure_difference"),
        Output("low_high", "Lowest as a share of the highest", "fraction"),
        Output("over_minimum", "Lowest above the maker's minimum", "pressure_difference"),
        Output("rise", "Rise with oil, cylinder", "fraction", many=True),
        Output("gain", "Rise of the lowest above that of the good ones", "fraction"),
    ),
    formulas=(
        Formula("lowest / highest; 75 % at least is the usual limit", "common_practice"),
        Formula(
            "gain = rise of the lowest - mean rise of those within a tenth of the highest", "common_practice"
        ),
    ),
    assumes=(
        "All cylinders were turned alike, with the throttle open, on one gauge.",
        "Side by side means in the order of the list, as in an engine in line.",
    ),
    compute=compute,
    tell=tell,
    example={
        "pressures": "1150/1120/1180/1000 kPa gauge",
        "wet": "1190/1160/1220/1150 kPa gauge",
        "minimum": "900 kPa gauge",
    },
    cautions=(
        "cranking_engine_moves",
        "ignition_high_voltage",
        "petrol_fire",
        "plug_thread_hot_head",
        "hot_parts_burn",
    ),
    limits=(
        "compression_lowest_cylinder",
        "compression_over_minimum",
        "compression_share",
        "compression_wet_gain",
    ),
    published=(
        Published("low_high", 84.7, 1e-3, "1000 / 1180, worked by hand"),
        Published("mean", 1112.5, 1e-4, "4450 / 4, worked by hand"),
        Published("gain", 11.51, 2e-3, "15.0 % less the mean of 3.48, 3.57 and 3.39 %, worked by hand"),
    ),
)
