"""Injectors: flow at the real pressure, duty cycle, dead time, and what a power asks of them."""

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
from engine.measures.limits import Limits, judge

DUTY_CAP = 0.85


def flow_at(flow: float, rated_pressure: float, pressure: float) -> float:
    """Return the static flow of an injector at a differential pressure, from that at its rated one.

    ``Q2 = Q1 sqrt(dp2 / dp1)``, any units of flow, pressures in the same unit.

    >>> round(flow_at(500.0, 300.0, 400.0), 2)
    577.35

    Source: Bernoulli, flow through a fixed orifice; handbook.
    """
    return flow * math.sqrt(pressure / rated_pressure)


def duty_cycle(pulse: float, speed_rpm: float, shots_per_cycle: int = 1) -> float:
    """Return the duty cycle [1] of a pulse [s] at an engine speed [1/min]; a four-stroke cycle has two turns.

    >>> round(duty_cycle(0.016, 6000.0), 3)
    0.8

    Source: definition.
    """
    return pulse * shots_per_cycle * speed_rpm / 120.0


def needed_flow(power: float, consumption: float, number: int, duty: float, density: float) -> float:
    """Return the static flow [m3/s] that each injector needs for a power [W].

    ``Q = P b / (n D rho)`` with the specific consumption b [kg/J], the duty D [1] and the density [kg/m3].

    >>> round(needed_flow(200e3, 340e-3 / 3.6e6, 4, 0.80, 745.0) * 6e7, 1)
    475.4

    Source: mass balance; handbook.
    """
    return power * consumption / (number * duty * density)


def between(x: float, xs: Sequence[float], ys: Sequence[float]) -> float:
    """Return y at x by straight lines between points of rising x; the ends are held.

    >>> between(12.5, (12.0, 13.0), (1.2, 1.0))
    1.1
    """
    if x <= xs[0]:
        return ys[0]
    for (x0, y0), (x1, y1) in zip(zip(xs, ys, strict=True), zip(xs[1:], ys[1:], strict=True), strict=False):
        if x <= x1:
            return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
    return ys[-1]


def _dead_time(given: Given) -> float:
    volts, times = given.many("dead_volts"), given.many("dead_times")
    if not volts and not times:
        return given.optional("dead_time") or 0.0
    if len(volts) != len(times) or sorted(set(volts)) != list(volts):
        raise wrong("dead_volts", None, "a table of dead times has a rising voltage for each of them")
    supply = given.optional("supply")
    if supply is None:
        raise wrong("supply", None, "the voltage at the injector is needed to read the table", ("13.5 V",))
    return between(supply, volts, times)


def compute(given: Given) -> Computed:
    """Return flow, duty and power as far as the readings tell."""
    found: dict[str, float] = {}
    rated, rated_at = given.number("flow"), given.number("rated_pressure")
    difference = given.optional("difference")
    if difference is None:
        rail, manifold = given.optional("rail"), given.optional("manifold")
        if rail is not None and manifold is not None:
            difference = rail - manifold
        else:
            difference = rated_at
    if difference <= 0.0:
        raise wrong("rail", None, "the rail is not above the manifold: no fuel flows")
    flow = flow_at(rated, rated_at, difference)
    found["difference"] = difference
    found["flow_real"] = flow
    number = round(given.number("number"))
    density, consumption = given.number("density"), given.number("consumption")
    pulse, speed = given.optional("pulse"), given.optional("speed")
    dead = _dead_time(given)
    if dead:
        found["dead"] = dead
    if pulse is not None and speed is not None:
        shots = round(given.number("shots"))
        duty = duty_cycle(pulse, speed, shots)
        if dead > pulse:
            raise wrong("dead_time", None, "the injector would never open: the pulse is shorter")
        found["duty"] = duty
        found["open_duty"] = duty_cycle(pulse - dead, speed, shots)
        found["power_now"] = found["open_duty"] * flow * density * number / consumption
    power = given.optional("power")
    if power is not None:
        needed = needed_flow(power, consumption, number, given.number("duty_cap"), density)
        found["needed"] = needed
        found["duty_at_power"] = power * consumption / (number * flow * density)
    found["power_most"] = given.number("duty_cap") * flow * density * number / consumption
    return found


def tell(given: Given, results: Results, limits: Limits) -> Told:
    """Say whether the injectors have a reserve."""
    says = [
        f"Each flows {results.value('flow_real') * 6e7:.0f} cc/min at {results.value('difference') / 1e3:.0f} kPa "
        f"over the manifold; the set feeds some {results.value('power_most') / 1e3:.0f} kW."
    ]
    findings = []
    measurements = []
    for name in ("duty", "duty_at_power"):
        if results.has(name):
            duty = 100.0 * results.value(name)
            doubt = 100.0 * results.uncertainty(name)
            what = "in the log" if name == "duty" else "for that power"
            says.append(f"Duty cycle {what}: {duty:.0f} %.")
            if name == "duty":
                findings.append(judge(limits, "injector_duty_by_pulse", duty, doubt))
                at = {"engine_speed_rpm": round(given.number("speed"), 1)}
                measurements.append(Reported("injector_duty", round(duty, 2), "percent", at))
            elif duty > 100.0 * DUTY_CAP:
                says.append("Larger injectors or more fuel pressure are needed before that run.")
    caveats = []
    rail, manifold = given.optional("rail"), given.optional("manifold")
    if rail is not None and manifold is not None and manifold > 0 and results.value("difference") < 250e3:
        caveats.append("Less than 250 kPa over the manifold at boost: does the regulator follow it?")
    return Told(says=says, caveats=caveats, findings=findings, measurements=measurements)


