"""How a measure says what it takes, what it gives, and what follows from it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from engine.errors import InputError, InputIssue
from engine.measures.kinds import KINDS, KindName, Reference
from engine.measures.limits import Implied, Limits


@dataclass(frozen=True)
class Input:
    """One reading that a measure takes.

    Texts such as `default`, `credible` and `doubt` are typed as a person would, with units. A value outside
    `credible` is refused; one outside `valid` is taken with the caveat `valid_because`. `doubt` is the half
    width that holds when the reading comes without one, as "2 %" of the value or as "1 kPa". A pressure is
    kept against `reference`, whichever way it was typed. `many` readings come as a list.
    """

    name: str
    label: str
    kind: KindName
    credible: tuple[str, str] | None = None
    needed: bool = True
    default: str | None = None
    valid: tuple[str, str] | None = None
    valid_because: str = ""
    doubt: str | None = None
    shown: str | None = None
    reference: Reference | None = None
    many: bool = False
    at_least: int = 1
    at_most: int = 64
    choices: Mapping[str, str] = field(default_factory=dict)
    example: str | None = None
    help: str = ""
    for_conversion: bool = False
    """Matters only where a pressure is typed against the other reference."""
    matters_with: str | None = None
    """Matters only where this other reading was given."""

    def __post_init__(self) -> None:
        if (self.kind == "pressure") != (self.reference is not None):
            raise ValueError(f"{self.name}: a pressure, and nothing else, says gauge or absolute")
        if (self.kind == "choice") != bool(self.choices):
            raise ValueError(f"{self.name}: a choice, and nothing else, has choices")
        if self.kind != "choice" and self.credible is None:
            raise ValueError(f"{self.name}: a number says what is credible")

    @property
    def unit(self) -> str:
        """The unit that people read it in."""
        return KINDS[self.kind].shown if self.shown is None else self.shown

    @property
    def typed_as(self) -> str:
        """How a person would type it."""
        if self.example:
            return self.example
        return next(iter(self.choices)) if self.choices else KINDS[self.kind].example


ATMOSPHERE = Input(
    "atmosphere",
    "Air pressure at the workshop, or its height above sea level",
    "atmosphere",
    credible=("50 kPa", "110 kPa"),
    needed=False,
    default="101.325 kPa",
    doubt="3 kPa",
    help="As a barometer shows it at the place, not reduced to sea level.",
)

TO_CONVERT = replace(ATMOSPHERE, for_conversion=True)
"""For a measure that needs the air pressure only to turn a gauge pressure into an absolute one or back."""


@dataclass(frozen=True)
class Output:
    """One value that a measure gives, in SI inside, shown in `shown` with its uncertainty."""

    name: str
    label: str
    kind: KindName
    shown: str | None = None
    reference: Reference | None = None
    many: bool = False

    @property
    def unit(self) -> str:
        """The unit that people read it in."""
        return KINDS[self.kind].shown if self.shown is None else self.shown


@dataclass(frozen=True)
class Formula:
    """A formula as a person would write it, and the id of its source in the knowledge base."""

    text: str
    source: str


@dataclass(frozen=True)
class Given:
    """The readings of one calculation in SI units, pressures against the reference their input asks for."""

    numbers: Mapping[str, float]
    lists: Mapping[str, tuple[float, ...]]
    chosen: Mapping[str, str]

    def number(self, name: str) -> float:
        """Return a reading that is needed or has a default."""
        return self.numbers[name]

    def optional(self, name: str) -> float | None:
        """Return a reading, or None where it was not given."""
        return self.numbers.get(name)

    def many(self, name: str) -> tuple[float, ...]:
        """Return a list of readings, empty where none was given."""
        return self.lists.get(name, ())

    def choice(self, name: str) -> str:
        """Return the choice made, or its default."""
        return self.chosen[name]

    def picked(self, name: str) -> str | None:
        """Return the choice made, or None where none was and there is no default."""
        return self.chosen.get(name)

    def has(self, name: str) -> bool:
        """Whether a reading was given or has a default."""
        return name in self.numbers or name in self.lists or name in self.chosen


@dataclass(frozen=True)
class Result:
    """A value in SI with its standard uncertainty."""

    value: float
    uncertainty: float


@dataclass(frozen=True)
class Results:
    """What a measure gave, by the name of its output; outputs that do not apply are not there."""

    one: Mapping[str, Result]
    several: Mapping[str, tuple[Result, ...]]

    def value(self, name: str) -> float:
        """Return the value of an output."""
        return self.one[name].value

    def uncertainty(self, name: str) -> float:
        """Return the standard uncertainty of an output."""
        return self.one[name].uncertainty

    def values(self, name: str) -> tuple[float, ...]:
        """Return the values of an output that is a list."""
        return tuple(result.value for result in self.several[name])

    def has(self, name: str) -> bool:
        """Whether the output applies."""
        return name in self.one or name in self.several


@dataclass(frozen=True)
class Reported:
    """A reading of a quantity of the knowledge base that the triage can take, in a typed unit."""

    quantity: str
    value: float
    unit: str
    at: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Told:
    """What follows: plain sentences, what they hold under, and what the triage can take as facts."""

    says: Sequence[str] = ()
    caveats: Sequence[str] = ()
    findings: Sequence[Implied] = ()
    measurements: Sequence[Reported] = ()


@dataclass(frozen=True)
class Published:
    """A value from outside for a result of the worked example, in the unit that the result is shown in.

    `output` names the result (``name`` or ``name.0`` of a list), `tolerance` is relative, `source` says where
    the value was read or how it was worked out.
    """

    output: str
    value: float
    tolerance: float
    source: str


Computed = Mapping[str, float | Sequence[float]]


@dataclass(frozen=True)
class Measure:
    """One calculation from readings.

    `compute` is pure and works in SI; it raises `engine.errors.InputError` (through `wrong`) for readings
    that contradict each other. `tell` turns the results into sentences and findings, with the limits of the
    knowledge base. `cautions` are ids of the knowledge base for the work that taking the readings means.
    """

    id: str
    label: str
    asks: str
    inputs: tuple[Input, ...]
    outputs: tuple[Output, ...]
    formulas: tuple[Formula, ...]
    assumes: tuple[str, ...]
    compute: Callable[[Given], Computed]
    tell: Callable[[Given, Results, Limits], Told]
    example: Mapping[str, str]
    """Readings of the worked example in docs/, as typed."""
    cautions: tuple[str, ...] = ()
    limits: tuple[str, ...] = ()
    """Ids of the limits of the knowledge base that `tell` uses."""
    published: tuple[Published, ...] = ()
    """Values from outside that the worked example is held against."""


def wrong(name: str, value: object, message: str, accepted: tuple[str, ...] = ()) -> InputError:
    """Return the error for a reading that cannot be used, for `raise`."""
    return InputError([InputIssue(f"readings.{name}", value, message, accepted)])
