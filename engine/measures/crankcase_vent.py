"""Crankcase vent: blow-by and boost that leaks back, against what the vent can pass."""

from __future__ import annotations

import math
from collections.abc import Sequence

from engine.measures.crankcase_flow import AIR_PER_WATT, blow_by_from_air, pressure_needed, vent_flow
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
from engine.measures.limits import Implied, Limits, judge, setting
from engine.measures.orifice import GAS_CONSTANT_AIR, critical_ratio, orifice_diameter, orifice_mass_flow

ALLOWED_PA = 2.5e3
"""Where the knowledge base calls the crankcase pressure high; a share of the vent is told against it."""

TEST_AIR_K = 293.15
"""A valve is tested at the bench, with air at 20 degC."""


def leak_hole(given: Given) -> float | None:
    """Return the diameter [m] of the way back, as typed or from a flow test, or None where there is none."""
    hole, flow, tested = given.optional("leak_hole"), given.optional("leak_flow"), given.optional("leak_test")
    if hole is not None and flow is not None:
        message = "the way back is either a hole or a measured flow"
        raise wrong("leak_hole", f"{1e3 * hole:g} mm", message, ("leave out one of the two",))
    if flow is None:
        return hole
    if tested is None:
        raise wrong(
            "leak_test", None, "the flow needs the pressure that it was measured at", ("50 kPa gauge",)
        )
    atmosphere = given.number("atmosphere")
    mass = flow * atmosphere / (GAS_CONSTANT_AIR * TEST_AIR_K)
    return orifice_diameter(mass, given.number("leak_cd"), atmosphere + tested, atmosphere, TEST_AIR_K)


def blow_by_of(given: Given) -> float:
    """Return the blow-by [kg/s]: measured, or a share of the air flow, or of the air that the power needs."""
    measured, air, power = given.optional("blow_by"), given.optional("air_flow"), given.optional("power")
    if measured is not None:
        gas_k = given.number("gas_temperature")
        return measured * given.number("atmosphere") / (GAS_CONSTANT_AIR * gas_k)
    if air is None and power is None:
        raise wrong("power", None, "the power, the air flow or the measured blow-by is needed", ("200 kW",))
    return blow_by_from_air(air if air is not None else AIR_PER_WATT * (power or 0.0), given.number("share"))


def compute(given: Given) -> Computed:
    """Return blow-by, flow back, the pressure that the vent needs, its share used, and the largest leak."""
    atmosphere = given.number("atmosphere")
    charge, cd = atmosphere + given.number("boost"), given.number("leak_cd")
    charge_k, gas_k = given.number("charge_temperature"), given.number("gas_temperature")
    outlet = atmosphere - given.number("suction")
    vents, vent_cd, length = given.many("vent_bores"), given.number("vent_cd"), given.number("vent_length")
    blow_by, hole = blow_by_of(given), leak_hole(given)

    back = 0.0
    if hole is not None:
        back = orifice_mass_flow(math.pi / 4.0 * hole * hole, cd, charge, atmosphere, charge_k)
    crankcase = pressure_needed(blow_by + back, vents, vent_cd, length, outlet, gas_k)
    allowed = vent_flow(vents, vent_cd, length, atmosphere + ALLOWED_PA, outlet, gas_k)
    results: dict[str, float] = {
        "blow_by": blow_by,
        "back_flow": back,
        "crankcase_pressure": crankcase - atmosphere,
        "vent_used": (blow_by + back) / allowed,
    }
    if hole is not None:
        results["hole"] = hole
        results["back_share"] = back / (blow_by + back)
    spare = allowed - blow_by
    if spare > 0.0 and charge > atmosphere:
        results["largest_leak"] = orifice_diameter(spare, cd, charge, atmosphere, charge_k)
    # Not shown; only so that the doubt of a reading that is judged as it stands comes with the results.
    for name in ("measured", "leak_flow"):
        if given.has(name):
            results[name] = given.number(name)
    return results


def tell(given: Given, results: Results, limits: Limits) -> Told:
    """Say what the vent has to pass, whether it can, and what to look at first."""
    pressure, blow_by = results.value("crankcase_pressure") / 1e3, 1e3 * results.value("blow_by")
    back = 1e3 * results.value("back_flow")
    says = [
        f"{blow_by:.1f} g/s of blow-by and {back:.1f} g/s of boost that comes back need {pressure:.1f} kPa "
        f"in the crankcase; {100.0 * results.value('vent_used'):.0f} % of what the vent passes at 2.5 kPa."
    ]
    if back > 0.0:
        says.append(_of_the_leak(given, results))
    elif results.has("largest_leak"):
        hole = 1e3 * results.value("largest_leak")
        says.append(f"A way back of {hole:.1f} mm from the manifold would be enough to reach 2.5 kPa.")
    if not results.has("largest_leak") and given.number("boost") > 0.0:
        says.append("The blow-by alone is more than the vent passes at 2.5 kPa: wider vents, or worn rings.")
    findings = _findings(given, results, limits)
    return Told(
        says=[*says, *_of_the_gauge(given, results)],
        caveats=_caveats(given),
        findings=findings,
        measurements=_measurements(given, findings, limits),
    )


