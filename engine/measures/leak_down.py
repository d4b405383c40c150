"""Leak-down: how much of its air each cylinder loses, and what the place where it comes out says."""

from __future__ import annotations

import math
from collections.abc import Sequence

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
from engine.measures.limits import Implied, Limits, judge
from engine.measures.orifice import orifice_diameter, orifice_mass_flow

ROOM_K = 293.15

WORN, OPEN_UP = 10.0, 20.0
"""Loss [%] from which a cylinder counts as worn, and from which it wants looking into: common practice."""

ESCAPES = {
    "inlet": "Inlet or throttle",
    "exhaust": "Tailpipe or exhaust port",
    "oil_filler": "Oil filler or dipstick",
    "coolant": "Coolant: bubbles in tank or neck",
    "neighbour": "Plug hole of a neighbour",
    "nowhere": "Nowhere heard",
}
LIMIT_AT = {
    "inlet": "leak_down_at_inlet",
    "exhaust": "leak_down_at_exhaust",
    "oil_filler": "leak_down_at_filler",
}
SAYS = {
    "inlet": "Air at the inlet: an inlet valve does not seal.",
    "exhaust": "Air at the tailpipe: an exhaust valve does not seal.",
    "oil_filler": "Air at the oil filler: past rings, bore or piston. A little always goes this way.",
    "coolant": "Bubbles in the coolant: gasket, head or bore is open to the water. Not for a full-load run.",
    "neighbour": "Air at the plug hole beside it: the head gasket between the two has gone.",
}
NOT_HEARD = "Listen at throttle, tailpipe, oil filler and plug holes, and look for bubbles in the coolant."
NOWHERE = "So much air is heard somewhere: try a few degrees each side of top dead centre, soap the adapter."


def loss(held: float, supply: float) -> float:
    """Return the loss [1] of a cylinder that holds a gauge pressure of a supply, in any one unit.

    ``loss = 1 - p / ps``

    >>> [round(100 * loss(p, 80.0), 1) for p in (78.0, 72.0, 68.0, 60.0)]
    [2.5, 10.0, 15.0, 25.0]

    Source: FAA AC 43.13-1B, paragraph 8-14, for the test; telling it as a per cent is common practice.
    """
    return 1.0 - held / supply


def leak_hole(held: float, supply: float, restrictor: float, air: float) -> float:
    """Return the diameter [m] of the hole that lets out what a restrictor [m] lets in.

    Both pass the same at rest: the restrictor from the supply [Pa abs] to the cylinder, held at a pressure
    [Pa abs], the hole from there to the air [Pa abs]; equal discharge coefficients and temperatures. Raises
    `ValueError` where the cylinder holds no pressure.

    >>> psi, air = 6894.757, 101_325.0
    >>> [round(1e3 * leak_hole(p * psi + air, 80 * psi + air, 1.016e-3, air), 2) for p in (75, 60, 40)]
    [0.71, 1.05, 1.33]

    Source: one-dimensional isentropic flow (NACA Report 1135); restrictor of FAA AC 43.13-1B.
    """
    area = math.pi / 4.0 * restrictor * restrictor
    flow = orifice_mass_flow(area, 1.0, supply, held, ROOM_K)
    return orifice_diameter(flow, 1.0, held, air, ROOM_K)


def compute(given: Given) -> Computed:
    """Return the loss of each cylinder and the worst, and the holes where the restrictor is known."""
    held, supply, air = given.many("held"), given.number("supply"), given.number("atmosphere")
    if supply <= 0.0:
        raise wrong("supply", None, "there is no pressure ahead of the restrictor", ("80 psi gauge",))
    if max(held) > supply:
        message = "a cylinder cannot hold more than the supply: read both gauges at rest"
        raise wrong("held", None, message, ("78/72/68/60 psi gauge",))
    losses = tuple(min(1.0, loss(p, supply)) for p in held)
    found: dict[str, float | Sequence[float]] = {"worst": max(losses), "loss": losses}
    restrictor = given.optional("restrictor")
    if restrictor is not None and min(held) > 0.0:
        found["hole"] = tuple(leak_hole(p + air, supply + air, restrictor, air) for p in held)
    return found


