"""From the entries of a case kept over days to the facts that hold at one of them.

Entries are only ever added. What is said later counts over what was said earlier; what is withdrawn counts
as if it had never been said.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass

from engine.case import (
    MAX_CODES,
    MAX_FINDINGS,
    MAX_MEASUREMENTS,
    MAX_VEHICLE_FACTS,
    FindingReport,
    FiniteNumber,
    MeasurementReport,
    ShortText,
    TriageRequest,
)
from engine.errors import InputError, InputIssue

VehicleSaid = bool | FiniteNumber | ShortText | None


@dataclass(frozen=True)
class Observed:
    """Facts that were added to a case as its entry `number`."""

    number: int
    facts: TriageRequest


@dataclass(frozen=True)
class Withdrawn:
    """Entry `number` takes back all facts of the observation `observation`."""

    number: int
    observation: int


def facts_at(entries: Iterable[Observed | Withdrawn], number: int | None = None) -> TriageRequest:
    """Return the facts of a case as they stand after its entry `number`, or after the last one.

    The last word on a finding, a vehicle fact, or a quantity under the same conditions counts; null for a
    vehicle fact makes it unknown again. Trouble codes add up. The order is that of the last word on each, so
    that the same entries always give the same request, and with it the same decision id. Raises
    `engine.errors.InputError` where all of them together are more than one request may hold.
    """
    reached = [entry for entry in entries if number is None or entry.number <= number]
    taken_back = {entry.observation for entry in reached if isinstance(entry, Withdrawn)}
    vehicle: dict[str, VehicleSaid] = {}
    findings: dict[str, FindingReport] = {}
    readings: dict[tuple[str, frozenset[tuple[str, float]]], MeasurementReport] = {}
    codes: dict[str, str] = {}
    for entry in sorted(reached, key=lambda entry: entry.number):
        if isinstance(entry, Withdrawn) or entry.number in taken_back:
            continue
        for name, value in entry.facts.vehicle.items():
            vehicle.pop(name, None)
            vehicle[name] = value
        for report in entry.facts.findings:
            findings.pop(report.id, None)
            findings[report.id] = report
        for reading in entry.facts.measurements:
            readings.pop(_conditions(reading), None)
            readings[_conditions(reading)] = reading
        for code in entry.facts.trouble_codes:
            codes.setdefault(code.strip().upper(), code)
    _check_sizes(vehicle, findings, readings, codes)
    return TriageRequest(
        vehicle={name: value for name, value in vehicle.items() if value is not None},
        findings=list(findings.values()),
        measurements=list(readings.values()),
        trouble_codes=list(codes.values()),
    )


def _conditions(reading: MeasurementReport) -> tuple[str, frozenset[tuple[str, float]]]:
    return reading.quantity, frozenset(reading.at.items())


def _check_sizes(
    vehicle: Collection[object],
    findings: Collection[object],
    readings: Collection[object],
    codes: Collection[object],
) -> None:
    """Raise `InputError` where the entries of a case together say more than one request may."""
    issues = [
        InputIssue(field, len(held), f"the case as a whole would hold {len(held)}", (f"at most {most}",))
        for field, held, most in (
            ("vehicle", vehicle, MAX_VEHICLE_FACTS),
            ("findings", findings, MAX_FINDINGS),
            ("measurements", readings, MAX_MEASUREMENTS),
            ("trouble_codes", codes, MAX_CODES),
        )
        if len(held) > most
    ]
    if issues:
        raise InputError(issues)
