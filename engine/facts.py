"""From what a caller sent to checked facts, and from facts to the atoms that hold of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from engine.case import MeasurementReport, TriageRequest
from engine.conditions import (
    Atom,
    FindingAtom,
    Reading,
    VehicleAtom,
    VehicleRangeAtom,
)
from engine.errors import InputError, InputIssue
from engine.knowledge import Knowledge
from engine.model import CODE_RE, KnownState
from engine.nearest import nearest
from engine.units import UnitError, convert

VehicleValue = str | bool | float


@dataclass(frozen=True)
class Facts:
    """The checked facts of a case.

    `findings` are those known present or absent, by report or by trouble code; `undecided` those that
    were asked and are not known. `origin` names, for each finding, the field it came from.
    """

    findings: Mapping[str, KnownState]
    undecided: frozenset[str]
    vehicle: Mapping[str, VehicleValue]
    readings: tuple[Reading, ...]
    unmatched_codes: tuple[str, ...]
    origin: Mapping[str, str]
    reading_origin: tuple[str, ...]

    def truth(self, atom: Atom, derived: Mapping[str, KnownState]) -> bool | None:
        """Whether an atom holds: True, False, or None where it is not known."""
        if isinstance(atom, FindingAtom):
            state = self.findings.get(atom.finding, derived.get(atom.finding))
            return None if state is None else state == atom.state
        if isinstance(atom, VehicleAtom):
            value = self.vehicle.get(atom.fact)
            return None if value is None else value == atom.value
        if isinstance(atom, VehicleRangeAtom):
            number = self.vehicle.get(atom.fact)
            return None if number is None else atom.bounds.holds(float(number))
        verdicts = [reading.meets(atom) for reading in self.readings if reading.quantity == atom.quantity]
        if True in verdicts:
            return True
        return False if False in verdicts else None


@dataclass
class _Reader:
    knowledge: Knowledge
    issues: list[InputIssue] = field(default_factory=list)

    def complain(self, where: str, value: object, message: str, accepted: tuple[str, ...] = ()) -> None:
        self.issues.append(InputIssue(where, value, message, accepted))


def read_facts(knowledge: Knowledge, request: TriageRequest) -> Facts:
    """Return the facts of `request`, or raise `InputError` with everything that is wrong in it."""
    reader = _Reader(knowledge)
    findings: dict[str, KnownState] = {}
    origin: dict[str, str] = {}
    undecided = set()
    for i, report in enumerate(request.findings):
        where = f"findings.{i}"
        if report.id not in knowledge.source.findings:
            accepted = nearest(report.id, knowledge.source.findings)
            reader.complain(f"{where}.id", report.id, f"no finding has the id {report.id!r}", accepted)
        elif report.state == "unknown":
            undecided.add(report.id)
        else:
            _set_finding(reader, findings, origin, report.id, report.state, where)
    unmatched = _read_codes(reader, request.trouble_codes, findings, origin)
    vehicle = _read_vehicle(reader, request)
    readings = [
        _read_measurement(reader, report, f"measurements.{i}")
        for i, report in enumerate(request.measurements)
    ]
    if reader.issues:
        raise InputError(reader.issues)
    kept = [(reading, f"measurements.{i}") for i, reading in enumerate(readings) if reading is not None]
    return Facts(
        findings=findings,
        undecided=frozenset(undecided - findings.keys()),
        vehicle=vehicle,
        readings=tuple(reading for reading, _ in kept),
        unmatched_codes=unmatched,
        origin=origin,
        reading_origin=tuple(where for _, where in kept),
    )


def _set_finding(
    reader: _Reader,
    findings: dict[str, KnownState],
    origin: dict[str, str],
    finding: str,
    state: KnownState,
    where: str,
) -> None:
    earlier = findings.get(finding)
    if earlier is not None and earlier != state:
        message = f"{finding!r} is {state} here and {earlier} in {origin[finding]}; say which is true"
        reader.complain(where, finding, message)
        return
    if earlier is None:
        findings[finding] = state
        origin[finding] = where


def _read_codes(
    reader: _Reader, codes: list[str], findings: dict[str, KnownState], origin: dict[str, str]
) -> tuple[str, ...]:
    unmatched = []
    for i, typed in enumerate(codes):
        where = f"trouble_codes.{i}"
        code = typed.strip().upper()
        finding = reader.knowledge.finding_of_code.get(code)
        if not CODE_RE.match(code):
            form = "a letter P, C, B or U and four digits, as P0299"
            reader.complain(where, typed, "not a trouble code", (form,))
        elif finding is None:
            unmatched.append(code)
        else:
            _set_finding(reader, findings, origin, finding, "present", where)
    return tuple(dict.fromkeys(unmatched))


def _read_vehicle(reader: _Reader, request: TriageRequest) -> dict[str, VehicleValue]:
    known = reader.knowledge.source.vehicle_facts
    vehicle: dict[str, VehicleValue] = {}
    for name, value in request.vehicle.items():
        where = f"vehicle.{name}"
        fact = known.get(name)
        if fact is None:
            reader.complain(where, name, f"no vehicle fact has the id {name!r}", nearest(name, known))
        elif value is None:
            continue
        elif fact.type == "choice":
            if isinstance(value, str) and value in fact.choices:
                vehicle[name] = value
            else:
                reader.complain(where, value, f"{value!r} is not a choice of {name!r}", tuple(fact.choices))
        elif fact.type == "yes_no":
            if isinstance(value, bool):
                vehicle[name] = value
            else:
                reader.complain(where, value, f"{name!r} is true or false", ("true", "false"))
        else:
            number = value if isinstance(value, float | int) and not isinstance(value, bool) else None
            low, high = fact.minimum, fact.maximum
            if number is None or (low is not None and number < low) or (high is not None and number > high):
                accepted = f"a number from {low:g} to {high:g} {fact.unit}"
                reader.complain(where, value, f"{value!r} is not a credible value of {name!r}", (accepted,))
            else:
                vehicle[name] = float(number)
    return vehicle


def _read_measurement(reader: _Reader, report: MeasurementReport, where: str) -> Reading | None:
    quantities = reader.knowledge.source.quantities
    quantity = quantities.get(report.quantity)
    if quantity is None:
        accepted = nearest(report.quantity, quantities)
        reader.complain(
            f"{where}.quantity", report.quantity, f"no quantity has the id {report.quantity!r}", accepted
        )
        return None
    value = _in_kept_unit(
        reader, report.quantity, report.value, report.unit, f"{where}.unit", f"{where}.value"
    )
    at: dict[str, float] = {}
    for key, number in report.at.items():
        place = f"{where}.at.{key}"
        condition = max((q for q in quantities if key.startswith(q)), key=len, default=None)
        unit = key[len(condition) :].removeprefix("_") if condition else ""
        if condition is None or (len(key) > len(condition) and key[len(condition)] != "_"):
            keys = {f"{q}_{entry.unit.replace('/', '_per_')}" for q, entry in quantities.items()}
            accepted = nearest(key, keys) or tuple(k for k in sorted(keys) if k.endswith(f"_{key}"))[:3]
            form = accepted or ("quantity_unit, as engine_speed_rpm",)
            reader.complain(place, key, f"{key!r} does not name a quantity and its unit", form)
            continue
        unit = unit.replace("_per_", "/") or quantities[condition].unit
        converted = _in_kept_unit(reader, condition, number, unit, place, place)
        if converted is None:
            continue
        if at.setdefault(condition, converted) != converted:
            reader.complain(place, number, f"{condition!r} is given twice with different values")
    return None if value is None else Reading(report.quantity, value, at)


def _in_kept_unit(
    reader: _Reader, name: str, value: float, unit: str, unit_at: str, value_at: str
) -> float | None:
    quantity = reader.knowledge.source.quantities[name]
    try:
        converted = convert(value, unit, quantity.unit)
    except UnitError as error:
        accepted = f"a unit of {quantity.label.lower()}, as {quantity.unit}"
        reader.complain(unit_at, unit, str(error), (accepted,))
        return None
    if not quantity.minimum <= converted <= quantity.maximum:
        reader.complain(
            value_at,
            value,
            f"{converted:g} {quantity.unit} is not a credible reading of {name!r}",
            (f"{quantity.minimum:g} to {quantity.maximum:g} {quantity.unit}",),
        )
        return None
    return converted


def holding_atoms(knowledge: Knowledge, facts: Facts) -> dict[int, str]:
    """Return the atoms of the knowledge base that hold of the facts, each with the field it comes from."""
    index = knowledge.atom_index
    holding: dict[int, str] = {}
    for finding, state in facts.findings.items():
        atom = index.get(FindingAtom(finding, state))
        if atom is not None:
            holding[atom] = facts.origin[finding]
    for name, value in facts.vehicle.items():
        if isinstance(value, str | bool):
            atom = index.get(VehicleAtom(name, value))
            if atom is not None:
                holding[atom] = f"vehicle.{name}"
        else:
            for atom, bounds in knowledge.vehicle_ranges.get(name, ()):
                if bounds.holds(value):
                    holding[atom] = f"vehicle.{name}"
    for reading, where in zip(facts.readings, facts.reading_origin, strict=True):
        for atom, statement in knowledge.reading_atoms.get(reading.quantity, ()):
            if reading.meets(statement):
                holding.setdefault(atom, where)
    return holding
