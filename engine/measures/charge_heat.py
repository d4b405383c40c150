"""Charge heat: how hot the compressor makes the air, and what the intercooler takes back."""

from __future__ import annotations

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
from engine.measures.limits import Limits, judge

GAMMA = 1.4

LEAST_BOOST = 40e3
"""Boost [Pa gauge] from which a charge temperature is that of an engine at work, as in a log."""

POOR_COMPRESSOR, POOR_COOLER = 0.60, 0.50
"""Below these a compressor works outside its good range, an intercooler is soaked, covered or too small
(common practice)."""


def outlet_temperature(inlet: float, ratio: float, efficiency: float, gamma: float = GAMMA) -> float:
    """Return the temperature [K] behind a compressor from that ahead of it [K], its pressure ratio and
    isentropic efficiency [1]: ``T2 = T1 (1 + (PR^((k-1)/k) - 1) / eta)``.

    >>> round(outlet_temperature(293.15, 1.9869, 0.70) - 273.15, 2)
    110.76

    Source: handbook thermodynamics (NACA Report 1135 for the isentropic relation).
    """
    return float(inlet * (1.0 + (ratio ** ((gamma - 1.0) / gamma) - 1.0) / efficiency))


def efficiency_of(inlet: float, outlet: float, ratio: float, gamma: float = GAMMA) -> float:
    """Return the isentropic efficiency [1] of a compressor from its temperatures [K] and pressure ratio.

    >>> round(efficiency_of(293.15, 383.91, 1.9869), 2)
    0.7

    Source: the same relation, turned round.
    """
    return float((ratio ** ((gamma - 1.0) / gamma) - 1.0) / (outlet / inlet - 1.0))


def compute(given: Given) -> Computed:
    """Return temperatures, the effectiveness, and the density of the charge against that of the air."""
    air, inlet = given.number("atmosphere"), given.number("inlet_temperature")
    into = air - given.number("inlet_loss")
    out = given.number("boost") + given.number("cooler_loss")
    ratio = out / into
    if ratio <= 1.0:
        raise wrong("boost", None, "the compressor makes no pressure")
    found: dict[str, float] = {"ratio": ratio}
    outlet = given.optional("outlet_temperature")
    if outlet is None:
        outlet = outlet_temperature(inlet, ratio, given.number("efficiency"))
    else:
        if outlet <= inlet:
            raise wrong("outlet_temperature", None, "a compressor does not cool the air")
        found["efficiency"] = efficiency_of(inlet, outlet, ratio)
    cooling = given.optional("cooling_temperature")
    sink = inlet if cooling is None else cooling
    charge = given.optional("charge_temperature")
    if charge is None:
        charge = outlet - given.number("effectiveness") * (outlet - sink)
    else:
        if outlet <= sink:
            raise wrong("cooling_temperature", None, "the cooling air is hotter than the charge")
        found["effectiveness"] = (outlet - charge) / (outlet - sink)
    found["outlet"] = outlet
    found["charge"] = charge
    if (loss := given.number("cooler_loss")) > 0.0:
        found["cooler_loss"] = loss
    found["density_ratio"] = given.number("boost") / air * inlet / charge
    return found


def tell(given: Given, results: Results, limits: Limits) -> Told:
    """Say whether the charge is too hot, and which of compressor and intercooler makes it so."""
    charge = results.value("charge") - 273.15
    says = [
        f"Behind the compressor {results.value('outlet') - 273.15:.0f} degC, "
        f"in the manifold {charge:.0f} degC: "
        f"{results.value('density_ratio'):.2f} times the density of the air outside."
    ]
    findings = []
    measurements = []
    caveats = []
    if given.optional("charge_temperature") is not None:
        hot = judge(limits, "charge_air_hot_by_reading", charge, results.uncertainty("charge"))
        findings.append(hot)
        # A cool charge clears the car only at work, and by a sensor known to be good: the rules ask for that.
        if hot.state == "present" or given.number("boost") - given.number("atmosphere") >= LEAST_BOOST:
            measurements.append(Reported("intake_temperature", round(charge, 1), "degC"))
    if results.has("effectiveness"):
        share = results.value("effectiveness")
        says.append(f"The intercooler takes {100 * share:.0f} % of the heat that it could.")
        if share < POOR_COOLER:
            says.append("That is poor: look at its face and ducts, and let it cool down between runs.")
        if share > 1.0:
            caveats.append(
                "More than all of the heat cannot be taken: a sensor is slow, or soaked with heat."
            )
    if results.has("efficiency") and not 0.4 <= results.value("efficiency") <= 0.85:
        caveats.append("No compressor is that good or bad: look at the sensors, and whether they had time.")
    elif results.has("efficiency") and results.value("efficiency") < POOR_COMPRESSOR:
        says.append("The compressor works outside its good range: look for a leak that makes it spin faster.")
    if results.has("cooler_loss"):
        loss = results.value("cooler_loss") / 1000.0
        uncertainty = results.uncertainty("cooler_loss") / 1000.0
        findings.append(judge(limits, "intercooler_loss_by_reading", loss, uncertainty))
    return Told(says=says, caveats=caveats, findings=findings, measurements=measurements)


