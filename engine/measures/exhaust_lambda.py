"""Lambda from exhaust gas, by the formula that inspection testers use, and the wideband beside it."""

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
"""Hexane in ppm to carbon in per cent; Singer and Harley (1998) argue for twice as much."""

PETROL_H = 1.7261
PETROL_O = 0.0176

MOST_OXYGEN = 21.5
"""All the oxygen of the air, in per cent, and half a per cent for the analyser."""


def brettschneider(
    co2: float,
    co: float,
    o2: float,
    hc: float,
    no: float = 0.0,
    h: float = PETROL_H,
    o: float = PETROL_O,
    k1: float = HC_FACTOR,
) -> float:
    """Return lambda of an exhaust gas: CO2, CO, O2, NO in per cent by volume, HC in ppm as hexane.

    ``[CO2 + CO/2 + O2 + NO/2 + (h/4 3.5/(3.5 + CO/CO2) - o/2)(CO2 + CO)]
    / [(1 + h/4 - o/2)(CO2 + CO + K1 HC)]`` with h and o atoms of hydrogen and oxygen to one of carbon and
    3.5 the constant of the water-gas reaction. The gas is dry or wet, as only ratios count. Raises
    `ZeroDivisionError` without carbon dioxide.

    >>> round(brettschneider(14.7, 0.15, 0.30, 50.0), 4)
    1.0077
    >>> round(brettschneider(12.0, 3.5, 0.3, 250.0), 4)
    0.9022

    Source: Brettschneider 1979, vol. 6 no. 4, 177-186 (formula read on a public page, constants from memory).
    """
    water = h / 4.0 * 3.5 / (3.5 + co / co2) - o / 2.0
    have = co2 + co / 2.0 + o2 + no / 2.0 + water * (co2 + co)
    need = (1.0 + h / 4.0 - o / 2.0) * (co2 + co + k1 * hc)
    return have / need


def _gas(given: Given, k1: float = HC_FACTOR) -> float:
    co2, co, o2, no = (100.0 * given.number(name) for name in ("co2", "co", "o2", "no"))
    hc, h, o = 1e6 * given.number("hc"), given.number("hydrogen"), given.number("oxygen")
    return brettschneider(co2, co, o2, hc, no, h, o, k1)


def compute(given: Given) -> Computed:
    """Return lambda of the gas, and how far the wideband shows from it."""
    co2, co, o2 = (100.0 * given.number(name) for name in ("co2", "co", "o2"))
    if co2 + co <= 0.5 or co2 <= 0.1:
        message = "hardly any carbon dioxide: the probe draws air, or the engine does not burn"
        raise wrong("co2", f"{co2:g} %", message, ("14 %",))
    if co2 + co / 2.0 + o2 > MOST_OXYGEN:
        message = (
            f"CO2, half of CO and O2 come to {co2 + co / 2.0 + o2:.1f} %; the air gives no more than 21 %"
        )
        raise wrong("o2", f"{o2:g} %", message, ("0.3 %",))
    found = {"lambda": _gas(given)}
    shown = given.optional("wideband")
    if shown is not None:
        found["difference"] = shown - found["lambda"]
    return found


