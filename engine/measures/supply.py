"""Supply: voltage lost in cables and joints, and what the battery shows at rest, cranking and running."""

from __future__ import annotations

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
from engine.measures.limits import Implied, Limits, judge

COPPER_20 = 1.7241e-8
COPPER_PER_K = 0.00393

PATHS = {
    "ground": "Engine or body to battery negative",
    "feed": "Battery positive to pump, coil or computer",
    "starter": "Battery positive to the starter, while cranking",
}


def copper_resistance(length: float, area: float, temperature: float) -> float:
    """Return the resistance [ohm] of a copper conductor of a length [m] and a cross-section [m2] at a
    temperature [K]: ``rho20 (1 + a (T - 293.15)) L / A``.

    >>> round(150.0 * copper_resistance(2.0, 35e-6, 293.15), 4)
    0.1478

    Source: IACS resistivity and coefficient (handbook).
    """
    return COPPER_20 * (1.0 + COPPER_PER_K * (temperature - 293.15)) * length / area


def awg_area(gauge: float) -> float:
    """Return the cross-section [m2] of a solid conductor of an American wire gauge.

    ``d = 0.127 mm 92^((36 - n)/39)``

    >>> round(awg_area(4) * 1e6, 3)
    21.151

    Source: ASTM B258 (formula from memory).
    """
    diameter = 0.127e-3 * 92.0 ** ((36.0 - gauge) / 39.0)
    return float(3.141592653589793 / 4.0 * diameter * diameter)


def compute_drop(given: Given) -> Computed:
    """Return what the cable alone would lose, what is too much, and the heat of it."""
    current = given.number("current")
    area = given.optional("area")
    gauge = given.optional("awg")
    found: dict[str, float] = {}
    if area is None and gauge is not None:
        area = awg_area(gauge)
    length = given.optional("length")
    if area is not None and length is not None:
        resistance = copper_resistance(length, area, given.number("temperature"))
        found["area"] = area
        found["cable"] = resistance
        found["expected"] = current * resistance
    drop = given.optional("drop")
    if drop is None and "expected" not in found:
        raise wrong(
            "drop", None, "give the measured drop, or the cable's length and cross-section", ("0.15 V",)
        )
    if drop is not None:
        if current <= 0.0:
            raise wrong("current", None, "without a current nothing is lost: load the circuit first")
        found["drop"] = drop
        found["resistance"] = drop / current
        found["per_100_a"] = drop / current * 100.0
        found["heat"] = drop * current
        if "cable" in found:
            found["excess"] = drop / current - found["cable"]
    return found


def tell_drop(given: Given, results: Results, limits: Limits) -> Told:
    """Say whether the joint is at fault, the cable too thin, or all is well."""
    path = given.choice("path")
    says = []
    findings: list[Implied] = []
    measurements = []
    if results.has("expected"):
        says.append(f"The cable alone loses {results.value('expected'):.3f} V at that current.")
    if results.has("drop"):
        drop, doubt = results.value("drop"), results.uncertainty("drop")
        says.append(
            f"{drop:.2f} V are lost, {1e3 * results.value('resistance'):.2f} milliohm, "
            f"{results.value('heat'):.0f} W of heat."
        )
        limit = {"ground": "ground_drop_loaded", "feed": "feed_drop_loaded", "starter": "starter_cable_drop"}[
            path
        ]
        findings.append(judge(limits, limit, drop, doubt))
        quantity = {"ground": "ground_drop", "feed": "feed_drop"}.get(path)
        if quantity is not None:
            measurements.append(Reported(quantity, round(drop, 4), "volt"))
        if results.has("excess") and results.value("excess") > results.value("cable"):
            says.append("More is lost in joints than in the cable: clean and tighten them, measure each.")
        elif findings[0].state == "present":
            says.append("Measure joint by joint along the path until the drop is found.")
    caveats = ["Stranded cable is some 2 % above the solid conductor; the maker's limit comes first."]
    return Told(says=says, caveats=caveats, findings=findings, measurements=measurements)


def compute_charging(given: Given) -> Computed:
    """Return the readings, and the charge that the resting voltage stands for."""
    names = ("rest", "cranking", "running", "loaded")
    found = {name: given.number(name) for name in names if given.has(name)}
    if not found:
        raise wrong("rest", None, "give at least one voltage", ("12.5 V",))
    if "cranking" in found and "rest" in found and found["cranking"] > found["rest"]:
        raise wrong("cranking", None, "a battery does not rise while it cranks")
    if "rest" in found:
        # Straight line of a 12-volt lead battery between empty and full, rested for hours: common practice.
        found["charge"] = min(1.0, max(0.0, (found["rest"] - 11.9) / (12.7 - 11.9)))
    return found


