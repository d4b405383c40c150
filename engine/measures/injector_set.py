"""Injector set: what unequal flows do to the mixture of each cylinder, and which injectors match."""

from __future__ import annotations

import math
from collections.abc import Sequence

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
from engine.measures.limits import Implied, Limits, judge


def open_loop(flows: Sequence[float], target: float, nominal: float) -> tuple[float, ...]:
    """Return lambda of each cylinder when all get the pulse that suits the nominal flow.

    ``lambda_i = target nominal / q_i`` with the same air in each cylinder.

    >>> [round(x, 4) for x in open_loop((1.0, 1.0, 1.0, 0.92), 0.80, 1.0)]
    [0.8, 0.8, 0.8, 0.8696]

    Source: mass balance.
    """
    return tuple(target * nominal / flow for flow in flows)


def closed_loop(flows: Sequence[float], target: float) -> tuple[float, ...]:
    """Return lambda of each cylinder when one common sensor is held at the target.

    The sensor sees all the air and all the fuel: the trim brings their sum to the target,
    ``lambda_i = target mean(q) / q_i``.

    >>> [round(x, 4) for x in closed_loop((1.0, 1.0, 1.0, 0.92), 0.80)]
    [0.784, 0.784, 0.784, 0.8522]

    Source: mass balance.
    """
    mean = math.fsum(flows) / len(flows)
    return tuple(target * mean / flow for flow in flows)


def best_set(flows: Sequence[float], number: int) -> tuple[int, ...]:
    """Return the places (from 0) of the `number` flows that lie closest together, in ascending places.

    The set with the smallest ratio of highest to lowest is a run of the sorted flows.

    >>> best_set((1000.0, 970.0, 1010.0, 990.0, 1005.0, 930.0), 4)
    (0, 2, 3, 4)
    """
    order = sorted(range(len(flows)), key=lambda i: flows[i])
    runs = [order[k : k + number] for k in range(len(flows) - number + 1)]
    closest = min(runs, key=lambda run: flows[run[-1]] / flows[run[0]])
    return tuple(sorted(closest))


def spread(flows: Sequence[float]) -> float:
    """Return how far the lowest lies below the highest [1].

    >>> round(spread((1000.0, 970.0)), 3)
    0.03
    """
    return 1.0 - min(flows) / max(flows)


def _chosen(given: Given) -> tuple[int, ...]:
    """Return the places of the injectors that are judged: all, or the best matched among spares."""
    flows, cylinders = given.many("flows"), given.optional("cylinders")
    number = len(flows) if cylinders is None else round(cylinders)
    if number > len(flows):
        raise wrong("cylinders", f"{number}", f"{number} cylinders, but only {len(flows)} flows")
    return best_set(flows, number)


def compute(given: Given) -> Computed:
    """Return spread, lambda of each cylinder, and the spread of the best set among spares."""
    flows = given.many("flows")
    fitted = tuple(flows[i] for i in _chosen(given))
    target = given.number("target")
    nominal = given.optional("nominal") or max(fitted)
    mean = math.fsum(fitted) / len(fitted)
    closed = closed_loop(fitted, target)
    found: dict[str, float | Sequence[float]] = {
        "spread": spread(fitted),
        "mean": mean,
        "flow_fitted": fitted,
        "open_loop": open_loop(fitted, target, nominal),
        "sensor_open_loop": target * nominal / mean,
        "closed_loop": closed,
        "leanest": max(closed),
        "trim": nominal / mean - 1.0,
    }
    if len(fitted) < len(flows):
        found["spread_all"] = spread(flows)
    return found


def tell(given: Given, results: Results, limits: Limits) -> Told:
    """Say which cylinder is leanest, what the one sensor hides, and which injectors to fit."""
    flows, chosen = given.many("flows"), _chosen(given)
    fitted = [flows[i] for i in chosen]
    spares = [i + 1 for i in range(len(flows)) if i not in chosen]
    target = given.number("target")
    percent, doubt = 100.0 * results.value("spread"), 100.0 * results.uncertainty("spread")
    judged = judge(limits, "injector_spread_on_bench", percent, doubt)
    says = []
    if spares:
        says.append(
            f"Best matched: injectors {_listed([i + 1 for i in chosen])}; leave out {_listed(spares)}. "
            f"Their spread is {percent:.1f} %."
        )
    least = chosen[fitted.index(min(fitted))] + 1
    says.append(
        f"Injector {least} flows least: with the common sensor at {target:.2f} its cylinder burns at "
        f"{results.value('leanest'):.3f}, and the sensor shows nothing of it."
    )
    says.append(
        {
            "present": "Clean and flow them again, or replace the set, before a full-load run.",
            "absent": "That is a matched set.",
            "unknown": "Neither matched nor bad: set the target by the leanest cylinder, and read all plugs.",
        }[judged.state]
    )
    findings, measurements = _facts(judged, percent, limits, among_spares=bool(spares))
    return Told(says=says, caveats=_caveats(given, spares), findings=findings, measurements=measurements)


