"""Compression and leak-down: which cylinder is weak, and where its air goes."""

from __future__ import annotations

import math

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
from engine.measures.limits import Limits, judge
from engine.measures.orifice import orifice_mass_flow

WET_RISE = 1.10
"""Oil on the piston that lifts a cylinder by a tenth says rings or bore: common practice."""

ESCAPES = {
    "not_heard": "Nowhere heard",
    "inlet": "At the inlet or throttle",
    "exhaust": "At the tailpipe or exhaust",
    "oil_filler": "At the oil filler or dipstick",
    "coolant": "Bubbles in the coolant",
    "neighbour": "At the plug hole of a neighbour",
}
LIMIT_AT = {
    "inlet": "leak_down_at_inlet",
    "exhaust": "leak_down_at_exhaust",
    "oil_filler": "leak_down_at_filler",
    "coolant": "leak_down_at_coolant",
}
SAYS = {
    "not_heard": "Where the air goes was not heard: listen at inlet, tailpipe, oil filler, coolant and plug holes.",
    "inlet": "Air at the inlet: an inlet valve does not close.",
    "exhaust": "Air at the tailpipe: an exhaust valve does not close.",
    "oil_filler": "Air at the oil filler: past rings, bore or piston.",
    "coolant": "Bubbles in the coolant: head gasket, head or bore is open to the water.",
    "neighbour": "Air at a neighbour's plug hole: the gasket between the two.",
}


def compute_compression(given: Given) -> Computed:
    """Return lowest, mean, and the lowest as a share of the highest."""
    dry = given.many("pressures")
    wet = given.many("wet")
    if wet and len(wet) != len(dry):
        raise wrong("wet", None, f"{len(dry)} cylinders dry, but {len(wet)} wet")
    if max(dry) <= 0.0:
        raise wrong("pressures", None, "no cylinder has any compression: is the throttle open, does it turn?")
    found: dict[str, float | tuple[float, ...]] = {
        "lowest": min(dry),
        "mean": math.fsum(dry) / len(dry),
        "low_high": min(dry) / max(dry),
    }
    if wet:
        found["rise"] = tuple(w / d - 1.0 if d > 0 else 0.0 for d, w in zip(dry, wet, strict=True))
    return found


def tell_compression(given: Given, results: Results, limits: Limits) -> Told:
    """Say which cylinder is weak, whether its neighbour is, and what oil does to it."""
    dry = given.many("pressures")
    share = 100.0 * results.value("low_high")
    lowest = dry.index(min(dry))
    says = [
        f"Cylinder {lowest + 1} is lowest, {share:.0f} % of the highest ({min(dry) / 1e3:.0f} of {max(dry) / 1e3:.0f} kPa)."
    ]
    even = judge(limits, "compression_share", share, 100.0 * results.uncertainty("low_high"))
    findings = [even]
    measurements = [
        Reported("compression_ratio_low_high", round(share, 2), "percent"),
        Reported("compression_lowest", round(results.value("lowest") / 1e3, 1), "kPa"),
    ]
    minimum = given.optional("minimum")
    if minimum is not None and results.value("lowest") < minimum:
        says.append(f"It is below the maker's least, {minimum / 1e3:.0f} kPa.")
    low = [i for i, p in enumerate(dry) if p < 0.85 * max(dry)]
    if any(b - a == 1 for a, b in zip(low, low[1:], strict=False)):
        says.append("Two neighbours are low: think of the gasket between them.")
    if even.state == "present":
        if results.has("rise"):
            risen = results.values("rise")[lowest] >= WET_RISE - 1.0
            says.append(
                "Oil lifts it: rings or bore." if risen else "Oil does not lift it: valves or gasket."
            )
        else:
            says.append("Squirt oil in and measure again, then do a leak-down test of that cylinder.")
    caveats = ["Throttle open, battery strong, all plugs out, engine warm; else the figures mean little."]
    return Told(says=says, caveats=caveats, findings=findings, measurements=measurements)


def loss(held: float, supply: float) -> float:
    """Return the leak-down loss [1] of a cylinder that holds a gauge pressure of a supply: ``1 - p / ps``.

    >>> loss(72.0, 80.0)
    0.1

    Source: FAA AC 43.13-1B, paragraph 8-14, for the test; the per cent is common practice.
    """
    return round(1.0 - held / supply, 12)


def leak_hole(held: float, supply: float, restrictor: float, air: float, temperature: float) -> float:
    """Return the diameter [m] of the hole that lets out what a restrictor [m] lets in.

    Both flow alike at rest: the restrictor from the supply to the cylinder, the hole from the cylinder to the
    air [Pa abs], equal discharge coefficients.

    >>> round(1e3 * leak_hole(515_107.0, 652_906.0, 1.016e-3, 101_325.0, 293.15), 2)
    1.05

    Source: isentropic flow of an ideal gas (NACA Report 1135); restrictor of FAA AC 43.13-1B.
    """
    area = math.pi / 4.0 * restrictor * restrictor
    into = orifice_mass_flow(area, 1.0, supply, held, temperature)
    per_area = orifice_mass_flow(1.0, 1.0, held, air, temperature)
    return math.sqrt(4.0 / math.pi * into / per_area) if per_area > 0.0 else 0.0