def _of_the_leak(given: Given, results: Results) -> str:
    share = 100.0 * results.value("back_share")
    charge = given.number("atmosphere") + given.number("boost")
    choked = given.number("atmosphere") / charge <= critical_ratio()
    how = "The flow is choked, so it grows in step with the absolute pressure. " if choked else ""
    return (
        f"{share:.0f} % of it is boost through a way back of {1e3 * results.value('hole'):.1f} mm. {how}"
        "Blow through the one-way valve, then hold it at boost on a hand pump, before rings are blamed."
    )


def _of_the_gauge(given: Given, results: Results) -> list[str]:
    measured = given.optional("measured")
    if measured is None:
        return ["A gauge on the dipstick tube tells in twenty minutes what this estimates."]
    worked_out = results.value("crankcase_pressure")
    if measured > 2.0 * worked_out + 500.0:
        return [
            f"The gauge shows {measured / 1e3:.1f} kPa, far more than was worked out: a blocked vent, more "
            "blow-by or a way back for boost that is not in the readings."
        ]
    return [f"The gauge shows {measured / 1e3:.1f} kPa beside {worked_out / 1e3:.1f} kPa worked out."]


def _caveats(given: Given) -> list[str]:
    caveats = []
    if not given.has("blow_by"):
        caveats.append("Blow-by is a share of the air; worn rings pass several times as much. Measure it.")
    if not given.has("air_flow") and not given.has("blow_by"):
        caveats.append("The air flow is taken as 1 g/s for each kW of power.")
    caveats.append("Each opening may be a fifth off, so the pressure is good to about half or double.")
    return caveats


def _findings(given: Given, results: Results, limits: Limits) -> list[Implied]:
    found = []
    flow, tested = given.optional("leak_flow"), given.optional("leak_test")
    if flow is not None and tested is not None and given.picked("leak_in") == "valve":
        valve = judge(limits, "crank_valve_back_flow", 6e4 * flow, 6e4 * results.uncertainty("leak_flow"))
        if valve.state != "absent" or tested >= 0.95 * given.number("boost"):
            found.append(valve)
    measured = given.optional("measured")
    if measured is None:
        estimate = results.value("crankcase_pressure") / 1e3
        doubt = results.uncertainty("crankcase_pressure") / 1e3
        high = judge(limits, "crankcase_pressure_worked_out", estimate, doubt)
        return found + ([high] if high.state == "present" else [])
    gauge = judge(
        limits, "crankcase_pressure_measured", measured / 1e3, results.uncertainty("measured") / 1e3
    )
    if gauge.state == "absent" and not _on_boost(given, limits):
        return found
    return [*found, gauge]


def _on_boost(given: Given, limits: Limits) -> bool:
    least = setting(limits["crankcase_pressure_measured"], "clears_above_boost", "kPa")
    return given.number("boost") / 1e3 > least


def _measurements(given: Given, findings: Sequence[Implied], limits: Limits) -> list[Reported]:
    """Return the gauge reading, unless a rule that knows no doubt would clear what is not cleared here."""
    measured = given.optional("measured")
    if measured is None:
        return []
    would_clear = judge(limits, "crankcase_pressure_measured", measured / 1e3).state == "absent"
    cleared = any(f.finding == "crankcase_pressure_high" and f.state == "absent" for f in findings)
    if would_clear and _on_boost(given, limits) and not cleared:
        return []
    at = {"boost_pressure_kPa": round(given.number("boost") / 1e3, 2)}
    return [Reported("crankcase_pressure", round(measured / 1e3, 3), "kPa", at)]