def tell(given: Given, results: Results, limits: Limits) -> Told:
    """Say how bad the worst cylinder is, and what the place of the escaping air says."""
    losses = results.values("loss")
    worst = losses.index(max(losses)) + 1
    percent, doubt = 100.0 * results.value("worst"), 100.0 * results.uncertainty("worst")
    place = given.picked("escapes_at")
    says = [f"Cylinder {worst} loses most, {percent:.0f} %: {_means(percent)}."]
    if percent >= 99.0:
        says.append(
            "It holds nothing: a valve stands open, or the piston is not at top dead centre. Turn and repeat."
        )
    elif place in SAYS:
        says.append(SAYS[place])
    elif percent >= WORN:
        says.append(NOWHERE if place == "nowhere" else NOT_HEARD)
    if percent >= OPEN_UP:
        says.append(
            "Repeat it warm and a few degrees each side, then look in with a borescope before full load."
        )
    findings = _follows(place, percent, doubt, len(losses), limits)
    # A rule of the knowledge base clears inlet, exhaust and rings below a tenth, and it knows no doubt.
    rule_clears = judge(limits, "leak_down_at_filler", percent).state == "absent"
    clears = sum(implied.state == "absent" for implied in findings) == len(LIMIT_AT)
    reported = [Reported("leak_down", round(percent, 2), "percent")] if clears or not rule_clears else []
    caveats = [
        "The per cent depends on the restrictor: compare the cylinders of one engine on one tester, never "
        "testers. Bands for cars are common practice.",
    ]
    if any(implied.state == "absent" for implied in findings):
        caveats.append("The engine is cleared only if every cylinder was measured.")
    return Told(says=says, caveats=caveats, findings=findings, measurements=reported)


def _means(percent: float) -> str:
    if percent < WORN:
        return "good"
    if percent <= OPEN_UP:
        return "worn"
    return "to be looked into"


def _follows(
    place: str | None, percent: float, doubt: float, cylinders: int, limits: Limits
) -> list[Implied]:
    """Return what follows: where air was heard, the place; where all seal, that none of the places leaks.

    Air that is heard at a valve does not clear that valve however little it is, and one cylinder alone clears
    no engine. Bubbles count at any loss.
    """
    if place == "coolant":
        found = [judge(limits, "leak_down_at_coolant", percent, doubt)]
    elif place in LIMIT_AT:
        found = [i for i in [judge(limits, LIMIT_AT[place], percent, doubt)] if i.state != "absent"]
    else:
        found = []
    for where, limit in LIMIT_AT.items():
        cleared = judge(limits, limit, percent, doubt)
        if cleared.state == "absent" and cylinders > 1 and not (where == place and place != "oil_filler"):
            found.append(cleared)
    return found


MEASURE = Measure(
    id="leak_down",
    label="Leak-down",
    asks="How much does each cylinder lose, and where does it go?",
    inputs=(
        ATMOSPHERE,
        Input(
            "supply",
            "Pressure of the supply, ahead of the restrictor",
            "pressure",
            ("100 kPa", "900 kPa"),
            reference="gauge",
            doubt="1 %",
            example="80 psi gauge",
        ),
        Input(
            "held",
            "Pressure that each cylinder holds, in order",
            "pressure",
            ("0 kPa", "900 kPa"),
            reference="gauge",
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
            doubt="0.02 mm",
            example="0.040 in",
            help="0.040 in for cylinders below 5 in bore by FAA AC 43.13-1B; see the tester's papers.",
        ),
        Input(
            "escapes_at",
            "Where air is heard at the worst cylinder",
            "choice",
            needed=False,
            choices=ESCAPES,
        ),
    ),
    outputs=(
        Output("worst", "Loss of the worst cylinder", "fraction"),
        Output("loss", "Loss, cylinder", "fraction", many=True),
        Output("hole", "Hole that leaks as much, cylinder", "length", many=True),
    ),
    formulas=(
        Formula("loss = 1 - held / supply, both gauge", "faa_ac_43_13_1b"),
        Formula("flow through the restrictor = flow through the hole, equal coefficients", "naca_1135"),
    ),
    assumes=(
        "Each piston stands at top dead centre of compression with both valves shut.",
        "The supply keeps its pressure ahead of the restrictor.",
    ),
    compute=compute,
    tell=tell,
    example={
        "supply": "80 psi gauge",
        "held": "78/72/68/60 psi gauge",
        "restrictor": "0.040 in",
        "escapes_at": "exhaust",
    },
    cautions=("crank_turns_under_air", "compressed_air_eye", "coolant_scald", "hot_parts_burn"),
    limits=("leak_down_at_coolant", *sorted(LIMIT_AT.values())),
    published=(
        Published("loss.0", 2.5, 1e-4, "FAA AC 43.13-1B readings, 1 - 78/80"),
        Published("loss.1", 10.0, 1e-4, "FAA AC 43.13-1B readings, 1 - 72/80"),
        Published("loss.2", 15.0, 1e-4, "FAA AC 43.13-1B readings, 1 - 68/80"),
        Published("loss.3", 25.0, 1e-4, "FAA AC 43.13-1B readings, 1 - 60/80"),
        Published("hole.3", 1.045, 2e-3, "restrictor of 0.040 in, worked by hand"),
    ),
)
