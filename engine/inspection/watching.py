"""What to watch during the first runs, given what is still in doubt."""

from __future__ import annotations

import numpy as np

from engine import cautions
from engine.answer import CautionPart
from engine.conditions import Translator
from engine.inspection.entries import Watch
from engine.inspection.report_parts import DoubtPart, WatchBound, WatchPart
from engine.model import Comparison
from engine.offers import all_hold
from engine.triage import Grounds, Triage
from engine.units import convert, parse_quantity
from engine.verdict import SEVERITIES

LEAST_LOSS = 4.0
"""Expected loss [min] from which a doubt brings a watch on the list."""
MOST_WATCHES = 14
MOST_DOUBTS = 3
LEAST_DOUBT = 0.005
PREFIX = "logged_"
WORDS = {"below": "below", "at_most": "at or below", "above": "above", "at_least": "from"}
RUN_CAUTIONS = ("full_load_engine_damage", "rotating_rollers", "hearing")


def watches(triage: Triage, grounds: Grounds) -> list[WatchPart]:
    """Return what to watch: what is always watched, then what the remaining doubts call for, worst first.

    A doubt weighs P(cause) P(it shows there) times the loss [min] of a run with it. Watches that cannot
    matter for this car are left out.
    """
    source = triage.knowledge.source
    translator = Translator(source.vehicle_facts, source.quantities)
    found: list[tuple[float, WatchPart]] = []
    for watch_id, watch in source.watches.items():
        alternatives = translator.alternatives(watch.matters_when)
        if all(all_hold(atoms, grounds.facts, grounds.conclusions) is False for atoms in alternatives):
            continue
        loss, doubts = _doubts(triage, grounds, watch)
        if watch.always or loss >= LEAST_LOSS:
            found.append((loss, _told(triage, grounds, watch_id, watch, doubts)))
    always = sorted((f for f in found if f[1].always), key=lambda f: (-f[0], f[1].id))
    called = sorted((f for f in found if not f[1].always), key=lambda f: (-f[0], f[1].id))
    return [part for _, part in (always + called)[:MOST_WATCHES]]


def _doubts(triage: Triage, grounds: Grounds, watch: Watch) -> tuple[float, list[DoubtPart]]:
    knowledge = triage.knowledge
    marginal = grounds.posterior.marginal
    findings = [knowledge.finding_index[f] for f in watch.tells]
    shows = 1.0 - np.prod(1.0 - knowledge.network.strength[findings], axis=0)
    weight = np.zeros(marginal.size)
    for i, severity in enumerate(SEVERITIES[1:], start=1):
        weight += knowledge.consequence[severity] * triage.priced.loss[0, i]
    loss = marginal * shows * weight
    worst: list[int] = np.argsort(-loss, kind="stable")[:MOST_DOUBTS].tolist()
    doubts = [
        doubt_of(triage, grounds, cause)
        for cause in worst
        if loss[cause] > 0 and marginal[cause] > LEAST_DOUBT
    ]
    return float(loss.sum()), doubts


def doubt_of(triage: Triage, grounds: Grounds, cause: int) -> DoubtPart:
    """Return a cause (index) with how likely it still is."""
    cause_id = triage.knowledge.cause_ids[cause]
    entry = triage.knowledge.source.causes[cause_id]
    return DoubtPart(
        cause=cause_id,
        label=entry.label,
        consequence=entry.consequence,
        probability=min(1.0, float(grounds.posterior.marginal[cause])),
    )


def _told(
    triage: Triage, grounds: Grounds, watch_id: str, watch: Watch, doubts: list[DoubtPart]
) -> WatchPart:
    channels = triage.knowledge.source.channels
    lift_off = _bound(watch.channel, watch.lift_off, watch.unit)
    said = in_words(lift_off)
    if watch.relative_to is not None:
        fact = triage.knowledge.source.vehicle_facts[watch.relative_to]
        value = grounds.facts.vehicle.get(watch.relative_to)
        if value is None:
            said = f"{said}, counted from: {_lower(fact.label)}"
            lift_off = WatchBound(channel=lift_off.channel, unit=lift_off.unit)
        else:
            lift_off = _raised(lift_off, convert(float(value), fact.unit or "dimensionless", watch.unit))
            said = in_words(lift_off)
    at = [_bound(name, comparison, channels[name].unit) for name, comparison in watch.at.items()]
    words = f"{_bare(channels[watch.channel].label)} {said}"
    if at:
        told = [f"{_lower(_bare(channels[PREFIX + b.channel].label))} {in_words(b)}" for b in at]
        words += f", while {' and '.join(told)}"
    return WatchPart(
        id=watch_id,
        label=watch.label,
        lift_off=lift_off,
        at=at,
        words=words,
        because=watch.because,
        then=watch.then,
        always=watch.always,
        doubts=doubts,
    )


def _raised(bound: WatchBound, by: float) -> WatchBound:
    """Return bounds that are counted from a value as bounds of their own."""
    moved = {name: getattr(bound, name) + by for name in WORDS if getattr(bound, name) is not None}
    return bound.model_copy(update={name: round(value, 6) for name, value in moved.items()})


def _bound(channel: str, comparison: Comparison, unit: str) -> WatchBound:
    typed = comparison.model_dump(include=set(WORDS), exclude_none=True)
    bounds = {name: round(parse_quantity(text, unit), 6) for name, text in typed.items()}
    return WatchBound(channel=channel.removeprefix(PREFIX), unit=unit, **bounds)


def in_words(bound: WatchBound) -> str:
    """Return bounds as people say them.

    >>> in_words(WatchBound(channel="oil_pressure", unit="kPa", below=200.0))
    'below 200 kPa'
    """
    said = [
        f"{word} {getattr(bound, name):g}" for name, word in WORDS.items() if getattr(bound, name) is not None
    ]
    unit = "" if bound.unit == "dimensionless" else f" {shown(bound.unit)}"
    return " and ".join(said) + unit


def shown(unit: str) -> str:
    """Return a unit as people write it.

    >>> shown("degC")
    '°C'
    """
    names = {"percent": "%", "degC": "°C", "degree": "°", "volt": "V", "g_0": "g", "dimensionless": ""}
    return names.get(unit, unit)


def _bare(label: str) -> str:
    """Return a label without what stands in brackets behind it: on a card it only takes room."""
    return label.split(" (", maxsplit=1)[0]


def _lower(label: str) -> str:
    return label[:1].lower() + label[1:]


def run_cautions(triage: Triage) -> list[CautionPart]:
    """Return the cautions of a full-load run, as far as the knowledge base has them."""
    source = triage.knowledge.source
    return cautions.told(source, {caution: ["run"] for caution in RUN_CAUTIONS if caution in source.cautions})
