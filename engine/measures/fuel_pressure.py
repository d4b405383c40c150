"""Fuel pressure against the manifold, and what the pump can give against what the engine asks."""

from __future__ import annotations

from engine.measures.boost_leak import slope
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
from engine.measures.injectors import between, flow_at
from engine.measures.limits import Limits, judge

LEAST_RANGE_PA = 30_000.0


def compute_pressure(given: Given) -> Computed:
    """Return the slope of fuel pressure over manifold pressure, the difference, and what is lost."""
    rail, manifold = given.many("rail"), given.many("manifold")
    if len(rail) != len(manifold):
        raise wrong("manifold", None, f"{len(rail)} fuel pressures, but {len(manifold)} manifold pressures")
    if max(manifold) - min(manifold) < LEAST_RANGE_PA:
        raise wrong(
            "manifold", None, "the manifold pressures lie within 30 kPa: take one at idle and one at boost"
        )
    differences = [r - m for r, m in zip(rail, manifold, strict=True)]
    lowest, highest = (manifold.index(f(manifold)) for f in (min, max))
    unloaded, loaded = differences[lowest], differences[highest]
    if loaded <= 0.0:
        raise wrong("rail", None, "the rail is not above the manifold: no fuel would flow")
    return {
        "slope": slope(manifold, rail),
        "unloaded": unloaded,
        "loaded": loaded,
        "loss": unloaded - loaded,
        "flow_share": flow_at(1.0, unloaded, loaded) if unloaded > 0 else 0.0,
    }


def tell_pressure(given: Given, results: Results, limits: Limits) -> Told:
    """Say whether the regulator follows the manifold, and what the loss costs in fuel."""
    loss, value = results.value("loss") / 1e3, results.value("slope")
    lost = 100.0 * (1.0 - results.value("flow_share"))
    says = [
        f"The fuel pressure rises {value:.2f} kPa for each kPa of the manifold; at boost it has lost {loss:.0f} kPa, "
        f"{max(lost, 0.0):.0f} % of the flow."
    ]
    follows = judge(limits, "fuel_pressure_slope", value, results.uncertainty("slope"))
    findings = [follows]
    measurements = []
    if follows.state == "present":
        says.append("It does not follow the manifold: look at the hose to the regulator, then the regulator.")
    else:
        # A regulator that does not follow loses pressure as well; only one that does can show a weak supply.
        findings.append(
            judge(limits, "fuel_pressure_loss_by_reading", loss, results.uncertainty("loss") / 1e3)
        )
        top = max(given.many("manifold")) / 1e3
        at = {"boost_pressure_kPa": round(top, 1)}
        measurements.append(Reported("fuel_pressure_loss", round(loss, 2), "kPa", at))
        if findings[-1].state == "present":
            says.append("It follows but falls short: measure pump voltage and flow, then the filter.")
    return Told(says=says, findings=findings, measurements=measurements)


def compute_pump(given: Given) -> Computed:
    """Return what the pump gives at the working pressure, what the engine asks, and the margin."""
    pressures, flows = given.many("pump_pressures"), given.many("pump_flows")
    if len(pressures) != len(flows) or sorted(set(pressures)) != list(pressures):
        raise wrong("pump_flows", None, "the pump's table has a flow for each of its rising pressures")
    working = given.number("rail")
    if working > pressures[-1]:
        raise wrong("rail", None, "beyond the pump's table: its flow there is not known")
    voltage, rated = given.number("voltage"), given.number("rated_voltage")
    # A pump turns in proportion to its voltage less what its load takes: a linear estimate, told as such.
    capacity = between(working, pressures, flows) * max(0.0, 1.0 + 1.2 * (voltage / rated - 1.0))
    capacity *= given.number("pumps")
    need = given.number("power") * given.number("consumption") / given.number("density")
    return {
        "capacity": capacity,
        "need": need,
        "margin": capacity / need - 1.0,
        "power_most": capacity * given.number("density") / given.number("consumption"),
    }


def tell_pump(given: Given, results: Results, limits: Limits) -> Told:
    """Say whether the pump has a reserve at that power."""
    margin = 100.0 * results.value("margin")
    says = [
        f"The pump gives {results.value('capacity') * 6e4:.2f} L/min there, the engine asks "
        f"{results.value('need') * 6e4:.2f} L/min: {margin:+.0f} %."
    ]
    implied = judge(limits, "fuel_pump_margin", margin, 100.0 * results.uncertainty("margin"))
    if implied.state == "present":
        says.append("Less than a tenth in hand: a second pump, a larger one or less power.")
    caveats = ["The effect of voltage is a straight-line estimate (1.2 % of flow for 1 % of voltage)."]
    caveats += ["A worn pump gives less than its table: measure its return flow."]
    return Told(says=says, caveats=caveats, findings=[implied])


