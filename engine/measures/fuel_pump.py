"""Fuel pump: what it gives at the working pressure and voltage, against what the engine asks."""

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
    Results,
    Told,
    wrong,
)
from engine.measures.fuel_flow import at_voltage, between, demand
from engine.measures.fuels import CONSUMPTION, DENSITY, FUEL, check_consumption
from engine.measures.limits import Implied, Limits, judge

MARGIN, VOLTAGE = "fuel_pump_margin", "fuel_pump_voltage_lost"


def compute(given: Given) -> Computed:
    """Return what the pump gives at the working pressure, what the engine asks, and the margin."""
    check_consumption(given)
    pressures, flows, working = given.many("pump_pressures"), given.many("pump_flows"), given.number("rail")
    if len(pressures) != len(flows) or sorted(set(pressures)) != list(pressures):
        raise wrong("pump_flows", None, "the pump's table has a flow for each of its rising pressures")
    if flows[-1] > flows[0]:
        raise wrong("pump_flows", None, "a pump's flow falls as the pressure rises; both in the same order")
    if working > pressures[-1]:
        accepted = (f"at most {pressures[-1] / 1e3:g} kPa gauge",)
        raise wrong("rail", f"{working / 1e3:g} kPa gauge", "the pump's table does not reach there", accepted)
    voltage, rated = given.number("voltage"), given.number("rated_voltage")
    capacity = at_voltage(between(working, pressures, flows), voltage, rated) * given.number("pumps")
    density, consumption = given.number("density"), given.number("consumption")
    need = demand(given.number("power"), consumption, density)
    found = {
        "capacity": capacity,
        "need": need,
        "returned": max(0.0, capacity - need),
        "margin": capacity / need - 1.0,
        "power_most": capacity * density / consumption,
    }
    battery = given.optional("battery")
    if battery is not None:
        found["voltage_lost"] = battery - voltage
        found["gained"] = max(0.0, at_voltage(1.0, battery, voltage) - 1.0)
    return found


def tell(given: Given, results: Results, limits: Limits) -> Told:
    """Say whether the pump has a reserve at that power, and what to try first."""
    margin = 100.0 * results.value("margin")
    capacity, need = (3.6e6 * results.value(name) for name in ("capacity", "need"))
    says = [
        f"The pump gives {capacity:.0f} L/h there, the engine asks {need:.0f} L/h: {margin:+.0f} %, good for "
        f"{results.value('power_most') / 1e3:.0f} kW."
    ]
    judged = judge(limits, MARGIN, margin, 100.0 * results.uncertainty("margin"))
    says.append(
        {
            "present": "Less than a tenth in hand: more voltage, a larger or second pump, or less power.",
            "absent": "Enough in hand for wear, heat and a low battery.",
            "unknown": "Little in hand: catch its flow at that pressure and voltage before the run.",
        }[judged.state]
    )
    measured = given.choice("table_is") == "measured"
    findings: list[Implied] = []
    # A data sheet tells of a pump too small for the plan; of the one in the car only its own flow does.
    if measured:
        findings.append(judged)
    if results.has("voltage_lost"):
        lost, doubt = results.value("voltage_lost"), results.uncertainty("voltage_lost")
        voltage = judge(limits, VOLTAGE, lost, doubt)
        findings.append(voltage)
        if voltage.state == "present":
            gained = 100.0 * results.value("gained")
            says.append(
                f"{lost:.1f} V are lost on the way; good feed and ground would bring {gained:.0f} % more."
            )
    return Told(says=says, caveats=_caveats(given, measured), findings=findings)


def _caveats(given: Given, measured: bool) -> list[str]:
    caveats = []
    if given.number("voltage") != given.number("rated_voltage"):
        caveats.append(
            "The effect of voltage is a straight-line estimate (1.2 % of flow for 1 % of voltage), good near "
            "the voltage of the table; at high pressure a pump loses more."
        )
    if not measured:
        caveats.append(
            "A data sheet says nothing of wear, a full filter or a thin line: catch the flow of this pump."
        )
    if given.number("rail") < given.many("pump_pressures")[0]:
        caveats.append("Below the table the flow of its lowest pressure is taken.")
    return caveats


MEASURE = Measure(
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
            "table_is",
            "What the table is",
            "choice",
            needed=False,
            default="data_sheet",
            choices={
                "measured": "Flow caught from this pump, through its own filter and wiring",
                "data_sheet": "The maker's data",
            },
        ),
        Input(
            "rail",
            "Working pressure at full boost",
            "pressure",
            ("50 kPa", "1500 kPa"),
            reference="gauge",
            doubt="2 %",
            example="450 kPa gauge",
            help="Base pressure plus boost with a regulator that follows.",
        ),
        Input(
            "power",
            "Power wanted, at the crank",
            "power",
            ("10 kW", "2000 kW"),
            doubt="2 %",
            example="250 kW",
        ),
        Input(
            "voltage",
            "Voltage at the pump under load",
            "voltage",
            ("6 V", "20 V"),
            False,
            "13.5 V",
            doubt="0.2 V",
            valid=("10.5 V", "16 V"),
            valid_because="the straight line is not held to be good there",
        ),
        Input("rated_voltage", "Voltage of the table", "voltage", ("6 V", "20 V"), False, "13.5 V"),
        Input(
            "battery",
            "Voltage at the battery at the same moment",
            "voltage",
            ("6 V", "20 V"),
            False,
            doubt="0.1 V",
            example="14.0 V",
        ),
        Input("pumps", "Number of pumps side by side", "count", ("1", "6"), False, "1"),
        FUEL,
        CONSUMPTION,
        DENSITY,
    ),
    outputs=(
        Output("capacity", "Flow of the pump at the working pressure", "volume_flow", "L/h"),
        Output("need", "Flow that the engine asks", "volume_flow", "L/h"),
        Output("returned", "Flow that is left for the return", "volume_flow", "L/h"),
        Output("margin", "In hand", "fraction"),
        Output("power_most", "Power that the pump can feed", "power"),
        Output("voltage_lost", "Voltage lost between battery and pump", "voltage"),
        Output("gained", "Flow to gain with the battery's voltage", "fraction"),
    ),
    formulas=(
        Formula("need = P b / rho", "fuel_mass_balance"),
        Formula("capacity by straight lines between the points of the table", "common_practice"),
        Formula("Q = Q_r (1 + 1.2 (U / U_r - 1))", "common_practice"),
    ),
    assumes=(
        "The pump is as its table says; filter and lines lose nothing before the rail.",
        "Several pumps side by side give each the same.",
    ),
    compute=compute,
    tell=tell,
    example={
        "pump_pressures": "300/400/500 kPa gauge",
        "pump_flows": "255/225/190 L/h",
        "rail": "450 kPa gauge",
        "power": "250 kW",
    },
    cautions=("petrol_fire", "fuel_line_pressure", "fuel_container_static"),
    limits=(MARGIN, VOLTAGE),
    published=(
        Published("need", 114.094, 1e-4, "250 kW * 340 g/kWh / 745 kg/m3, worked by hand"),
        Published("capacity", 207.5, 1e-6, "half way between 225 and 190 L/h"),
    ),
)