def compute_leak_down(given: Given) -> Computed:
    """Return the loss of each cylinder, the worst, and the hole that would leak so."""
    held, supply, air = given.many("held"), given.number("supply"), given.number("atmosphere")
    if max(held) > supply:
        raise wrong("held", None, "a cylinder cannot hold more than the supply")
    if min(held) <= air:
        raise wrong("held", None, "a cylinder holds nothing: valves open, or not at top dead centre")
    losses = tuple(loss(p - air, supply - air) for p in held)
    restrictor = given.number("restrictor")
    return {
        "worst": max(losses),
        "loss": losses,
        "hole": tuple(leak_hole(p, supply, restrictor, air, 293.15) if p < supply else 0.0 for p in held),
    }


def tell_leak_down(given: Given, results: Results, limits: Limits) -> Told:
    """Say how bad the worst cylinder is, and what the place of the escaping air says."""
    losses = results.values("loss")
    worst = losses.index(max(losses))
    percent = 100.0 * results.value("worst")
    says = [f"Cylinder {worst + 1} loses most, {percent:.0f} %."]
    place = given.choice("escapes_at")
    findings = []
    if place in LIMIT_AT:
        findings.append(judge(limits, LIMIT_AT[place], percent, 100.0 * results.uncertainty("worst")))
    if percent >= 10.0:
        says.append(SAYS[place])
    caveats = [
        "The per cent depends on the restrictor: compare cylinders, never testers. Bands for cars are common "
        "practice: below 10 good, 10 to 20 worn, above 20 to 25 to be opened."
    ]
    reported = [Reported("leak_down", round(percent, 2), "percent")]
    return Told(says=says, caveats=caveats, findings=findings, measurements=reported)


MEASURES = (
    Measure(
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
                example="1150/1120/1180/1000 kPa gauge",
            ),
            Input(
                "wet",
                "The same with a squirt of oil",
                "pressure",
                ("0 kPa", "3500 kPa"),
                False,
                reference="gauge",
                doubt="2 %",
                many=True,
                at_least=2,
                at_most=24,
                example="1160/1130/1190/1150 kPa gauge",
            ),
            Input(
                "minimum",
                "Least by the maker",
                "pressure",
                ("100 kPa", "2500 kPa"),
                False,
                reference="gauge",
                example="900 kPa gauge",
            ),
        ),
        outputs=(
            Output("lowest", "Lowest", "pressure", reference="gauge"),
            Output("mean", "Mean", "pressure", reference="gauge"),
            Output("low_high", "Lowest as a share of the highest", "fraction"),
            Output("rise", "Rise with oil, cylinder", "fraction", many=True),
        ),
        formulas=(Formula("lowest / highest; 75 % at least is the usual limit", "common_practice"),),
        assumes=("All cylinders were turned alike, with the throttle open.",),
        compute=compute_compression,
        tell=tell_compression,
        example={"pressures": "1150/1120/1180/1000 kPa gauge"},
        cautions=("cranking_engine_moves", "petrol_fire", "ignition_high_voltage"),
        limits=("compression_share",),
        published=(Published("low_high", 84.7, 1e-3, "1000 / 1180, worked by hand"),),
    ),
    Measure(
        id="leak_down",
        label="Leak-down",
        asks="How much does each cylinder lose, and where does it go?",
        inputs=(
            TO_CONVERT,
            Input(
                "supply",
                "Pressure of the supply",
                "pressure",
                ("100 kPa gauge", "900 kPa gauge"),
                reference="absolute",
                doubt="1 %",
                example="80 psi gauge",
            ),
            Input(
                "held",
                "Pressure that each cylinder holds, in order",
                "pressure",
                ("0 kPa gauge", "900 kPa gauge"),
                reference="absolute",
                doubt="1 %",
                many=True,
                at_most=24,
                example="78/72/68/60 psi gauge",
            ),
            Input(
                "restrictor",
                "Bore of the tester's restrictor",
                "length",
                ("0.2 mm", "5 mm"),
                False,
                "1.016 mm",
                help="0.040 in for bores below 5 in by FAA AC 43.13-1B.",
            ),
            Input(
                "escapes_at",
                "Where air is heard at the worst cylinder",
                "choice",
                needed=False,
                default="not_heard",
                choices=ESCAPES,
            ),
        ),
        outputs=(
            Output("worst", "Loss of the worst cylinder", "fraction"),
            Output("loss", "Loss, cylinder", "fraction", many=True),
            Output("hole", "Hole that leaks so, cylinder", "length", many=True),
        ),
        formulas=(
            Formula("loss = 1 - held / supply, both gauge", "faa_ac_43_13_1b"),
            Formula("flow through the restrictor = flow through the hole, equal coefficients", "naca_1135"),
        ),
        assumes=(
            "Each piston stands at top dead centre with both valves shut.",
            "The supply keeps its pressure ahead of the restrictor.",
        ),
        compute=compute_leak_down,
        tell=tell_leak_down,
        example={"supply": "80 psi gauge", "held": "78/72/68/60 psi gauge"},
        cautions=("crank_turns_under_air", "compressed_air_eye"),
        limits=tuple(sorted(LIMIT_AT.values())),
        published=(
            Published("loss.0", 2.5, 1e-4, "FAA AC 43.13-1B readings, 1 - 78/80"),
            Published("loss.3", 25.0, 1e-4, "FAA AC 43.13-1B readings, 1 - 60/80"),
            Published("hole.3", 1.045, 2e-3, "restrictor of 0.040 in, worked by hand"),
        ),
    ),
)
