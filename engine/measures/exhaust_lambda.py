"""Lambda from exhaust gas, and what air drawn in ahead of the sensor does to it."""

from __future__ import annotations

from engine.measures.declare import (
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
from engine.measures.limits import Limits, judge

HC_FACTOR = 6e-4
PETROL_H = 1.7261
PETROL_O = 0.0176


def brettschneider(
    co2: float, co: float, o2: float, hc: float, no: float = 0.0, h: float = PETROL_H, o: float = PETROL_O
) -> float:
    """Return lambda of an exhaust gas: CO2, CO, O2 in per cent by volume, HC in ppm as hexane, NO in per cent.

    ``[CO2 + CO/2 + O2 + NO/2 + (h/4 3.5/(3.5 + CO/CO2) - o/2)(CO2 + CO)]
    / [(1 + h/4 - o/2)(CO2 + CO + 6e-4 HC)]`` with h and o atoms of hydrogen and oxygen to one of carbon.

    >>> round(brettschneider(14.7, 0.15, 0.30, 50.0), 4)
    1.0077
    >>> round(brettschneider(12.0, 3.5, 0.3, 250.0), 4)
    0.9022

    Source: Brettschneider 1979, vol. 6 no. 4, 177-186 (formula read on a public page, constants from memory).
    """
    water = h / 4.0 * 3.5 / (3.5 + co / co2) - o / 2.0
    have = co2 + co / 2.0 + o2 + no / 2.0 + water * (co2 + co)
    need = (1.0 + h / 4.0 - o / 2.0) * (co2 + co + HC_FACTOR * hc)
    return have / need


def indicated(true: float, share: float) -> float:
    """Return what a sensor that burns to equilibrium shows when a share of the engine's air is drawn in.

    ``indicated = lambda (1 + y)``, y the air drawn in ahead of the sensor against the engine's air.

    >>> round(indicated(0.80, 0.05), 3)
    0.84

    Source: oxygen balance; Brettschneider's formula gives the same for a balanced gas.
    """
    return true * (1.0 + share)


def compute_gas(given: Given) -> Computed:
    """Return lambda of the gas."""
    co2, co, o2 = (100.0 * given.number(name) for name in ("co2", "co", "o2"))
    if co2 + co <= 0.5:
        raise wrong("co2", None, "hardly any carbon: the probe draws air, or the engine does not burn")
    hc, no = 1e6 * given.number("hc"), 100.0 * given.number("no")
    h, o = given.number("hydrogen"), given.number("oxygen")
    return {"lambda": brettschneider(max(co2, 1e-6), co, o2, hc, no, h, o)}


def tell_gas(given: Given, results: Results, limits: Limits) -> Told:
    """Say how rich or lean it burns, and what the gas says of a leak."""
    value = results.value("lambda")
    side = "rich" if value < 0.99 else "lean" if value > 1.01 else "even"
    says = [f"The gas was burnt at lambda {value:.3f} ({side}). A wideband beside it should show the same."]
    caveats = ["A leak ahead of the probe makes this reading lean as well: gas analysis is not immune to it."]
    if 100 * given.number("o2") > 1.0 and 100 * given.number("co") > 1.0:
        says.append("Oxygen and carbon monoxide together: a misfire, or air drawn in ahead of the probe.")
    return Told(says=says, caveats=caveats)


def compute_leak(given: Given) -> Computed:
    """Return the share drawn in at idle, true lambda there, and the bound of both at load."""
    idle, covered, share = (given.optional(n) for n in ("idle_lambda", "idle_covered", "share"))
    if share is None:
        if idle is None or covered is None:
            raise wrong(
                "idle_covered", None, "give the share, or lambda at idle as found and covered", ("0.98",)
            )
        if covered <= 0.0:
            raise wrong("idle_covered", None, "lambda is above zero")
        share = max(0.0, idle / covered - 1.0)
    drawn = share * given.number("idle_flow")
    found: dict[str, float] = {"share_idle": share, "drawn": drawn}
    if idle is not None:
        found["true_idle"] = idle / (1.0 + share)
    at_load = drawn / given.number("load_flow")
    found["share_load"] = at_load
    load = given.optional("load_lambda")
    if load is not None:
        found["true_load_low"] = load / (1.0 + at_load)
        found["error_load"] = load - load / (1.0 + at_load)
    return found


def tell_leak(given: Given, results: Results, limits: Limits) -> Told:
    """Say how far the wideband can be trusted at idle and at load."""
    share = 100.0 * results.value("share_idle")
    at_load = 100.0 * results.value("share_load")
    says = [
        f"At idle {share:.1f} % of air is drawn in and lambda reads so much too lean; at load at most "
        f"{at_load:.2f} %.",
    ]
    if results.has("true_load_low"):
        says.append(
            f"At load the true lambda lies between {results.value('true_load_low'):.3f} and what is shown: "
            + ("trust it there." if results.value("error_load") < 0.01 else "mend the leak first.")
        )
    implied = judge(limits, "wideband_idle_shift", share, 100.0 * results.uncertainty("share_idle"))
    if implied.state == "present":
        says.append(
            "Mend the leak before trims or an idle table are touched: soap or smoke at every joint ahead."
        )
    caveats = [
        "Above idle the pressure in the pipe is mostly above the air, so a leak blows out; what it draws in "
        "between the pulses is no more than at idle. That is a bound, not a measurement."
    ]
    return Told(says=says, caveats=caveats, findings=[implied])


def _percent(name: str, label: str, top: str, doubt: str, default: str | None = None) -> Input:
    return Input(name, label, "fraction", ("0 %", top), default is None, default, doubt=doubt)


def _lambda(name: str, label: str, example: str) -> Input:
    return Input(name, label, "ratio", ("0.5", "2.5"), False, doubt="0.01", example=example)


MEASURES = (
    Measure(
        id="wideband_leak",
        label="Exhaust leak ahead of the wideband",
        asks="How far does air drawn in ahead of the sensor falsify lambda at idle and at load?",
        inputs=(
            _lambda("idle_lambda", "Lambda shown at idle, as found", "1.05"),
            _lambda("idle_covered", "Lambda at idle with the suspected leak covered", "1.00"),
            Input(
                "share",
                "Or: air drawn in at idle, share of the engine's air",
                "fraction",
                ("0 %", "60 %"),
                False,
                doubt="1 %",
                example="5 %",
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
            ),
            Input(
                "load_flow",
                "Air that it takes at full load",
                "mass_flow",
                ("20 g/s", "2000 g/s"),
                False,
                "150 g/s",
                doubt="25 %",
            ),
        ),
        outputs=(
            Output("share_idle", "Air drawn in at idle", "fraction"),
            Output("drawn", "The same as a flow", "mass_flow"),
            Output("true_idle", "True lambda at idle", "ratio"),
            Output("share_load", "Air drawn in at load, at most", "fraction"),
            Output("true_load_low", "True lambda at load, at least", "ratio"),
            Output("error_load", "Error at load, at most", "ratio"),
        ),
        formulas=(
            Formula("indicated = lambda (1 + y)", "brettschneider_1979"),
            Formula("y at load <= y at idle * idle flow / load flow", "common_practice"),
        ),
        assumes=(
            "The sensor burns what reaches it to equilibrium.",
            "The mixture itself was the same with and without the cover.",
        ),
        compute=compute_leak,
        tell=tell_leak,
        example={
            "idle_lambda": "1.05",
            "idle_covered": "1.00",
            "load_lambda": "0.80",
            "load_flow": "160 g/s",
        },
        cautions=("exhaust_gas_co", "hot_parts_burn"),
        limits=("wideband_idle_shift",),
        published=(Published("share_idle", 5.0, 1e-6, "lambda (1 + y), element balance worked by hand"),),
    ),
    Measure(
        id="exhaust_gas_lambda",
        label="Lambda from exhaust gas",
        asks="At which lambda was an exhaust gas burnt?",
        inputs=(
            _percent("co2", "Carbon dioxide", "20 %", "0.3 %"),
            _percent("co", "Carbon monoxide", "15 %", "0.1 %"),
            _percent("o2", "Oxygen", "21 %", "0.1 %"),
            Input(
                "hc",
                "Hydrocarbons, as hexane",
                "fraction",
                ("0 ppm", "20000 ppm"),
                False,
                "0 ppm",
                doubt="10 ppm",
                shown="ppm",
                example="50 ppm",
            ),
            _percent("no", "Nitrogen monoxide", "1 %", "0.01 %", "0 %"),
            Input("hydrogen", "Hydrogen to carbon in the fuel", "ratio", ("1.0", "4"), False, str(PETROL_H)),
            Input("oxygen", "Oxygen to carbon in the fuel", "ratio", ("0", "1"), False, str(PETROL_O)),
        ),
        outputs=(Output("lambda", "Lambda", "ratio"),),
        formulas=(
            Formula(
                "[CO2 + CO/2 + O2 + NO/2 + (h/4 3.5/(3.5+CO/CO2) - o/2)(CO2+CO)] / [(1+h/4-o/2)(CO2+CO+6e-4 HC)]",
                "brettschneider_1979",
            ),
        ),
        assumes=(
            "Petrol by default; alcohol in the fuel raises hydrogen and oxygen to carbon.",
            "HC counts as hexane; some hold that a factor of twelve instead of six is right (Singer and Harley 1998).",
        ),
        compute=compute_gas,
        tell=tell_gas,
        example={"co2": "14.7 %", "co": "0.15 %", "o2": "0.30 %", "hc": "50 ppm"},
        cautions=("exhaust_gas_co",),
        published=(Published("lambda", 1.0077, 1e-4, "Brettschneider 1979, worked by hand"),),
    ),
)