MEASURES = (
    Measure(
        id="fuel_pressure",
        label="Fuel pressure against manifold pressure",
        asks="Does the fuel pressure follow the manifold one for one, and does it hold at boost?",
        inputs=(
            TO_CONVERT,
            Input(
                "rail",
                "Fuel pressures, at idle first and at boost last",
                "pressure",
                ("50 kPa", "1500 kPa"),
                reference="gauge",
                doubt="5 kPa",
                many=True,
                at_least=2,
                at_most=500,
                example="240/300/400 kPa gauge",
            ),
            Input(
                "manifold",
                "Manifold pressures at the same moments",
                "pressure",
                ("-101 kPa", "600 kPa"),
                reference="gauge",
                doubt="2 kPa",
                many=True,
                at_least=2,
                at_most=500,
                example="-60/0/100 kPa gauge",
            ),
        ),
        outputs=(
            Output("slope", "Rise of fuel pressure for each kPa of the manifold", "ratio"),
            Output("unloaded", "Over the manifold at the lowest manifold pressure", "pressure_difference"),
            Output("loaded", "Over the manifold at the highest", "pressure_difference"),
            Output("loss", "Lost between the two", "pressure_difference"),
            Output("flow_share", "Injector flow left", "ratio"),
        ),
        formulas=(
            Formula(
                "slope of fuel over manifold pressure by least squares; 1 for a referenced regulator",
                "common_practice",
            ),
            Formula("flow left = sqrt(dp loaded / dp unloaded)", "bernoulli_orifice"),
        ),
        assumes=(
            "The regulator is meant to follow the manifold; returnless systems at constant pressure are not.",
        ),
        compute=compute_pressure,
        tell=tell_pressure,
        example={"rail": "300/300 kPa gauge", "manifold": "0/100 kPa gauge"},
        cautions=("petrol_fire", "fuel_line_pressure"),
        limits=("fuel_pressure_loss_by_reading", "fuel_pressure_slope"),
        published=(
            Published("loaded", 200.0, 1e-6, "300 kPa rail less 100 kPa boost"),
            Published(
                "flow_share", 0.81650, 1e-4, "500 cc/min falls to 408.25: square-root law, worked by hand"
            ),
        ),
    ),
    Measure(
        id="fuel_pump",
        label="Fuel pump against demand",
        asks="Does the pump give enough at the working pressure for a power?",
        inputs=(
            TO_CONVERT,
            Input(
                "pump_pressures",
                "Pressures of the pump's table",
                "pressure",
                ("0 kPa", "1500 kPa"),
                reference="gauge",
                many=True,
                at_least=2,
                example="300/400/500 kPa gauge",
            ),
            Input(
                "pump_flows",
                "and its flows there",
                "volume_flow",
                ("10 L/h", "2000 L/h"),
                doubt="5 %",
                shown="L/h",
                many=True,
                at_least=2,
                example="255/225/190 L/h",
            ),
            Input(
                "rail",
                "Working pressure at full boost",
                "pressure",
                ("50 kPa", "1500 kPa"),
                reference="gauge",
                doubt="2 %",
                example="450 kPa gauge",
            ),
            Input("power", "Power wanted", "power", ("10 kW", "2000 kW"), doubt="2 %", example="250 kW"),
            Input(
                "voltage",
                "Voltage at the pump under load",
                "voltage",
                ("6 V", "20 V"),
                False,
                "13.5 V",
                doubt="0.2 V",
            ),
            Input("rated_voltage", "Voltage of the table", "voltage", ("6 V", "20 V"), False, "13.5 V"),
            Input("pumps", "Number of pumps side by side", "count", ("1", "6"), False, "1"),
            Input(
                "consumption",
                "Specific consumption at full load",
                "specific_consumption",
                ("200 g/kWh", "900 g/kWh"),
                False,
                "340 g/kWh",
                doubt="8 %",
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
        ),
        outputs=(
            Output("capacity", "Flow of the pump at the working pressure", "volume_flow", "L/h"),
            Output("need", "Flow that the engine asks", "volume_flow", "L/h"),
            Output("margin", "In hand", "fraction"),
            Output("power_most", "Power that the pump can feed", "power"),
        ),
        formulas=(
            Formula("need = P b / rho", "common_practice"),
            Formula("capacity by straight lines between the points of the table", "common_practice"),
        ),
        assumes=("The pump is as its table says; filter and lines lose nothing before the rail.",),
        compute=compute_pump,
        tell=tell_pump,
        example={
            "pump_pressures": "300/400/500 kPa gauge",
            "pump_flows": "255/225/190 L/h",
            "rail": "450 kPa gauge",
            "power": "250 kW",
        },
        cautions=("petrol_fire", "fuel_line_pressure"),
        limits=("fuel_pump_margin",),
        published=(
            Published("need", 114.094, 1e-4, "250 kW * 340 g/kWh / 745 kg/m3, worked by hand"),
            Published("capacity", 207.5, 1e-6, "half way between 225 and 190 L/h"),
        ),
    ),
)
