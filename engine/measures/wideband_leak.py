"""Exhaust leak ahead of the wideband: how much air is drawn in, and how far lambda can be trusted."""

from __future__ import annotations

import math
from dataclasses import replace

from engine.measures.declare import (
    ATMOSPHERE,
    Computed,
    Formula,
    Given,
    Input,
    Measure,
    Output,
    Published,
    Results,
    Told,
    wrong,
)
from engine.measures.limits import Limits, judge, setting
from engine.measures.orifice import orifice_mass_flow

WORKSHOP_AIR_K = 293.15
"""Air that a leak draws in, at 20 degC."""

NOISE = 0.03
"""Between two readings of one idle; a cover that makes it leaner by more is a mixture that moved."""

TRUSTED_ERROR = 0.01
"""As near as two good widebands agree, as a share of lambda."""


def indicated(true: float, share: float) -> float:
    """Return the lambda that a sensor shows when a share of the engine's air is drawn in ahead of it.

    ``indicated = lambda (1 + y)``, y the air drawn in against the air that the engine takes, both by mass;
    dimensionless.

    >>> round(indicated(0.80, 0.05), 3)
    0.84

    Source: definition of lambda (all the air over the air that the fuel needs); Brettschneider's formula
    gives the same for an element-balanced gas. The sensor burns what reaches it to equilibrium.
    """
    return true * (1.0 + share)


def share_from_cover(
    found: float, covered: float, trim_found: float = 0.0, trim_covered: float = 0.0
) -> float:
    """Return the air drawn in against the engine's air, from idle lambda as found and with the leak sealed.

    ``y = found (1 + trim found) / (covered (1 + trim covered)) - 1``, all dimensionless. The trims count
    because an engine in closed loop makes up for the leak: it holds lambda and adds the fuel.

    >>> round(share_from_cover(1.05, 1.00), 3)
    0.05
    >>> round(share_from_cover(1.00, 1.00, 0.08, 0.0), 3)
    0.08

    Source: definition of lambda; the fuel is in proportion to one plus the trim.
    """
    return found * (1.0 + trim_found) / (covered * (1.0 + trim_covered)) - 1.0


def drawn_through(diameter: float, cd: float, suction: float, time_share: float, atmosphere: float) -> float:
    """Return the air [kg/s] that a hole [m] draws in while the pulses leave the pipe below the air.

    ``m = t Cd A f(p, p - s)`` with the suction s [Pa] while it lasts, the share of the time t [1] and the
    orifice flow f of air at 20 degC, the atmosphere in Pa absolute.

    >>> round(1e3 * drawn_through(0.005, 0.7, 1000.0, 0.30, 101_325.0), 3)
    0.201

    Source: one-dimensional isentropic orifice flow; suction and its share of the time are rough guesses.
    """
    area = math.pi / 4.0 * diameter * diameter
    return time_share * orifice_mass_flow(area, cd, atmosphere, atmosphere - suction, WORKSHOP_AIR_K)


def _share_of(given: Given) -> float:
    typed, hole = given.optional("share"), given.optional("hole")
    found, covered = given.optional("idle_lambda"), given.optional("idle_covered")
    ways = [name for name in ("share", "hole", "idle_covered") if given.has(name)]
    if len(ways) > 1:
        raise wrong(ways[0], None, f"one way to the share is enough: {' or '.join(ways)}", (ways[-1],))
    if typed is not None:
        return typed
    if hole is not None:
        flow = drawn_through(
            hole,
            given.number("hole_cd"),
            given.number("suction"),
            given.number("suction_time"),
            given.number("atmosphere"),
        )
        return flow / given.number("idle_flow")
    if covered is None or found is None:
        message = "give lambda at idle as found and covered, or the share drawn in, or the hole"
        raise wrong("idle_covered" if covered is None else "idle_lambda", None, message, ("1.00",))
    share = share_from_cover(found, covered, given.number("trim_found"), given.number("trim_covered"))
    if share < -NOISE:
        message = "leaner with the leak covered: the mixture itself moved; give the trims, or hold them"
        raise wrong("idle_covered", f"{covered:g}", message, ("trim_found=8 %", "trim_covered=0 %"))
    if share > 1.0:
        raise wrong(
            "idle_lambda", f"{found:g}", "more air drawn in than the engine takes: is the probe in the pipe?"
        )
    return share


