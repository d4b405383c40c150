"""Joint thrust: the force with which boost pushes a hose joint or a clamp apart."""

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
    Results,
    Told,
)
from engine.measures.limits import Limits, judge


def thrust(pressure: float, diameter: float) -> float:
    """Return the axial force [N] that a gauge pressure [Pa] puts on a joint of a sealing diameter [m].

    ``F = p pi D^2 / 4``

    >>> round(thrust(150e3, 0.0635), 1)
    475.0

    Source: handbook statics, pressure times area; a straight joint, the pipe free to move.
    """
    return pressure * math.pi * diameter * diameter / 4.0


def bend_thrust(pressure: float, diameter: float, bend: float) -> float:
    """Return the resultant force [N] on a bend of an angle [rad], of which 90 degrees gives sqrt(2) F.

    ``R = 2 F sin(bend / 2)``

    >>> round(bend_thrust(150e3, 0.0635, math.pi / 2), 1)
    671.8

    Source: handbook statics, momentum of the flow left out.
    """
    return 2.0 * thrust(pressure, diameter) * math.sin(bend / 2.0)


def compute(given: Given) -> Computed:
    """Return the thrust of the joint, of the bend, and what the clamp has to hold."""
    pressure, diameter = given.number("boost"), given.number("diameter")
    return {
        "thrust": thrust(pressure, diameter),
        "bend_thrust": bend_thrust(pressure, diameter, given.number("bend")),
        "per_10_kpa": thrust(10e3, diameter),
    }


def tell(given: Given, results: Results, limits: Limits) -> Told:
    """Say what the force means, with a bead and without one."""
    force = results.value("thrust")
    says = [
        f"The joint is pushed apart with {force:.0f} N, the weight of {force / 9.80665:.0f} kg; "
        f"each further 10 kPa adds {results.value('per_10_kpa'):.0f} N."
    ]
    caveats = ["What a clamp holds by friction is not reckoned: no source gives it for charge-air hose."]
    if given.choice("held_by") == "bead":
        says.append(
            "A bead all round holds this by shape where the whole band of the clamp lies on the pipe behind "
            "it: look at that, and that no band can be turned by hand."
        )
        return Told(says=says, caveats=caveats)
    says.append("Without a bead only friction holds it, and oil mist takes the friction away.")
    says.append(
        "Roll or weld a bead all round, or fit a joint that locks; then refit dry, with a constant-tension "
        "or bolt clamp that is smooth inside. A tighter worm-drive clamp cuts soft hose and does not make up "
        "for it."
    )
    implied = judge(limits, "joint_without_bead", force, results.uncertainty("thrust"))
    return Told(says=says, caveats=caveats, findings=[implied])


MEASURE = Measure(
    id="joint_thrust",
    label="Joint thrust",
    asks="With what force does boost push this hose joint apart?",
    inputs=(
        TO_CONVERT,
        Input(
            "diameter",
            "Sealing diameter of the joint (outside of the pipe)",
            "length",
            ("5 mm", "200 mm"),
            doubt="0.5 mm",
            example="63.5 mm",
        ),
        Input(
            "boost",
            "Boost",
            "pressure",
            ("0 kPa", "600 kPa"),
            reference="gauge",
            doubt="3 %",
            example="150 kPa gauge",
        ),
        Input("bend", "Angle of the bend beside the joint", "angle", ("0 deg", "180 deg"), False, "90 deg"),
        Input(
            "held_by",
            "What the clamp works against",
            "choice",
            choices={"bead": "A bead or barb on the pipe", "plain": "A plain pipe end"},
        ),
    ),
    outputs=(
        Output("thrust", "Force that pushes the joint apart", "force"),
        Output("bend_thrust", "Force on the bend", "force"),
        Output("per_10_kpa", "Force for each further 10 kPa of boost", "force"),
    ),
    formulas=(
        Formula("F = p * pi * D^2 / 4", "joint_statics"),
        Formula("R = 2 F sin(bend / 2)", "joint_statics"),
    ),
    assumes=(
        "The pressure acts on the sealing diameter and the pipes are free to move.",
        "Momentum of the flow is left out; it adds a few newtons.",
    ),
    compute=compute,
    tell=tell,
    example={
        "diameter": "63.5 mm",
        "boost": "150 kPa gauge",
        "bend": "90 deg",
        "held_by": "plain",
    },
    cautions=(),
    limits=("joint_without_bead",),
    published=(
        Published("thrust", 475.0, 1e-3, "handbook statics, p A"),
        Published("bend_thrust", 671.8, 1e-3, "handbook statics, sqrt(2) F"),
    ),
)
