"""From the conditions of a rule to atoms: single statements that hold or are not known to hold.

A rule's conditions are turned into alternatives of conjunctions of atoms when the knowledge base is
loaded. Numbers are compared here and nowhere else, so that a chainer sees atoms only.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import product

from engine.model import (
    AllOf,
    AnyOf,
    Comparison,
    Condition,
    FindingIs,
    KnownState,
    Measured,
    Quantity,
    VehicleFact,
    VehicleIs,
)
from engine.units import parse_quantity

MAX_ALTERNATIVES = 64


class TooManyAlternativesError(ValueError):
    """A rule whose alternatives multiply beyond what is sensible."""


@dataclass(frozen=True, order=True)
class Bounds:
    """An interval; an open end does not belong to it. Values are in the unit that is kept."""

    low: float = float("-inf")
    low_open: bool = False
    high: float = float("inf")
    high_open: bool = False

    def holds(self, value: float) -> bool:
        """Whether `value` lies within."""
        above = value > self.low if self.low_open else value >= self.low
        below = value < self.high if self.high_open else value <= self.high
        return above and below

    def __str__(self) -> str:
        parts = []
        if self.low > float("-inf"):
            parts.append(f"{'>' if self.low_open else '>='} {self.low:g}")
        if self.high < float("inf"):
            parts.append(f"{'<' if self.high_open else '<='} {self.high:g}")
        return " and ".join(parts)


@dataclass(frozen=True)
class FindingAtom:
    """A finding is known to be in a state."""

    finding: str
    state: KnownState

    def __str__(self) -> str:
        return f"{self.finding} is {self.state}"


@dataclass(frozen=True)
class VehicleAtom:
    """A vehicle fact is known and has a value."""

    fact: str
    value: str | bool

    def __str__(self) -> str:
        return f"{self.fact} is {self.value}"


@dataclass(frozen=True)
class VehicleRangeAtom:
    """A vehicle fact that is a number is known and lies within bounds."""

    fact: str
    bounds: Bounds

    def __str__(self) -> str:
        return f"{self.fact} {self.bounds}"


@dataclass(frozen=True)
class ReadingAtom:
    """One reading of a quantity lies within bounds, taken at conditions that lie within theirs."""

    quantity: str
    bounds: Bounds
    at: tuple[tuple[str, Bounds], ...] = ()

    def __str__(self) -> str:
        at = "".join(f" at {quantity} {bounds}" for quantity, bounds in self.at)
        return f"{self.quantity} {self.bounds}{at}"


Atom = FindingAtom | VehicleAtom | VehicleRangeAtom | ReadingAtom


@dataclass(frozen=True)
class Reading:
    """A measured value in the unit its quantity is kept in, with the conditions it was taken at."""

    quantity: str
    value: float
    at: Mapping[str, float]

    def meets(self, atom: ReadingAtom) -> bool | None:
        """Whether the atom holds of this reading; None where a condition of it is not known."""
        known = True
        for quantity, bounds in atom.at:
            if quantity not in self.at:
                known = False
            elif not bounds.holds(self.at[quantity]):
                return False
        if not atom.bounds.holds(self.value):
            return False
        return True if known else None


def bounds_of(comparison: Comparison, unit: str) -> Bounds:
    """Return the interval that a comparison states, in `unit`; raises `engine.units.UnitError`."""
    low, low_open, high, high_open = float("-inf"), False, float("inf"), False
    if comparison.at_least is not None:
        low = parse_quantity(comparison.at_least, unit)
    if comparison.above is not None and (above := parse_quantity(comparison.above, unit)) >= low:
        low, low_open = above, True
    if comparison.at_most is not None:
        high = parse_quantity(comparison.at_most, unit)
    if comparison.below is not None and (below := parse_quantity(comparison.below, unit)) <= high:
        high, high_open = below, True
    return Bounds(low, low_open, high, high_open)


@dataclass(frozen=True)
class Translator:
    """Turns conditions into atoms, with the units of the knowledge base at hand."""

    vehicle_facts: Mapping[str, VehicleFact]
    quantities: Mapping[str, Quantity]

    def alternatives(self, conditions: Iterable[Condition]) -> list[frozenset[Atom]]:
        """Return the conjunctions of atoms any one of which satisfies all `conditions`.

        Raises `TooManyAlternativesError` where there would be more than `MAX_ALTERNATIVES`, and
        `engine.units.UnitError` where a bound cannot be read.
        """
        choices = [self._choices(condition) for condition in conditions]
        count = 1
        for choice in choices:
            count *= len(choice)
        if count > MAX_ALTERNATIVES:
            raise TooManyAlternativesError(
                f"the conditions multiply to {count} alternatives; {MAX_ALTERNATIVES} are allowed"
            )
        return list(dict.fromkeys(frozenset().union(*parts) for parts in product(*choices)))

    def _choices(self, condition: Condition) -> list[frozenset[Atom]]:
        if isinstance(condition, FindingIs):
            return [frozenset([FindingAtom(condition.finding, condition.is_)])]
        if isinstance(condition, AllOf):
            return self.alternatives(condition.all)
        if isinstance(condition, AnyOf):
            return [parts for option in condition.any for parts in self._choices(option)]
        if isinstance(condition, Measured):
            unit = self.quantities[condition.measured].unit
            at = tuple(
                sorted((q, bounds_of(bound, self.quantities[q].unit)) for q, bound in condition.at.items())
            )
            return [frozenset([ReadingAtom(condition.measured, bounds_of(condition, unit), at)])]
        return [frozenset([atom]) for atom in self._vehicle(condition)]

    def _vehicle(self, condition: VehicleIs) -> list[Atom]:
        values: list[str | bool] = list(condition.in_ or ())
        if condition.is_ is not None:
            values.append(condition.is_)
        if values:
            return [VehicleAtom(condition.vehicle, value) for value in values]
        unit = self.vehicle_facts[condition.vehicle].unit or "dimensionless"
        return [VehicleRangeAtom(condition.vehicle, bounds_of(condition, unit))]
