"""Injectors: flow at the real pressure, duty cycle, dead time, and what a power asks of them."""

from __future__ import annotations

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
from engine.measures.fuel_flow import between, duty_cycle, flow_at, needed_flow
from engine.measures.fuels import CONSUMPTION, DENSITY, FUEL, check_consumption
from engine.measures.limits import Implied, Limits, judge, setting

LIMIT = "injector_duty_by_pulse"

MOST_DUTY = 1.5
"""As the knowledge base takes it; a pulse that long for that speed was misread."""


def _dead_time(given: Given) -> float | None:
    volts, times = given.many("dead_volts"), given.many("dead_times")
    typed, supply = given.optional("dead_time"), given.optional("supply")
    if not volts and not times:
        return typed
    if typed is not None:
        raise wrong("dead_time", f"{1e3 * typed:g} ms", "give one dead time or a table of them, not both")
    if len(volts) != len(times) or sorted(set(volts)) != list(volts):
        raise wrong("dead_volts", None, "a table of dead times has a rising voltage for each of them")
    if times[-1] > times[0]:
        raise wrong("dead_times", None, "dead time falls as the voltage rises; both lists in the same order")
    if supply is None:
        raise wrong("supply", None, "the voltage at the injector is needed to read the table", ("13.5 V",))
    if not volts[0] - 0.5 <= supply <= volts[-1] + 0.5:
        accepted = (f"{volts[0]:g} to {volts[-1]:g} V",)
        raise wrong("supply", f"{supply:g} V", "the table of dead times does not reach there", accepted)
    return between(supply, volts, times)


def _difference(given: Given) -> float:
    typed, rail, manifold = (given.optional(name) for name in ("difference", "rail", "manifold"))
    if typed is not None:
        if rail is not None:
            raise wrong("difference", f"{typed / 1e3:g} kPa", "give it or the fuel pressure, not both")
        return typed
    if rail is None:
        return given.number("rated_pressure")
    if manifold is None:
        raise wrong(
            "manifold", None, "the manifold pressure is needed beside the fuel pressure", ("100 kPa gauge",)
        )
    if rail <= manifold:
        raise wrong("rail", f"{rail / 1e3:g} kPa gauge", "the rail is not above the manifold: no fuel flows")
    return rail - manifold


def compute(given: Given) -> Computed:
    """Return flow, duty and power as far as the readings tell."""
    check_consumption(given)
    difference = _difference(given)
    flow = flow_at(given.number("flow"), given.number("rated_pressure"), difference)
    found: dict[str, float] = {"difference": difference, "flow_real": flow}
    number, shots = round(given.number("number")), round(given.number("shots"))
    density, consumption = given.number("density"), given.number("consumption")
    each = flow * density * number / consumption
    pulse, speed, dead = given.optional("pulse"), given.optional("speed"), _dead_time(given)
    if pulse is not None and speed is None:
        raise wrong("speed", None, "the engine speed is needed beside the pulse width", ("6000 rpm",))
    lost = 0.0
    if dead is not None:
        found["dead"] = dead
        lost = 0.0 if speed is None else duty_cycle(dead, speed, shots)
    if pulse is not None and speed is not None:
        duty = duty_cycle(pulse, speed, shots)
        if duty > MOST_DUTY:
            message = (
                f"open for {100 * duty:.0f} % of the time at that speed: pulse, speed or injections misread"
            )
            raise wrong("pulse", f"{1e3 * pulse:g} ms", message)
        if dead is not None and dead > pulse:
            raise wrong(
                "dead_time", f"{1e3 * dead:g} ms", "the pulse is shorter: the injector would never open"
            )
        found["duty"] = duty
        # One that never closes has no dead time to lose.
        found["open_duty"] = duty - lost if duty < 1.0 else 1.0
        found["power_now"] = found["open_duty"] * each
    open_cap = given.number("duty_cap") - lost
    if open_cap <= 0.0:
        raise wrong(
            "dead_time", None, "at that speed the dead time takes all of the duty cycle that may be used"
        )
    power = given.optional("power")
    if power is not None:
        found["needed"] = needed_flow(power, consumption, number, open_cap, density)
        found["duty_at_power"] = power / each + lost
    found["power_most"] = open_cap * each
    return found


def tell(given: Given, results: Results, limits: Limits) -> Told:
    """Say whether the injectors have a reserve, and which reading to take next."""
    cap = 100.0 * given.number("duty_cap")
    flow, over = 6e7 * results.value("flow_real"), results.value("difference") / 1e3
    says = [
        f"Each flows {flow:.0f} cc/min at {over:.0f} kPa over the manifold; at {cap:.0f} % duty the set "
        f"feeds some {results.value('power_most') / 1e3:.0f} kW."
    ]
    findings: list[Implied] = []
    measurements: list[Reported] = []
    if results.has("duty"):
        duty, doubt = 100.0 * results.value("duty"), 100.0 * results.uncertainty("duty")
        judged = judge(limits, LIMIT, duty, doubt)
        says.append(f"Duty cycle as read: {duty:.0f} %. {_duty(judged)}")
        findings, measurements = _facts(given, judged, duty, limits)
    if results.has("duty_at_power"):
        says.append(_power(given, results))
    return Told(says=says, caveats=_caveats(given, results), findings=findings, measurements=measurements)