def tell_charging(given: Given, results: Results, limits: Limits) -> Told:
    """Say what battery and alternator are like."""
    says: list[str] = []
    findings: list[Implied] = []
    measurements = []
    if results.has("charge"):
        says.append(f"At rest the battery is about {100 * results.value('charge'):.0f} % charged.")
    for name, limit, quantity in (
        ("rest", "battery_at_rest", "battery_voltage"),
        ("cranking", "battery_cranking", "cranking_voltage"),
    ):
        if results.has(name):
            findings.append(judge(limits, limit, results.value(name), results.uncertainty(name)))
            measurements.append(Reported(quantity, round(results.value(name), 3), "volt"))
    worst = "loaded" if results.has("loaded") else "running"
    if results.has(worst):
        value, doubt = results.value(worst), results.uncertainty(worst)
        findings.append(judge(limits, "charging_low", value, doubt))
        findings.append(judge(limits, "charging_high", value, doubt))
        at = {"engine_speed_rpm": round(given.number("speed"), 1)}
        measurements.append(Reported("charging_voltage", round(value, 3), "volt", at))
    if not any(implied.state == "present" for implied in findings):
        says.append("Nothing here is outside its limits.")
    else:
        says.append(
            "Charge and test the battery first, then measure the drops of feed and ground, then the alternator."
        )
    caveats = ["For a 12-volt lead battery. An engine computer may lower the charging voltage on purpose."]
    return Told(says=says, caveats=caveats, findings=findings, measurements=measurements)


def _volts(name: str, label: str, top: str, example: str) -> Input:
    return Input(name, label, "voltage", ("5 V", top), False, doubt="0.05 V", example=example)


MEASURES = (
    Measure(
        id="voltage_drop",
        label="Voltage drop of a cable or joint",
        asks="Is too much voltage lost on the way, and is it the cable or a joint?",
        inputs=(
            Input("path", "Which way", "choice", choices=PATHS),
            Input(
                "current", "Current that flows", "current", ("0 A", "2000 A"), doubt="3 %", example="150 A"
            ),
            Input(
                "drop",
                "Voltage lost along it, under that current",
                "voltage",
                ("0 V", "16 V"),
                False,
                doubt="0.01 V",
                example="0.20 V",
            ),
            Input(
                "length",
                "Length of the cable",
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
            Input("awg", "Or: American wire gauge", "count", ("-3", "30"), False, example="4"),
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
            Output("heat", "Heat", "thermal_power"),
            Output("excess", "Resistance beyond that of the cable", "resistance"),
        ),
        formulas=(
            Formula("V = I rho20 (1 + a (T - 20 degC)) L / A", "iacs_copper"),
            Formula("d = 0.127 mm 92^((36 - n)/39)", "astm_b258"),
            Formula(
                "0.20 V for each 100 A over a whole circuit; over 0.4 V on the positive cable is high",
                "tm_10_3930_671_24",
            ),
        ),
        assumes=("Copper; the current is that while the voltage was read.",),
        compute=compute_drop,
        tell=tell_drop,
        example={"path": "starter", "current": "150 A", "drop": "0.30 V", "length": "2 m", "area": "35 mm2"},
        cautions=("battery_short", "overloaded_wire_fire"),
        limits=("feed_drop_loaded", "ground_drop_loaded", "starter_cable_drop"),
        published=(
            Published("expected", 0.1478, 1e-3, "IACS copper, worked by hand"),
            Published("per_100_a", 0.20, 1e-6, "the limit of US Army TM 10-3930-671-24"),
        ),
    ),
    Measure(
        id="charging",
        label="Battery and charging",
        asks="Are battery and alternator up to a full-load run?",
        inputs=(
            _volts("rest", "Battery at rest, engine off for an hour", "16 V", "12.5 V"),
            _volts("cranking", "Battery while cranking", "16 V", "10.4 V"),
            _volts("running", "Battery with the engine above idle", "20 V", "14.2 V"),
            _volts("loaded", "The same with lamps, fans and pump on", "20 V", "13.8 V"),
            Input(
                "speed",
                "Engine speed when running",
                "engine_speed",
                ("400 rpm", "8000 rpm"),
                False,
                "2000 rpm",
            ),
        ),
        outputs=(
            Output("rest", "At rest", "voltage"),
            Output("charge", "Charge that this stands for", "fraction"),
            Output("cranking", "Cranking", "voltage"),
            Output("running", "Running", "voltage"),
            Output("loaded", "Running under load", "voltage"),
        ),
        formulas=(
            Formula("charge = (V - 11.9) / (12.7 - 11.9) at rest, 12-volt lead battery", "common_practice"),
        ),
        assumes=("A lead battery of twelve volts, rested and near 20 degC.",),
        compute=compute_charging,
        tell=tell_charging,
        example={"rest": "12.5 V", "cranking": "10.4 V", "running": "14.2 V", "loaded": "13.8 V"},
        cautions=("battery_short", "moving_belts_fans"),
        limits=("battery_at_rest", "battery_cranking", "charging_high", "charging_low"),
        published=(Published("charge", 75.0, 1e-6, "12.5 V of 11.9 to 12.7 V, common practice"),),
    ),
)
