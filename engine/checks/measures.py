"""Vehicle facts and readings: types, choices, units and bounds that a value can meet."""

from __future__ import annotations

from collections.abc import Iterator

from engine.checks.report import Path, all_conditions, error, warning
from engine.conditions import Bounds, bounds_of
from engine.errors import Problem
from engine.loading import KnowledgeSource
from engine.model import Comparison, Measured, VehicleFact, VehicleIs
from engine.units import UnitError, conversion, parse_quantity

COMPARATORS = ("below", "at_most", "above", "at_least")
UNITLESS = "dimensionless"


def units(source: KnowledgeSource) -> Iterator[Problem]:
    """Units of quantities and vehicle facts that are not units, and ranges that are empty."""
    kept = [("quantities", i, q.unit, q.minimum, q.maximum) for i, q in source.quantities.items()]
    facts = [("vehicle_facts", i, f.unit, f.minimum, f.maximum) for i, f in source.vehicle_facts.items()]
    for kind, entry_id, unit, minimum, maximum in [*kept, *facts]:
        if unit is not None:
            try:
                conversion(unit, unit)
            except UnitError as reason:
                yield error(source, kind, entry_id, ("unit",), str(reason))
        if minimum is not None and maximum is not None and minimum >= maximum:
            message = f"the range is empty: minimum {minimum:g}, maximum {maximum:g}"
            yield error(source, kind, entry_id, ("minimum",), message)


def fact_definitions(source: KnowledgeSource) -> Iterator[Problem]:
    """Vehicle facts whose fields do not go with their type."""
    for fact_id, fact in source.vehicle_facts.items():
        if fact.type == "choice" and len(fact.choices) < 2:
            yield error(source, "vehicle_facts", fact_id, ("choices",), "a choice needs two or more choices")
        if fact.type != "choice" and fact.choices:
            yield error(source, "vehicle_facts", fact_id, ("choices",), f"does not go with type {fact.type}")
        if fact.type == "number" and fact.unit is None:
            yield error(source, "vehicle_facts", fact_id, (), "a number needs a unit")
        for name in ("unit", "minimum", "maximum"):
            if fact.type != "number" and getattr(fact, name) is not None:
                yield error(source, "vehicle_facts", fact_id, (name,), f"does not go with type {fact.type}")


def vehicle_conditions(source: KnowledgeSource) -> Iterator[Problem]:
    """Conditions on the car that its facts can never meet."""
    for kind, entry_id, path, leaf in all_conditions(source):
        fact = source.vehicle_facts.get(leaf.vehicle) if isinstance(leaf, VehicleIs) else None
        if fact is None or not isinstance(leaf, VehicleIs):
            continue
        for part, message in _answer_misfits(leaf, fact):
            yield error(source, kind, entry_id, (*path, *part), message)
        if fact.type == "number":
            unit = fact.unit or UNITLESS
            name = leaf.vehicle
            yield from bound_problems(
                source, (kind, entry_id, path), leaf, (name, unit, fact.minimum, fact.maximum)
            )


def reading_conditions(source: KnowledgeSource) -> Iterator[Problem]:
    """Conditions on readings without a bound, in a wrong unit, or that no reading can meet."""
    for kind, entry_id, path, leaf in all_conditions(source):
        if not isinstance(leaf, Measured):
            continue
        parts: list[tuple[Path, str, Comparison]] = [(path, leaf.measured, leaf)]
        parts += [((*path, "at", name), name, bound) for name, bound in leaf.at.items()]
        for here, name, comparison in parts:
            quantity = source.quantities.get(name)
            if quantity is None:
                continue
            kept = (name, quantity.unit, quantity.minimum, quantity.maximum)
            yield from bound_problems(source, (kind, entry_id, here), comparison, kept)


def _given(comparison: Comparison) -> list[tuple[str, str]]:
    values = [(name, getattr(comparison, name)) for name in COMPARATORS]
    return [(name, value) for name, value in values if isinstance(value, str)]


def _answer_misfits(leaf: VehicleIs, fact: VehicleFact) -> Iterator[tuple[Path, str]]:
    if fact.type == "number":
        for name, value in (("is", leaf.is_), ("in", leaf.in_)):
            if value is not None:
                yield (name,), f"{leaf.vehicle} is a number; use {', '.join(COMPARATORS)}"
        return
    for name, _ in _given(leaf):
        yield (name,), f"{leaf.vehicle} is of type {fact.type} and cannot be compared; use is"
    if leaf.is_ is None and leaf.in_ is None:
        yield (), f"says nothing of {leaf.vehicle}; add is{' or in' if fact.type == 'choice' else ''}"
    if leaf.is_ is not None and leaf.in_ is not None:
        yield ("in",), "is and in do not go together"
    if fact.type == "yes_no":
        if leaf.in_ is not None:
            yield ("in",), f"{leaf.vehicle} is true or false; use is"
        if isinstance(leaf.is_, str):
            yield ("is",), f"{leaf.vehicle} is true or false, not {leaf.is_!r}"
        return
    if leaf.in_ == ():
        yield ("in",), "needs at least one choice"
    choices = ", ".join(fact.choices)
    if leaf.is_ is not None and (isinstance(leaf.is_, bool) or leaf.is_ not in fact.choices):
        yield ("is",), f"{_said(leaf.is_)} is no choice of {leaf.vehicle}; choices: {choices}"
    for i, value in enumerate(leaf.in_ or ()):
        if value not in fact.choices:
            yield ("in", i), f"{value!r} is no choice of {leaf.vehicle}; choices: {choices}"


def _said(value: str | bool) -> str:
    return str(value).lower() if isinstance(value, bool) else repr(value)


def bound_problems(
    source: KnowledgeSource,
    where: tuple[str, str, Path],
    comparison: Comparison,
    kept: tuple[str, str, float | None, float | None],
) -> Iterator[Problem]:
    """Yield what is wrong with the bounds that an entry states: none, no unit, or none that can be met."""
    kind, entry_id, path = where
    name, unit, minimum, maximum = kept
    given = _given(comparison)
    if not given and not (isinstance(comparison, VehicleIs) and (comparison.is_ or comparison.in_)):
        yield error(source, kind, entry_id, path, f"says nothing of {name}; add {', '.join(COMPARATORS)}")
    readable = True
    for comparator, text in given:
        if " " not in text and unit != UNITLESS:
            message = f"{text!r} has no unit; {name} is in {unit}"
            yield error(source, kind, entry_id, (*path, comparator), message)
            readable = False
            continue
        try:
            value = parse_quantity(text, unit)
        except UnitError as reason:
            yield error(source, kind, entry_id, (*path, comparator), f"{name} is in {unit}: {reason}")
            readable = False
            continue
        if (minimum is not None and value < minimum) or (maximum is not None and value > maximum):
            message = f"{text} lies outside the credible range of {name}"
            yield warning(source, kind, entry_id, (*path, comparator), message)
    if given and readable and _is_empty(bounds_of(comparison, unit)):
        yield error(source, kind, entry_id, path, f"no value of {name} can meet these bounds")


def _is_empty(bounds: Bounds) -> bool:
    return bounds.low > bounds.high or (bounds.low == bounds.high and (bounds.low_open or bounds.high_open))