def _duty(judged: Implied) -> str:
    if judged.state == "present":
        return "They are out of reserve: check the fuel pressure at that moment first, then fit larger ones."
    return (
        "There is a reserve."
        if judged.state == "absent"
        else "Little reserve: log the fuel pressure with it."
    )


def _power(given: Given, results: Results) -> str:
    needed, duty = 6e7 * results.value("needed"), 100.0 * results.value("duty_at_power")
    enough = (
        "That fits."
        if results.value("duty_at_power") <= given.number("duty_cap")
        else "Larger injectors, more fuel pressure or less power before that run."
    )
    wanted = given.number("power") / 1e3
    return f"{wanted:.0f} kW needs {needed:.0f} cc/min of each; these would be open {duty:.0f} %. {enough}"


def _facts(
    given: Given, judged: Implied, duty: float, limits: Limits
) -> tuple[list[Implied], list[Reported]]:
    """Return what the duty cycle shows of the car: only high speed and boost prove a reserve."""
    limit = limits[LIMIT]
    manifold, speed = given.optional("manifold"), given.number("speed")
    boost = None if manifold is None else manifold / 1e3
    at = {"engine_speed_rpm": round(speed, 1)}
    if boost is not None:
        at["boost_pressure_kPa"] = round(boost, 2)
    proved = (
        boost is not None
        and boost > setting(limit, "clears_above_boost", "kPa")
        and speed > setting(limit, "clears_above_speed", "rpm")
    )
    if judged.state == "absent" and not proved:
        return [], [Reported("injector_duty", round(duty, 2), "percent", at)]
    # The rule that clears knows no doubt; a reading that is not clear of the limit is held back from it.
    if judged.state == "unknown" and proved and judge(limits, LIMIT, duty).state == "absent":
        return [judged], []
    return [judged], [Reported("injector_duty", round(duty, 2), "percent", at)]


def _caveats(given: Given, results: Results) -> list[str]:
    caveats = []
    manifold = given.optional("manifold")
    if manifold is not None and manifold > 0 and given.has("rail") and results.value("difference") < 250e3:
        caveats.append("Less than 250 kPa over the manifold at boost: does the regulator follow it?")
    if not given.has("difference") and not given.has("rail"):
        caveats.append("No fuel pressure was given: the flow is that at the rated pressure.")
    if not results.has("dead"):
        caveats.append(
            "No dead time was given; 1 ms at 6,000 rpm takes 5 % of the time, so the truth is worse."
        )
    elif not given.has("speed"):
        caveats.append("Without an engine speed the dead time is not taken off the power.")
    return caveats


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
            "Pressure difference of that rating",
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
            valid=("100 kPa", "600 kPa"),
            valid_because="beyond it injectors leave the square-root law or do not open",
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
            "Manifold pressure at that moment",
            "pressure",
            ("-101 kPa", "600 kPa"),
            False,
            reference="gauge",
            doubt="2 kPa",
            example="100 kPa gauge",
        ),
        Input(
            "pulse",
            "Pulse width as commanded, dead time in it",
            "time",
            ("0.1 ms", "60 ms"),
            False,
            doubt="0.05 ms",
            shown="ms",
            example="16 ms",
        ),
        Input(
            "speed",
            "Engine speed, of the pulse and of the power",
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
            doubt="0.05 ms",
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
        Input("power", "Power wanted, at the crank", "power", ("10 kW", "2000 kW"), False, example="200 kW"),
        Input("number", "Number of injectors", "count", ("1", "24"), False, "4"),
        FUEL,
        CONSUMPTION,
        DENSITY,
        Input(
            "duty_cap",
            "Duty cycle that may be used",
            "fraction",
            ("50 %", "100 %"),
            False,
            "85 %",
            help="80 to 85 % is common practice.",
        ),
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
        Formula("duty = pulse * speed / 120 s (four-stroke, one injection in a cycle)", "fuel_mass_balance"),
        Formula(
            "Q = P b / (n D rho), D the duty cycle that may be used less dead time * speed / 120 s",
            "fuel_mass_balance",
        ),
    ),
    assumes=(
        "Four-stroke engine; dead time counts as closed, and closing flow as part of it.",
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
    cautions=("petrol_fire", "fuel_line_pressure", "full_load_on_the_road"),
    limits=(LIMIT,),
    published=(
        Published("flow_real", 577.35, 1e-4, "square-root law; library fluids"),
        Published("duty", 80.0, 1e-4, "definition, worked by hand"),
        Published("needed", 475.4, 1e-3, "mass balance, worked by hand"),
    ),
)