def _facts(
    judged: Implied, percent: float, limits: Limits, *, among_spares: bool
) -> tuple[list[Implied], list[Reported]]:
    """Return what the spread shows of the car.

    The best set among spares is not what is fitted: only if even that is uneven is any set. And the rule
    that clears knows no doubt, so a spread that is not clear of its limit is held back from it.
    """
    if among_spares and judged.state != "present":
        return [], []
    would_clear = judge(limits, "injector_spread_on_bench", percent).state == "absent"
    if judged.state == "unknown" and would_clear:
        return [judged], []
    return [judged], [Reported("injector_flow_spread", round(percent, 3), "percent")]


def _listed(places: Sequence[int]) -> str:
    return ", ".join(map(str, places))


def _caveats(given: Given, spares: Sequence[int]) -> list[str]:
    caveats = ["The same air in each cylinder is taken for granted; ports and cams add their own spread."]
    if spares:
        caveats.append(
            "What follows holds for the set named above; the triage hears of it once it is fitted."
        )
    if not given.has("nominal"):
        caveats.append("Without the flow of the calibration the highest of the set is taken for it.")
    return caveats


MEASURE = Measure(
    id="injector_set",
    label="Injector mismatch and matching",
    asks="What does the mixture of each cylinder become when the injectors flow unequally?",
    inputs=(
        Input(
            "flows",
            "Flows on the bench, in the order of the cylinders",
            "volume_flow",
            ("20 cc/min", "4000 cc/min"),
            doubt="0.5 %",
            shown="cc/min",
            help="All at the same pressure and with the same fluid.",
            many=True,
            at_least=2,
            at_most=48,
            example="1000/970/1010/990 cc/min",
        ),
        Input(
            "cylinders",
            "Cylinders, if there are spare injectors among them",
            "count",
            ("2", "24"),
            False,
            example="4",
        ),
        Input("target", "Lambda target", "ratio", ("0.6", "1.2"), False, "0.80"),
        Input(
            "nominal",
            "Flow that the calibration has",
            "volume_flow",
            ("20 cc/min", "4000 cc/min"),
            False,
            shown="cc/min",
            example="1000 cc/min",
            help="Left out: the highest of the set.",
        ),
    ),
    outputs=(
        Output("spread", "Lowest below highest, in the set", "fraction"),
        Output("spread_all", "The same over all that were given", "fraction"),
        Output("mean", "Mean flow of the set", "volume_flow", "cc/min"),
        Output("flow_fitted", "Flow in the set", "volume_flow", "cc/min", many=True),
        Output("open_loop", "Lambda without a trim, cylinder", "ratio", many=True),
        Output("closed_loop", "Lambda with the common sensor at its target, cylinder", "ratio", many=True),
        Output("leanest", "Leanest cylinder with the sensor at its target", "ratio"),
        Output("sensor_open_loop", "What the common sensor shows without a trim", "ratio"),
        Output("trim", "Trim that brings the common sensor to its target", "fraction"),
    ),
    formulas=(
        Formula("lambda_i = target * nominal / q_i without a trim", "fuel_mass_balance"),
        Formula(
            "lambda_i = target * mean(q) / q_i with the common sensor at its target", "fuel_mass_balance"
        ),
    ),
    assumes=(
        "Each cylinder gets the same air and the same pulse.",
        "The common sensor sees all the gas mixed.",
    ),
    compute=compute,
    tell=tell,
    example={"flows": "1000/1000/1000/920 cc/min", "target": "0.80"},
    cautions=("petrol_fire", "solvent_injector_spray"),
    limits=("injector_spread_on_bench",),
    published=(
        Published("open_loop.3", 0.8696, 1e-4, "mass balance, worked by hand"),
        Published("closed_loop.3", 0.8522, 1e-4, "mass balance, worked by hand"),
        Published("closed_loop.0", 0.7840, 1e-4, "mass balance, worked by hand"),
    ),
)