MEASURE = Measure(
    id="charge_heat",
    label="Charge temperature: compressor and intercooler",
    asks="How hot does the compressor make the air, and what does the intercooler take back?",
    inputs=(
        ATMOSPHERE,
        Input(
            "inlet_temperature",
            "Air temperature ahead of the compressor",
            "temperature",
            ("-40 degC", "80 degC"),
            doubt="2 K",
            example="20 degC",
        ),
        Input(
            "boost",
            "Boost in the manifold",
            "pressure",
            ("5 kPa gauge", "500 kPa gauge"),
            reference="absolute",
            doubt="2 %",
            example="100 kPa gauge",
        ),
        Input("efficiency", "Compressor efficiency", "ratio", ("0.3", "0.9"), False, "0.70", doubt="0.05"),
        Input(
            "outlet_temperature",
            "Or: temperature measured behind the compressor",
            "temperature",
            ("0 degC", "300 degC"),
            False,
            doubt="3 K",
            example="110 degC",
        ),
        Input("effectiveness", "Intercooler effectiveness", "ratio", ("0", "1"), False, "0.7", doubt="0.1"),
        Input(
            "charge_temperature",
            "Or: temperature measured in the manifold, late in a pull",
            "temperature",
            ("-20 degC", "250 degC"),
            False,
            doubt="3 K",
            example="47 degC",
        ),
        Input(
            "cooling_temperature",
            "Temperature of the cooling air or water, if not that ahead of the compressor",
            "temperature",
            ("-40 degC", "110 degC"),
            False,
            doubt="3 K",
            example="25 degC",
        ),
        Input(
            "inlet_loss",
            "Suction ahead of the compressor",
            "pressure_difference",
            ("0 kPa", "30 kPa"),
            False,
            "0 kPa",
            doubt="0.5 kPa",
        ),
        Input(
            "cooler_loss",
            "Pressure lost across the intercooler at full flow",
            "pressure_difference",
            ("0 kPa", "80 kPa"),
            False,
            "0 kPa",
            doubt="1 kPa",
        ),
    ),
    outputs=(
        Output("ratio", "Pressure ratio of the compressor", "ratio"),
        Output("outlet", "Temperature behind the compressor", "temperature"),
        Output("efficiency", "Compressor efficiency", "ratio"),
        Output("charge", "Charge temperature in the manifold", "temperature"),
        Output("effectiveness", "Intercooler effectiveness", "ratio"),
        Output("cooler_loss", "Pressure lost across the intercooler", "pressure_difference"),
        Output("density_ratio", "Density of the charge against the air", "ratio"),
    ),
    formulas=(
        Formula("T2 = T1 (1 + (PR^((k-1)/k) - 1) / eta)", "naca_1135"),
        Formula("T3 = T2 - e (T2 - Tcool)", "common_practice"),
        Formula("rho3/rho1 = (p3/p1) (T1/T3)", "naca_1135"),
    ),
    assumes=(
        "Dry air with k = 1.4; a real gas is up to 1 K cooler behind the compressor.",
        "No heat comes in from the turbine; in a hot bay it does.",
    ),
    compute=compute,
    tell=tell,
    example={
        "inlet_temperature": "20 degC",
        "boost": "100 kPa gauge",
        "efficiency": "0.70",
        "effectiveness": "0.7",
    },
    cautions=("hot_parts_burn",),
    limits=("charge_air_hot_by_reading", "intercooler_loss_by_reading"),
    published=(
        Published("outlet", 110.76, 1e-3, "library fluids, isentropic_T_rise_compression"),
        Published("charge", 47.23, 2e-3, "worked by hand from it"),
        Published("density_ratio", 1.8181, 1e-3, "worked by hand from it"),
    ),
)