def compute(given: Given) -> Computed:
    """Return the share drawn in at idle, true lambda there, and the bounds of both at load."""
    share = _share_of(given)
    # A little below nothing is the doubt of two readings; it stays so in the share, and counts as none.
    drawn = max(0.0, share) * given.number("idle_flow")
    at_load = drawn / given.number("load_flow")
    found: dict[str, float] = {
        "share_idle": share,
        "drawn": drawn,
        "share_load": at_load,
        "trusted_from": drawn / TRUSTED_ERROR,
    }
    idle, load = given.optional("idle_lambda"), given.optional("load_lambda")
    if idle is not None:
        found["true_idle"] = idle / (1.0 + max(0.0, share))
        found["error_idle"] = idle - found["true_idle"]
    if load is not None:
        found["true_load"] = load / (1.0 + at_load)
        found["error_load"] = load - found["true_load"]
    return found


def tell(given: Given, results: Results, limits: Limits) -> Told:
    """Say how far the wideband can be trusted at idle and at load, and what to do first."""
    share, at_load = 100.0 * results.value("share_idle"), 100.0 * results.value("share_load")
    doubt = 100.0 * results.uncertainty("share_idle")
    shift = judge(limits, "wideband_idle_shift", share, doubt)
    if share > 0.0:
        says = [
            f"At idle {share:.1f} % of the engine's air is drawn in ahead of the sensor. {_idle(results)}"
        ]
        says.append(_load(results, 1e3 * given.number("load_flow")))
    else:
        says = ["The readings show no air drawn in at idle."]
    tailpipe = given.choice("sensor_at") == "tailpipe"
    if shift.state == "present":
        says.append(
            "Push the probe deeper or lengthen the pipe, then read again; at idle do not go by it."
            if tailpipe
            else "Mend the leak before trims, an idle table or a full-load run: cold engine, smoke or "
            "low-pressure air in the exhaust, soap at every joint ahead of the sensor."
        )
    elif shift.state == "absent":
        says.append("That is no more than a good wideband may be off.")
    else:
        says.append(
            "That is within the doubt of the readings: smoke the exhaust cold, which tells for certain."
        )
    # An estimate from a hole tells nothing of the car; and what a sensor in the pipe shows is a leak, which
    # the finding of the tailpipe sensor would put down to dilution.
    right_at_load = at_load <= setting(limits["wideband_idle_shift"], "gone_at_load", "percent")
    findings = [shift] if tailpipe and right_at_load and not given.has("hole") else []
    return Told(says=says, caveats=_caveats(given), findings=findings)


def _idle(results: Results) -> str:
    if not results.has("true_idle"):
        return "Lambda reads so much too lean there."
    error, true = results.value("error_idle"), results.value("true_idle")
    return f"Lambda reads {error:.3f} too lean there: it is {true:.3f}."


def _load(results: Results, flow: float) -> str:
    at_load = 100.0 * results.value("share_load")
    least = (
        f"From {1e3 * results.value('trusted_from'):.0f} g/s of air upwards it is wrong by less than 1 %."
        if at_load < 100.0 * TRUSTED_ERROR
        else "Not even at load is it within 1 %."
    )
    if not results.has("true_load"):
        return f"At {flow:.0f} g/s of air it reads at most {at_load:.2f} % too lean. {least}"
    true = results.value("true_load")
    shown = true + results.value("error_load")
    return f"At load the true lambda lies between {true:.3f} and the {shown:.3f} shown. {least}"


def _caveats(given: Given) -> list[str]:
    caveats = [
        "At load the pipe is mostly above the air and the leak blows out; that it draws in no more than at "
        "idle is taken for granted, not measured. A leak grows with heat and load."
    ]
    if given.has("hole"):
        caveats.append(
            "Worked out from a hole, the share is good to about half or double: a cover test tells more."
        )
    elif given.has("idle_covered") and not (given.number("trim_found") or given.number("trim_covered")):
        caveats.append(
            "The trims count as equal in both readings. In closed loop the computer hides the leak in its "
            "trim: give both trims, or read in open loop."
        )
    return caveats


def _lambda(name: str, label: str, example: str) -> Input:
    return Input(name, label, "ratio", ("0.5", "2.5"), False, doubt="0.01", example=example)


def _trim(name: str, label: str, example: str) -> Input:
    return Input(
        name,
        label,
        "fraction",
        ("-50 %", "60 %"),
        False,
        "0 %",
        example=example,
        matters_with="idle_covered",
        help="Short-term and long-term together; positive adds fuel.",
    )


