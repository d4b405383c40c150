"""Supply: the voltage that a cable loses, what a joint adds to it, and the heat that the joint makes."""

from __future__ import annotations

import math

from engine.measures.declare import (
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

COPPER_20 = 1.7241e-8
"""Resistivity of annealed copper at 20 degC [ohm m]."""

COPPER_PER_K = 0.00393
"""Its rise for each kelvin above that."""

ROOM_K = 293.15

PATHS = {
    "ground": "Engine or body to battery negative",
    "feed": "Battery positive to pump, coil or computer",
    "starter": "Battery positive to the starter, while cranking",
}
LIMIT_OF = {"ground": "ground_drop_loaded", "feed": "feed_drop_loaded", "starter": "starter_cable_drop"}
QUANTITY_OF = {"ground": "ground_drop", "feed": "feed_drop"}


def copper_resistance(length: float, area: float, temperature: float) -> float:
    """Return the resistance [ohm] of a copper conductor.

    ``R = rho20 (1 + a (T - 20 degC)) L / A`` for a length [m], a cross-section [m2] and a temperature [K].

    >>> round(150.0 * copper_resistance(2.0, 35e-6, 293.15), 4)
    0.1478
    >>> round(100.0 * copper_resistance(3.0, 16e-6, 333.15), 4)
    0.3741

    Source: IACS resistivity and coefficient (handbook); stranded cable is some 2 % above.
    """
    return COPPER_20 * (1.0 + COPPER_PER_K * (temperature - ROOM_K)) * length / area


def awg_area(gauge: float) -> float:
    """Return the cross-section [m2] of a solid conductor of an American wire gauge; 2/0 is -1, 4/0 is -3.

    ``d = 0.127 mm 92^((36 - n) / 39)``

    >>> [round(awg_area(n) * 1e6, 3) for n in (0, 4, 8, 14)]
    [53.475, 21.151, 8.366, 2.081]

    Source: ASTM B258 (formula from memory).
    """
    diameter = 0.127e-3 * 92.0 ** ((36.0 - gauge) / 39.0)
    return float(math.pi / 4.0 * diameter * diameter)


def joint_heat(excess: float, current: float) -> float:
    """Return the heat [W] that a resistance [ohm] makes with a current [A].

    ``P = I^2 R``

    >>> round(joint_heat(1e-3, 150.0), 1)
    22.5

    Source: handbook electrical engineering (Joule).
    """
    return current * current * excess


def conductor(given: Given) -> float | None:
    """Return the cross-section [m2] given in either way; raises `InputError` for both or half a gauge."""
    area, gauge = given.optional("area"), given.optional("awg")
    if area is not None and gauge is not None:
        raise wrong("awg", f"{gauge:g}", "give the cross-section or the gauge, not both", ("35 mm2",))
    if gauge is None:
        return area
    if abs(gauge - round(gauge)) > 1e-9:
        raise wrong("awg", f"{gauge:g}", "a wire gauge is a whole number; 2/0 is -1, 4/0 is -3", ("4",))
    return awg_area(gauge)


def compute(given: Given) -> Computed:
    """Return what the cable alone loses, what is lost in all, and what a joint adds."""
    current, drop, length = given.number("current"), given.optional("drop"), given.optional("length")
    area = conductor(given)
    found: dict[str, float] = {}
    if area is not None:
        found["area"] = area
    if area is not None and length is not None:
        found["cable"] = copper_resistance(length, area, given.number("temperature"))
        found["expected"] = current * found["cable"]
    if drop is None and "cable" not in found:
        message = "give the measured drop, or length and cross-section of the cable"
        raise wrong("drop", None, message, ("0.15 V",))
    if drop is not None:
        if current <= 0.0:
            raise wrong(
                "current", None, "nothing is lost without a current: load the circuit first", ("20 A",)
            )
        found["drop"] = drop
        found["resistance"] = drop / current
        found["per_100_a"] = 100.0 * drop / current
        found["heat"] = drop * current
        if "cable" in found:
            found["excess"] = found["resistance"] - found["cable"]
            found["joint_heat"] = joint_heat(found["excess"], current)
    return found


def tell(given: Given, results: Results, limits: Limits) -> Told:
    """Say whether a joint is at fault, the cable is too thin, or all is well."""
    path = given.choice("path")
    limit_id = LIMIT_OF[path]
    says = []
    if results.has("expected"):
        expected = results.value("expected")
        says.append(f"The copper alone loses {expected:.3f} V at that current.")
        if judge(limits, limit_id, expected, results.uncertainty("expected")).state == "present":
            says.append("That is too much by itself: the cable is too thin or too long for this current.")
    caveats = ["Stranded cable is some 2 % above the solid conductor. The vehicle maker's limit comes first."]
    if not results.has("drop"):
        return Told(says=says, caveats=caveats)
    drop, doubt = results.value("drop"), results.uncertainty("drop")
    says.append(
        f"{drop:.2f} V are lost in all: {1e3 * results.value('resistance'):.2f} milliohm, "
        f"{results.value('heat'):.0f} W of heat."
    )
    implied = judge(limits, limit_id, drop, doubt)
    least = setting(limits[limit_id], "clears_above", "ampere")
    if implied.state == "absent" and given.number("current") < least:
        caveats.append(f"So little current clears nothing: load the circuit with {least:.0f} A or more.")
        findings: list[Implied] = []
    else:
        findings = [implied]
    says += _next(implied, results)
    if path == "starter" and results.value("per_100_a") > (
        setting(limits[limit_id], "for_each_100_a", "volt") + 2.0 * results.uncertainty("per_100_a")
    ):
        says.append(
            "It is over 0.20 V for each 100 A, what US Army TM 10-3930-671-24 allows a whole circuit."
        )
    if results.has("excess") and results.value("excess") < -2.0 * results.uncertainty("excess"):
        caveats.append(
            "Less is lost than the copper alone would lose: check current, length and cross-section, and "
            "that the current was flowing while the drop was read."
        )
    reported = [Reported(QUANTITY_OF[path], round(drop, 4), "volt")] if path in QUANTITY_OF else []
    return Told(says=says, caveats=caveats, findings=findings, measurements=reported)


def _next(implied: Implied, results: Results) -> list[str]:
    said = []
    if results.has("excess") and results.value("excess") > 2.0 * results.uncertainty("excess"):
        said.append(
            f"{1e3 * results.value('excess'):.2f} milliohm of it are not the copper: joints and contacts, "
            f"with {results.value('joint_heat'):.0f} W in them."
        )
    if implied.state == "present":
        said.append(
            "Move one probe along the path, joint by joint, until the step is found; clean and tighten it."
        )
    return said


MEASURE = Measure(
    id="voltage_drop",
    label="Voltage drop of a cable or joint",
    asks="Is too much voltage lost on the way, and is it the cable or a joint?",
    inputs=(
        Input("path", "Which way", "choice", choices=PATHS),
        Input(
            "current",
            "Current that flows",
            "current",
            ("0 A", "2000 A"),
            doubt="3 %",
            example="150 A",
            help="By a clamp meter, while the drop is read.",
        ),
        Input(
            "drop",
            "Voltage lost along it, under that current",
            "voltage",
            ("0 V", "16 V"),
            False,
            doubt="0.01 V",
            example="0.20 V",
            help="Meter from end to end of the path, on the posts themselves.",
        ),
        Input(
            "length",
            "Length of the cable, one way",
            "length",
            ("1 cm", "30 m"),
            False,
            doubt="2 %",
            shown="m",
            example="2 m",
        ),
        Input(
            "area",
            "Cross-section of the copper",
            "area",
            ("0.2 mm2", "200 mm2"),
            False,
            doubt="2 %",
            example="35 mm2",
        ),
        Input(
            "awg",
            "Or: American wire gauge",
            "count",
            ("-3", "30"),
            False,
            example="4",
            help="1/0 is 0, 2/0 is -1, 4/0 is -3.",
        ),
        Input(
            "temperature",
            "Temperature of the cable",
            "temperature",
            ("-40 degC", "150 degC"),
            False,
            "20 degC",
            doubt="5 K",
            matters_with="length",
        ),
    ),
    outputs=(
        Output("area", "Cross-section", "area"),
        Output("cable", "Resistance of the cable", "resistance"),
        Output("expected", "Lost in the cable alone", "voltage"),
        Output("drop", "Lost in all", "voltage"),
        Output("resistance", "Resistance in all", "resistance"),
        Output("per_100_a", "Lost for each 100 A", "voltage"),
        Output("heat", "Heat in all", "thermal_power"),
        Output("excess", "Resistance beyond that of the cable", "resistance"),
        Output("joint_heat", "Heat in the joints", "thermal_power"),
    ),
    formulas=(
        Formula("V = I rho20 (1 + a (T - 20 degC)) L / A", "iacs_copper"),
        Formula("d = 0.127 mm 92^((36 - n)/39)", "astm_b258"),
        Formula(
            "0.20 V for each 100 A over a whole circuit; over 0.4 V on the positive cable is high",
            "tm_10_3930_671_24",
        ),
        Formula("0.2 V to ground and 0.5 V in a feed", "common_practice"),
    ),
    assumes=("Solid copper of the gauge given; the current is that while the voltage was read.",),
    compute=compute,
    tell=tell,
    example={"path": "starter", "current": "150 A", "drop": "0.30 V", "length": "2 m", "area": "35 mm2"},
    cautions=(
        "battery_short",
        "overloaded_wire_fire",
        "cranking_engine_moves",
        "moving_belts_fans",
        "exhaust_gas_co",
    ),
    limits=tuple(sorted(LIMIT_OF.values())),
    published=(
        Published("expected", 0.1478, 1e-3, "IACS copper, worked by hand"),
        Published("per_100_a", 0.20, 1e-6, "0.30 V at 150 A, the limit of US Army TM 10-3930-671-24"),
    ),
)