def tell(given: Given, results: Results, limits: Limits) -> Told:
    """Say how rich or lean it burnt, what the gas says of a leak, and whether the wideband agrees."""
    value = results.value("lambda")
    side = "rich" if value < 0.99 else "lean" if value > 1.01 else "even"
    says = [f"The gas comes to lambda {value:.3f} ({side})."]
    if 100 * given.number("o2") > 1.0 and 100 * given.number("co") > 1.0:
        says.append(
            "Oxygen and carbon monoxide together: a misfire, or air drawn in ahead of the probe. Look for "
            "both before this lambda is used."
        )
    caveats = ["Air drawn in ahead of the probe makes this reading lean as well: gas analysis is not immune."]
    doubled = _gas(given, 2.0 * HC_FACTOR)
    if abs(doubled - value) > 0.005:
        caveats.append(
            f"Were hydrocarbons counted twice, as some hold to be right, it would be {doubled:.3f}."
        )
    if not results.has("difference"):
        return Told(says=[*says, "A wideband in the same gas should show the same."], caveats=caveats)
    apart = results.value("difference")
    judged = judge(limits, "wideband_beside_gas", abs(apart), results.uncertainty("difference"))
    beside = given.choice("probe_at") == "beside"
    says.append(
        f"The wideband shows {abs(apart):.3f} {'leaner' if apart > 0 else 'richer'}: "
        + {
            "present": "prove it in free air before a full-load run.",
            "absent": "they agree.",
            "unknown": "within what the readings can tell; repeat it at a steady 2,500 rpm.",
        }[judged.state]
    )
    if not beside:
        caveats.append(
            "A leak between the wideband and the tailpipe makes the gas look leaner: the comparison is only "
            "proof with the probe beside the sensor."
        )
    return Told(says=says, caveats=caveats, findings=[judged] if beside else [])


def _percent(name: str, label: str, top: str, doubt: str, example: str) -> Input:
    return Input(name, label, "fraction", ("0 %", top), doubt=doubt, example=example)


MEASURE = Measure(
    id="exhaust_gas_lambda",
    label="Lambda from exhaust gas",
    asks="At which lambda was an exhaust gas burnt?",
    inputs=(
        _percent("co2", "Carbon dioxide", "20 %", "0.3 %", "14.7 %"),
        _percent("co", "Carbon monoxide", "15 %", "0.1 %", "0.15 %"),
        _percent("o2", "Oxygen", "21 %", "0.1 %", "0.30 %"),
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
        Input(
            "no",
            "Nitrogen monoxide",
            "fraction",
            ("0 %", "1 %"),
            False,
            "0 %",
            doubt="0.01 %",
            example="0.02 %",
        ),
        Input(
            "hydrogen",
            "Hydrogen to carbon in the fuel",
            "ratio",
            ("1.0", "4"),
            False,
            str(PETROL_H),
            help="Petrol 1.73 to 1.85, E10 1.93, E85 2.75, methanol 4.",
        ),
        Input(
            "oxygen",
            "Oxygen to carbon in the fuel",
            "ratio",
            ("0", "1"),
            False,
            str(PETROL_O),
            help="Petrol 0 to 0.02, E10 0.033, E85 0.39, methanol 1.",
        ),
        Input(
            "wideband",
            "Lambda that the wideband shows at the same time",
            "ratio",
            ("0.5", "2.5"),
            False,
            doubt="0.005",
            example="1.01",
        ),
        Input(
            "probe_at",
            "Where the probe takes its gas",
            "choice",
            needed=False,
            default="tailpipe",
            choices={
                "beside": "Beside the wideband, with the analyser zeroed and checked today",
                "tailpipe": "At the tailpipe, or the analyser unchecked",
            },
        ),
    ),
    outputs=(
        Output("lambda", "Lambda", "ratio"),
        Output("difference", "Wideband above it (positive is leaner)", "ratio"),
    ),
    formulas=(
        Formula(
            "[CO2 + CO/2 + O2 + NO/2 + (h/4 3.5/(3.5+CO/CO2) - o/2)(CO2+CO)] / [(1+h/4-o/2)(CO2+CO+6e-4 HC)]",
            "brettschneider_1979",
        ),
    ),
    assumes=(
        "Petrol by default; alcohol in the fuel raises hydrogen and oxygen to carbon.",
        "HC counts as hexane; some hold twelve instead of six to be the right factor (Singer, Harley 1998).",
    ),
    compute=compute,
    tell=tell,
    example={"co2": "14.7 %", "co": "0.15 %", "o2": "0.30 %", "hc": "50 ppm"},
    cautions=("exhaust_gas_co", "hot_parts_burn"),
    limits=("wideband_beside_gas",),
    published=(Published("lambda", 1.0077, 1e-4, "Brettschneider 1979, worked by hand"),),
)
