"""Battery and charging: the voltage of a 12-volt lead battery at rest, cranking and running."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

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

CHARGE = ((11.89, 0.0), (12.06, 0.25), (12.24, 0.5), (12.45, 0.75), (12.65, 1.0))
"""Volts at rest and the charge they stand for, a flooded battery of six cells near 25 degC."""

CRANKING = ((255.15, 8.5), (266.15, 8.9), (272.15, 9.1), (283.15, 9.4), (294.15, 9.6))
"""Temperature [K] of the battery and the least volts under a starting load."""

TEST_SPEED_RPM = 2000.0
"""Speed at which the running voltages are read where nothing else is said."""

SURFACE_V = 13.0
"""Above this a battery at rest still shows its last charge."""


def _between(points: Sequence[tuple[float, float]], x: float) -> float:
    if x <= points[0][0]:
        return points[0][1]
    for (x1, y1), (x2, y2) in pairwise(points):
        if x <= x2:
            return y1 + (y2 - y1) * (x - x1) / (x2 - x1)
    return points[-1][1]


def charge_at_rest(voltage: float) -> float:
    """Return the charge [1] that a voltage [V] at rest stands for, on straight lines between known points.

    >>> [charge_at_rest(v) for v in (11.5, 12.24, 12.45, 12.8)]
    [0.0, 0.5, 0.75, 1.0]

    Source: common practice, the usual table for a flooded battery of six cells after hours of rest.
    """
    return _between(CHARGE, voltage)


def least_cranking(temperature: float) -> float:
    """Return the least voltage [V] of a sound battery while cranking, at its temperature [K].

    >>> round(least_cranking(294.15), 2), round(least_cranking(272.15), 2)
    (9.6, 9.1)

    Source: common practice, the usual table of load tests.
    """
    return _between(CRANKING, temperature)


@dataclass
class _Said:
    """What the readings say, gathered one after the other."""

    says: list[str] = field(default_factory=list)
    caveats: list[str] = field(default_factory=list)
    findings: list[Implied] = field(default_factory=list)
    reported: list[Reported] = field(default_factory=list)


READINGS = ("rest", "cranking", "idle", "running", "loaded")


def compute(given: Given) -> Computed:
    """Return the readings, the charge that the resting voltage stands for, and the least while cranking."""
    found = {name: given.number(name) for name in READINGS if given.has(name)}
    if not found:
        raise wrong("rest", None, "give at least one voltage", ("12.5 V",))
    if "cranking" in found and "rest" in found and found["cranking"] > found["rest"]:
        raise wrong("cranking", None, "a battery does not rise while it cranks: are the two mixed up?")
    if "rest" in found:
        found["charge"] = charge_at_rest(found["rest"])
    temperature = given.optional("temperature")
    if "cranking" in found and temperature is not None:
        found["least_cranking"] = least_cranking(temperature)
    return found


def tell(given: Given, results: Results, limits: Limits) -> Told:
    """Say what battery and charging are like, and what to measure next."""
    said = _Said()
    if results.has("rest"):
        _rest(results, limits, said)
    if results.has("cranking"):
        _cranking(given, results, limits, said)
    if any(results.has(name) for name in ("idle", "running", "loaded")):
        _running(given, results, limits, said)
    states = [implied.state for implied in said.findings]
    if not said.says and states and all(state == "absent" for state in states):
        said.says.append("Battery and charging are within their limits.")
    elif not said.says:
        said.says.append("Nothing is beyond its limit, and not all of it is clear of one.")
    if results.has("charge"):
        said.says.insert(0, f"At rest the battery is about {100 * results.value('charge'):.0f} % charged.")
    said.caveats.append(
        "For a 12-volt lead battery. Computers of some cars lower the charging voltage on purpose; the "
        "maker's figures come first."
    )
    return Told(said.says, said.caveats, said.findings, said.reported)


def _rest(results: Results, limits: Limits, said: _Said) -> None:
    rest = results.value("rest")
    implied = judge(limits, "battery_at_rest", rest, results.uncertainty("rest"))
    said.findings.append(implied)
    said.reported.append(Reported("battery_voltage", round(rest, 3), "volt"))
    if implied.state == "present":
        said.says.append(
            "Charge the battery and let it rest before anything else is judged; then load-test it."
        )
    elif rest > SURFACE_V:
        said.says.append(
            "So much at rest is a charger or the last drive: lamps on for a minute, off, read again."
        )


def _cranking(given: Given, results: Results, limits: Limits, said: _Said) -> None:
    cranking = results.value("cranking")
    implied = judge(limits, "battery_cranking", cranking, results.uncertainty("cranking"))
    temperature = given.optional("temperature")
    cold = temperature is not None and temperature < setting(limits["battery_cranking"], "moderate", "kelvin")
    if cold and implied.state != "absent":
        least = results.value("least_cranking")
        verdict = "below" if cranking < least else "no less than"
        said.says.append(
            f"So cold, {cranking:.1f} V while cranking is {verdict} the {least:.1f} V of a sound battery. "
            "Repeat at moderate temperature to judge it."
        )
        return
    said.findings.append(implied)
    said.reported.append(Reported("cranking_voltage", round(cranking, 3), "volt"))
    if implied.state == "present":
        said.says.append("Low while cranking: charge and load-test the battery, then the drop of its cables.")


def _running(given: Given, results: Results, limits: Limits, said: _Said) -> None:
    speed = given.optional("speed")
    fast = speed is None or speed >= setting(limits["charging_low"], "least_speed", "rpm")
    if not fast:
        said.caveats.append("Below 1,500 rpm a low charging voltage says little: read it at 2,000 rpm.")
    at_speed = [name for name in ("loaded", "running") if results.has(name)]
    highest = max((n for n in ("idle", *at_speed) if results.has(n)), key=results.value)
    high = judge(limits, "charging_high", results.value(highest), results.uncertainty(highest))
    if high.state != "absent" or (at_speed and fast):
        said.findings.append(high)
    if high.state == "present":
        said.says.append("It overcharges: no full-load run before the regulator is mended.")
    low = None
    if at_speed and fast:
        worst = at_speed[0]
        low = judge(limits, "charging_low", results.value(worst), results.uncertainty(worst))
        said.findings.append(low)
        _low(results, low, limits, said)
    elif at_speed and not fast and results.value(at_speed[0]) < SURFACE_V:
        said.says.append("Low at this speed; read it again at 2,000 rpm with the loads on.")
    if results.has("idle") and results.value("idle") < SURFACE_V:
        said.says.append("At idle it hardly charges: look at belt and idle speed, and read it at 2,000 rpm.")
    name = highest if high.state == "present" and (low is None or low.state != "present") else None
    name = name or (at_speed[0] if at_speed else None)
    if name is not None:
        rpm = speed or TEST_SPEED_RPM
        at = {} if name == "idle" else {"engine_speed_rpm": round(rpm, 1)}
        said.reported.append(Reported("charging_voltage", round(results.value(name), 3), "volt", at))


def _low(results: Results, low: Implied, limits: Limits, said: _Said) -> None:
    alone = results.has("running") and not results.has("loaded")
    if low.state == "present" and alone:
        said.says.append(
            "It charges low with nothing switched on, which some computers do on purpose: read it again with "
            "lamps, fans and blower on."
        )
    elif low.state == "present":
        said.says.append(
            "It does not keep up with the loads: measure belt, feed and ground drop, then the alternator."
        )
    if alone or not results.has("running"):
        return
    bare = judge(limits, "charging_low", results.value("running"), results.uncertainty("running"))
    if bare.state != "present":
        return
    recovers = judge(limits, "charging_recovers", results.value("loaded"), results.uncertainty("loaded"))
    said.findings.append(recovers)
    if recovers.state == "present":
        said.says.append("Low without the loads and right with them: the computer steers it, no fault.")


def _volts(name: str, label: str, top: str, example: str, help_text: str = "") -> Input:
    return Input(name, label, "voltage", ("5 V", top), False, doubt="0.05 V", example=example, help=help_text)


MEASURE = Measure(
    id="charging",
    label="Battery and charging",
    asks="Are battery and alternator up to a full-load run?",
    inputs=(
        _volts("rest", "Battery at rest, all off for an hour or more", "16 V", "12.5 V"),
        _volts("cranking", "Battery while cranking, the lowest steady value", "16 V", "10.4 V"),
        _volts("idle", "Battery at warm idle", "20 V", "14.1 V"),
        _volts("running", "Battery at about 2,000 rpm, all off", "20 V", "14.2 V"),
        _volts(
            "loaded", "The same with lamps, fans, blower and pump on", "20 V", "13.8 V", "After a minute."
        ),
        Input(
            "speed",
            "Engine speed of these two",
            "engine_speed",
            ("400 rpm", "8000 rpm"),
            False,
            example="2000 rpm",
            help="Taken as 2,000 rpm.",
        ),
        Input(
            "temperature",
            "Temperature of the battery",
            "temperature",
            ("-40 degC", "80 degC"),
            False,
            doubt="3 K",
            example="20 degC",
            help="Matters for cranking in the cold.",
        ),
    ),
    outputs=(
        Output("charge", "Charge that the voltage at rest stands for", "fraction"),
        Output("rest", "At rest", "voltage"),
        Output("cranking", "Cranking", "voltage"),
        Output("least_cranking", "Least while cranking at that temperature", "voltage"),
        Output("idle", "At idle", "voltage"),
        Output("running", "Running, all off", "voltage"),
        Output("loaded", "Running under load", "voltage"),
    ),
    formulas=(
        Formula("charge by voltage at rest, table", "battery_rest_table"),
        Formula("least voltage while cranking by temperature, table", "battery_cranking_cold"),
    ),
    assumes=("A flooded lead battery of twelve volts, rested and near 25 degC for its charge.",),
    compute=compute,
    tell=tell,
    example={"rest": "12.45 V", "cranking": "10.4 V", "running": "14.2 V", "loaded": "13.8 V"},
    cautions=("battery_short", "cranking_engine_moves", "moving_belts_fans", "exhaust_gas_co"),
    limits=("battery_at_rest", "battery_cranking", "charging_high", "charging_low", "charging_recovers"),
    published=(Published("charge", 75.0, 1e-6, "12.45 V, usual table of the trade (from memory)"),),
)