MEASURE = Measure(
    id="injector_flow",
    label="Injector flow and duty cycle",
    asks="What do the injectors flow at the real pressure, how long are they open, what power do they feed?",
    inputs=(
        TO_CONVERT,
        Input(
            "flow",
            "Rated flow of one injector",
            "volume_flow",
            ("50 cc/min", "4000 cc/min"),
            doubt="2 %",
            shown="cc/min",
            example="500 cc/min",
        ),
        Input(
            "rated_pressure",
            "at a pressure difference of",
            "pressure_difference",
            ("100 kPa", "700 kPa"),
            False,
            "300 kPa",
        ),
        Input(
            "difference",
            "Real pressure over the manifold",
            "pressure_difference",
            ("20 kPa", "1200 kPa"),
            False,
            doubt="2 %",
            example="400 kPa",
        ),
        Input(
            "rail",
            "Or: fuel pressure",
            "pressure",
            ("20 kPa", "1500 kPa"),
            False,
            reference="gauge",
            doubt="2 %",
            example="400 kPa gauge",
        ),
        Input(
            "manifold",
            "and manifold pressure",
            "pressure",
            ("-101 kPa", "600 kPa"),
            False,
            reference="gauge",
            doubt="2 kPa",
            example="100 kPa gauge",
        ),
        Input(
            "pulse",
            "Pulse width",
            "time",
            ("0.1 ms", "60 ms"),
            False,
            doubt="0.05 ms",
            shown="ms",
            example="16 ms",
        ),
        Input(
            "speed",
            "Engine speed",
            "engine_speed",
            ("200 rpm", "15000 rpm"),
            False,
            doubt="1 %",
            example="6000 rpm",
        ),
        Input("shots", "Injections in a working cycle", "count", ("1", "8"), False, "1"),
        Input(
            "dead_time",
            "Dead time",
            "time",
            ("0 ms", "5 ms"),
            False,
            doubt="0.1 ms",
            shown="ms",
            example="1.0 ms",
        ),
        Input(
            "dead_volts",
            "Or a table: voltages",
            "voltage",
            ("5 V", "20 V"),
            False,
            many=True,
            at_least=2,
            example="10/12/14 V",
        ),
        Input(
            "dead_times",
            "and dead times",
            "time",
            ("0 ms", "8 ms"),
            False,
            many=True,
            at_least=2,
            shown="ms",
            example="1.6/1.2/0.9 ms",
        ),
        Input(
            "supply",
            "Voltage at the injector",
            "voltage",
            ("5 V", "20 V"),
            False,
            doubt="0.1 V",
            example="13.5 V",
        ),
        Input("power", "Power wanted", "power", ("10 kW", "2000 kW"), False, example="200 kW"),
        Input("number", "Number of injectors", "count", ("1", "24"), False, "4"),
        Input(
            "consumption",
            "Specific consumption at full load",
            "specific_consumption",
            ("200 g/kWh", "900 g/kWh"),
            False,
            "340 g/kWh",
            doubt="8 %",
            help="Some 320 to 360 for boosted petrol, 450 to 550 on E85.",
        ),
        Input(
            "density",
            "Density of the fuel",
            "density",
            ("650 kg/m3", "850 kg/m3"),
            False,
            "745 kg/m3",
            doubt="2 %",
        ),
        Input("duty_cap", "Duty cycle that may be used", "fraction", ("50 %", "100 %"), False, "85 %"),
    ),
    outputs=(
        Output("difference", "Pressure over the manifold", "pressure_difference"),
        Output("flow_real", "Flow of each at that pressure", "volume_flow", "cc/min"),
        Output("duty", "Duty cycle", "fraction"),
        Output("dead", "Dead time", "time", "ms"),
        Output("open_duty", "Duty cycle without the dead time", "fraction"),
        Output("power_now", "Power that this pulse feeds", "power"),
        Output("needed", "Flow needed of each for the power wanted", "volume_flow", "cc/min"),
        Output("duty_at_power", "Duty cycle for the power wanted", "fraction"),
        Output("power_most", "Power that the set can feed", "power"),
    ),
    formulas=(
        Formula("Q2 = Q1 sqrt(dp2 / dp1)", "bernoulli_orifice"),
        Formula("duty = pulse * speed / 120 s (four-stroke, one injection in a cycle)", "common_practice"),
        Formula("Q = P b / (n D rho)", "common_practice"),
    ),
    assumes=(
        "Full at its duty cap; dead time is lost and counts as closed.",
        "Specific consumption and the cap of 80 to 85 % are common practice, not the maker's figures.",
    ),
    compute=compute,
    tell=tell,
    example={
        "flow": "500 cc/min",
        "difference": "400 kPa",
        "pulse": "16 ms",
        "speed": "6000 rpm",
        "power": "200 kW",
        "duty_cap": "80 %",
    },
    cautions=("petrol_fire", "fuel_line_pressure"),
    limits=("injector_duty_by_pulse",),
    published=(
        Published("flow_real", 577.35, 1e-4, "square-root law; library fluids"),
        Published("duty", 80.0, 1e-4, "definition, worked by hand"),
        Published("needed", 475.4, 1e-3, "mass balance, worked by hand"),
    ),
)