MEASURE = Measure(
    id="wideband_leak",
    label="Exhaust leak ahead of the wideband",
    asks="How far does air drawn in ahead of the sensor falsify lambda at idle and at load?",
    inputs=(
        replace(ATMOSPHERE, matters_with="hole"),
        _lambda("idle_lambda", "Lambda shown at idle, as found", "1.05"),
        _lambda("idle_covered", "Lambda at idle with the suspected leak sealed", "1.00"),
        _trim("trim_found", "Fuel trim at idle, as found", "8 %"),
        _trim("trim_covered", "Fuel trim at idle with the leak sealed", "1 %"),
        Input(
            "share",
            "Or: air drawn in at idle, share of the engine's air",
            "fraction",
            ("0 %", "60 %"),
            False,
            doubt="1 %",
            example="5 %",
        ),
        Input(
            "hole",
            "Or: hole or crack, as the bore of a round hole",
            "length",
            ("0.2 mm", "40 mm"),
            False,
            doubt="20 %",
            example="4 mm",
            help="A rough guide only.",
        ),
        Input(
            "hole_cd",
            "Discharge coefficient of the hole",
            "ratio",
            ("0.4", "1"),
            False,
            "0.7",
            doubt="0.12",
            matters_with="hole",
        ),
        Input(
            "suction",
            "Suction between the pulses",
            "pressure_difference",
            ("0.05 kPa", "20 kPa"),
            False,
            "1 kPa",
            doubt="70 %",
            matters_with="hole",
            help="Idle; after the turbine less than before.",
        ),
        Input(
            "suction_time",
            "Share of the time with suction",
            "fraction",
            ("1 %", "60 %"),
            False,
            "30 %",
            doubt="15 %",
            matters_with="hole",
        ),
        _lambda("load_lambda", "Lambda shown at full load", "0.80"),
        Input(
            "idle_flow",
            "Air that the engine takes at idle",
            "mass_flow",
            ("0.5 g/s", "30 g/s"),
            False,
            "4 g/s",
            doubt="25 %",
            help="Some 2 g/s for each litre of displacement.",
        ),
        Input(
            "load_flow",
            "Air that it takes at full load",
            "mass_flow",
            ("20 g/s", "2000 g/s"),
            False,
            "100 g/s",
            doubt="25 %",
            help="Some 1 g/s for each kilowatt.",
        ),
        Input(
            "sensor_at",
            "Where the sensor sits",
            "choice",
            needed=False,
            default="pipe",
            choices={
                "pipe": "In a boss of the exhaust",
                "tailpipe": "Clamped into the end of the tailpipe, where air swings back",
            },
        ),
    ),
    outputs=(
        Output("share_idle", "Air drawn in at idle", "fraction"),
        Output("drawn", "The same as a flow", "mass_flow"),
        Output("true_idle", "True lambda at idle", "ratio"),
        Output("error_idle", "Error at idle", "ratio"),
        Output("share_load", "Air drawn in at load, at most", "fraction"),
        Output("true_load", "True lambda at load, at least", "ratio"),
        Output("error_load", "Error at load, at most", "ratio"),
        Output("trusted_from", "Air from which lambda is within 1 %", "mass_flow"),
    ),
    formulas=(
        Formula("indicated = lambda * (1 + y)", "lambda_definition"),
        Formula("y = found * (1 + trim found) / (covered * (1 + trim covered)) - 1", "lambda_definition"),
        Formula("y at load <= y at idle * idle flow / load flow", "common_practice"),
        Formula(
            "drawn through a hole = time share * Cd * A * orifice flow at the suction", "isentropic_orifice"
        ),
    ),
    assumes=(
        "The sensor burns what reaches it to equilibrium, and there is no misfire.",
        "Air and fuel of the engine were the same with and without the seal, but for the trims.",
    ),
    compute=compute,
    tell=tell,
    example={
        "idle_lambda": "1.05",
        "idle_covered": "1.00",
        "load_lambda": "0.80",
        "idle_flow": "4 g/s",
        "load_flow": "160 g/s",
    },
    cautions=("exhaust_gas_co", "hot_gas_jet", "hot_parts_burn", "reading_wrong_engine_blind"),
    limits=("wideband_idle_shift",),
    published=(
        Published("share_idle", 5.0, 1e-6, "lambda (1 + y), element balance worked by hand"),
        Published("share_load", 0.125, 1e-6, "0.2 g/s of 160 g/s, worked by hand"),
    ),
)