MEASURE = Measure(
    id="crankcase_vent",
    label="Crankcase vent on boost",
    asks="Can the crankcase vent pass the blow-by and the boost that leaks back through the one-way valve?",
    inputs=(
        ATMOSPHERE,
        Input(
            "boost",
            "Boost at full load",
            "pressure",
            ("0 kPa", "600 kPa"),
            reference="gauge",
            doubt="3 %",
            example="150 kPa gauge",
        ),
        Input(
            "vent_bores",
            "Smallest bore of each vent that is open on boost",
            "length",
            ("2 mm", "60 mm"),
            doubt="0.5 mm",
            many=True,
            example="12/12 mm",
        ),
        Input(
            "vent_length",
            "Length of the vent hose",
            "length",
            ("0 mm", "5000 mm"),
            False,
            "500 mm",
            doubt="50 mm",
        ),
        Input(
            "vent_cd",
            "Discharge coefficient of the vent opening",
            "ratio",
            ("0.2", "1"),
            False,
            "0.6",
            doubt="0.12",
        ),
        Input(
            "suction",
            "Suction where the vent ends",
            "pressure_difference",
            ("0 kPa", "20 kPa"),
            False,
            "0 kPa",
            example="2 kPa",
            help="Of the inlet pipe ahead of the compressor at full load; nought in open air.",
        ),
        Input(
            "power",
            "Power at the engine",
            "power",
            ("20 kW", "2000 kW"),
            False,
            doubt="10 %",
            example="200 kW",
        ),
        Input(
            "air_flow",
            "Air flow at full load, if logged",
            "mass_flow",
            ("10 g/s", "3000 g/s"),
            False,
            doubt="5 %",
            example="200 g/s",
        ),
        Input(
            "share",
            "Blow-by as a share of the air",
            "fraction",
            ("0.1 %", "20 %"),
            False,
            "1 %",
            valid=("0.3 %", "3 %"),
            valid_because="a sound engine has 0.5 to 2 %; more speaks of rings.",
            doubt="0.5 %",
        ),
        Input(
            "blow_by",
            "Blow-by measured at the vent",
            "volume_flow",
            ("0.5 L/min", "2000 L/min"),
            False,
            doubt="10 %",
            example="110 L/min",
        ),
        Input(
            "leak_hole",
            "Way back for boost, as a hole",
            "length",
            ("0.1 mm", "20 mm"),
            False,
            doubt="10 %",
            example="2 mm",
        ),
        Input(
            "leak_flow",
            "Flow back through the valve or hose on test, as free air",
            "volume_flow",
            ("0 L/min", "1000 L/min"),
            False,
            doubt="10 %",
            example="20 L/min",
        ),
        Input(
            "leak_test",
            "Pressure of that test",
            "pressure",
            ("1 kPa", "600 kPa"),
            False,
            reference="gauge",
            doubt="3 %",
            example="100 kPa gauge",
        ),
        Input(
            "leak_in",
            "What was tested",
            "choice",
            needed=False,
            choices={"valve": "The one-way valve alone", "other": "A hose or a drilling"},
        ),
        Input(
            "leak_cd",
            "Discharge coefficient of the way back",
            "ratio",
            ("0.2", "1"),
            False,
            "0.7",
            doubt="0.14",
        ),
        Input(
            "charge_temperature",
            "Temperature of the charge air",
            "temperature",
            ("-40 degC", "250 degC"),
            False,
            "50 degC",
            doubt="10 K",
        ),
        Input(
            "gas_temperature",
            "Temperature of the crankcase gas",
            "temperature",
            ("-20 degC", "200 degC"),
            False,
            "90 degC",
            doubt="15 K",
        ),
        Input(
            "measured",
            "Crankcase pressure on a gauge at this boost",
            "pressure",
            ("-80 kPa", "100 kPa"),
            False,
            reference="gauge",
            doubt="0.2 kPa",
            example="3.2 kPa gauge",
        ),
    ),
    outputs=(
        Output("blow_by", "Blow-by", "mass_flow", shown="g/s"),
        Output("back_flow", "Boost that comes back", "mass_flow", shown="g/s"),
        Output("hole", "Way back, as a hole", "length"),
        Output("back_share", "Share of the boost that comes back", "fraction"),
        Output("crankcase_pressure", "Crankcase pressure needed", "pressure", reference="gauge"),
        Output("vent_used", "Share of the vent used, of what it passes at 2.5 kPa", "fraction"),
        Output("largest_leak", "Way back at which 2.5 kPa is reached", "length"),
    ),
    formulas=(
        Formula(
            "m = Cd A p1 sqrt(g/(R T)) (2/(g+1))^((g+1)/(2(g-1))) when p2/p1 <= 0.528", "isentropic_orifice"
        ),
        Formula("m = Cd A p1 sqrt(2 g/((g-1) R T) (r^(2/g) - r^((g+1)/g))) else", "isentropic_orifice"),
        Formula("1/C^2 = 1/Cd^2 + f L/D, f = 0.03", "vent_hose_friction"),
        Formula("blow-by = share * air flow", "blow_by_share"),
        Formula("air flow = 1 g/s for each kW", "specific_air_flow"),
    ),
    assumes=(
        "Steady flow at full load; the beat of the pistons is left out.",
        "The gas counts as air. All vents named are open and end at the same pressure.",
        "The way back is counted against the air pressure, since a crankcase adds only a few kilopascal.",
    ),
    compute=compute,
    tell=tell,
    example={
        "boost": "150 kPa gauge",
        "vent_bores": "12 mm",
        "vent_length": "500 mm",
        "power": "200 kW",
        "leak_hole": "2 mm",
        "leak_cd": "1",
        "charge_temperature": "20 degC",
        "measured": "3.2 kPa gauge",
    },
    cautions=("crankcase_blown_up", "oil_on_exhaust_fire", "crankcase_vapour_ignites", "pressurised_pipes"),
    limits=("crank_valve_back_flow", "crankcase_pressure_measured", "crankcase_pressure_worked_out"),
    published=(
        Published(
            "back_flow", 1.8637, 1e-3, "isentropic flow by hand and open library, 2 mm at 150 kPa, Cd 1"
        ),
        Published("blow_by", 2.0, 1e-3, "1 % of 1 g/s for each kW (common practice)"),
    ),
)
