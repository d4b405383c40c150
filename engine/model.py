"""The entry kinds of the knowledge base, as they stand in its YAML files.

Each model is one entry kind; `KINDS` maps the folder name under ``kb/`` to its model. An id is the
key an entry stands under, so it is not repeated inside the entry. Every entry that holds a number
names the source of its numbers: the id of an entry in ``kb/sources``.
"""

from __future__ import annotations

import re
from typing import Annotated, Literal, get_args

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

ID_PATTERN = r"^[a-z][a-z0-9]*(_[a-z0-9]+)*$"
QUANTITY_PATTERN = r"^[-+]?[0-9]+(\.[0-9]+)?( .+)?$"
CODE_PATTERN = r"^[PCBU][0-3][0-9A-F]{3}$"

Id = Annotated[str, StringConstraints(pattern=ID_PATTERN, max_length=64)]
Text = Annotated[str, StringConstraints(min_length=1, max_length=1200, strip_whitespace=True)]
Label = Annotated[str, StringConstraints(min_length=3, max_length=120, strip_whitespace=True)]
TypedQuantity = Annotated[str, StringConstraints(pattern=QUANTITY_PATTERN, max_length=40)]
TroubleCode = Annotated[str, StringConstraints(pattern=CODE_PATTERN)]
Probability = Annotated[float, Field(gt=0.0, lt=1.0)]
Minutes = Annotated[float, Field(gt=0.0, le=2880.0)]

System = Literal[
    "airpath",
    "crankcase",
    "fuel",
    "ignition",
    "oil",
    "coolant",
    "exhaust",
    "boost_control",
    "electrical",
    "sensors",
    "drivetrain",
    "installation",
]
SYSTEMS: tuple[System, ...] = get_args(System)

Consequence = Literal["stop", "mend_first", "advise"]
VerdictName = Literal["run", "run_with_advice", "mend_first", "stop"]
HoldLevel = Literal["mend_first", "stop"]
KnownState = Literal["present", "absent"]
Place = Literal["call", "bay", "lift", "gauge", "log", "code"]
Skill = Literal["owner", "technician", "specialist"]
WordRole = Literal[
    "denies",
    "denies_rest",
    "does_not_deny",
    "all_well",
    "turns",
    "asks",
    "affirms",
    "fills",
    "small_talk",
    "same_meaning",
]
Activity = Literal[
    "pressurising",
    "running",
    "hot_parts",
    "open_fuel",
    "sparks",
    "lifting",
    "rollers",
    "battery_work",
]


class Entry(BaseModel):
    """What all entries share: unknown fields are refused and nothing changes after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True)


class Source(Entry):
    """Where a number or a statement comes from."""

    kind: Literal["published", "common_practice", "memory"]
    title: Text
    detail: Text | None = None
    jurisdiction: Text | None = None


class Caution(Entry):
    """A hazard with its wording and the deferral to local codes and licensed practice."""

    label: Label
    hazard: Literal[
        "fire",
        "pressure",
        "burn",
        "exhaust_gas",
        "moving_parts",
        "lifting",
        "electrical",
        "chemical",
        "noise",
        "eye",
        "engine_damage",
    ]
    covers: tuple[Activity, ...] = ()
    wording: Text
    defers_to: Text
    source: Id


class Finding(Entry):
    """Something about the car that is present, absent or unknown.

    `background` is P(present | no listed cause active), dimensionless.
    """

    label: Label
    question: Text
    heard_as: tuple[Text, ...] = ()
    heard_when_absent: tuple[Text, ...] = ()
    found_at: Annotated[tuple[Place, ...], Field(min_length=1)]
    background: Probability
    codes: tuple[TroubleCode, ...] = ()
    note: Text | None = None
    source: Id


class Cause(Entry):
    """A fault, with how often it is expected per 1,000 boosted cars presented."""

    label: Label
    prior_per_1000: Annotated[float, Field(gt=0.0, lt=500.0)]
    consequence: Consequence
    if_ignored: Text
    fixes: Annotated[tuple[Id, ...], Field(min_length=1)]
    hazards: tuple[Id, ...] = ()
    note: Text | None = None
    source: Id


class Strength(Entry):
    """A link strength that names a source of its own."""

    strength: Probability
    source: Id


class Links(Entry):
    """What one cause makes present: finding id -> P(this cause alone makes it present)."""

    makes: Annotated[dict[Id, Probability | Strength], Field(min_length=1)]
    source: Id


class FindingIs(Entry):
    """Holds when the finding is a known fact in this state; unknown satisfies neither state."""

    finding: Id
    is_: KnownState = Field(default="present", alias="is")


class Comparison(Entry):
    """Bounds on a measured value; all that are given must hold."""

    below: TypedQuantity | None = None
    at_most: TypedQuantity | None = None
    above: TypedQuantity | None = None
    at_least: TypedQuantity | None = None


class VehicleIs(Comparison):
    """Holds when a vehicle fact is known and equals, is one of, or lies within bounds."""

    vehicle: Id
    is_: str | bool | None = Field(default=None, alias="is")
    in_: tuple[str, ...] | None = Field(default=None, alias="in")


class Measured(Comparison):
    """Holds when a reading of the quantity lies within bounds, at the stated conditions."""

    measured: Id
    at: dict[Id, Comparison] = Field(default_factory=dict)


class AllOf(Entry):
    """Holds when every part holds."""

    all: Annotated[tuple[Condition, ...], Field(min_length=1)]


class AnyOf(Entry):
    """Holds when at least one part holds."""

    any: Annotated[tuple[Condition, ...], Field(min_length=1)]


Condition = FindingIs | VehicleIs | Measured | AllOf | AnyOf


class Requirement(Entry):
    """A condition of a test: known false, the test is not offered; unknown, it is to be checked.

    With `must_be_known` the test is not offered either while the condition is unknown.
    """

    when: Annotated[tuple[Condition, ...], Field(min_length=1)]
    because: Text
    must_be_known: bool = False


class Accuracy(Entry):
    """How well a test settles a finding."""

    sensitivity: Probability
    specificity: Probability


class Limit(Entry):
    """A pass or fail limit in words with units, and where the number comes from."""

    text: Text
    source: Id


class Test(Entry):
    """Something to do to the car, and the findings that it settles."""

    __test__ = False

    label: Label
    place: Place
    steps: Annotated[tuple[Text, ...], Field(min_length=1)]
    tools: tuple[Text, ...] = ()
    minutes: Minutes
    skill: Skill
    involves: tuple[Activity, ...] = ()
    requires: tuple[Requirement, ...] = ()
    cautions: tuple[Id, ...] = ()
    settles: Annotated[dict[Id, Accuracy], Field(min_length=1)]
    limits: tuple[Limit, ...] = ()
    note: Text | None = None
    source: Id


class Fix(Entry):
    """What mends a cause, and the test that proves that it worked."""

    label: Label
    steps: Annotated[tuple[Text, ...], Field(min_length=1)]
    minutes: Minutes
    skill: Skill
    parts: tuple[Text, ...] = ()
    involves: tuple[Activity, ...] = ()
    cautions: tuple[Id, ...] = ()
    proof: Id
    note: Text | None = None
    source: Id


class Derivation(Entry):
    """A finding that a rule concludes."""

    finding: Id
    is_: KnownState = Field(default="present", alias="is")


class Hold(Entry):
    """A verdict that no probability can outvote, with why and what lifts it."""

    verdict: HoldLevel
    why: Text
    lifted_by: Text


class Conclusions(Entry):
    """What follows when a rule's conditions hold."""

    derive: tuple[Derivation, ...] = ()
    exclude: tuple[Id, ...] = ()
    hold: Hold | None = None
    require_test: tuple[Id, ...] = ()
    caution: tuple[Id, ...] = ()
    forbid: tuple[Activity, ...] = ()


class Rule(Entry):
    """When all of `when` hold, `then` follows."""

    label: Label
    when: Annotated[tuple[Condition, ...], Field(min_length=1)]
    then: Conclusions
    because: Text
    source: Id


class VehicleFact(Entry):
    """A question about the car itself; its answer is unknown until given."""

    label: Label
    question: Text
    type: Literal["choice", "number", "yes_no"]
    choices: dict[Id, Text] = Field(default_factory=dict)
    heard_as: dict[Id, tuple[Text, ...]] = Field(default_factory=dict)
    unit: Text | None = None
    minimum: float | None = None
    maximum: float | None = None
    source: Id


class TroubleCodeTitle(Entry):
    """What a generic trouble code is called; the id is the code in small letters, as p0299."""

    title: Text
    note: Text | None = None
    source: Id


class Quantity(Entry):
    """Something that can be measured, with the unit it is kept in and the range that is credible."""

    label: Label
    unit: Text
    minimum: float
    maximum: float
    note: Text | None = None
    source: Id


class Channel(Entry):
    """A channel of a recorded log: the unit it is kept in, what loggers call it, and what is credible.

    `reference` says for a pressure whether it is kept as gauge or absolute pressure.
    """

    label: Label
    unit: Text
    reference: Literal["gauge", "absolute"] | None = None
    called: tuple[Text, ...] = ()
    minimum: float
    maximum: float
    note: Text | None = None
    source: Id


class Judgement(Entry):
    """When a value from readings or from a log says that a finding is present, and when that it is absent.

    `used_by` is the id of a measure, or ``log``; `unit` the unit that the value comes in. `settings` are what
    else the calculation needs to know, each with its unit.
    """

    label: Label
    used_by: Id
    finding: Id
    unit: Text
    present: Comparison
    absent: Comparison | None = None
    settings: dict[Id, TypedQuantity] = Field(default_factory=dict)
    because: Text
    source: Id


class WordGroup(Entry):
    """Everyday words that the listener treats alike, whatever they are said about."""

    label: Label
    role: WordRole
    words: Annotated[tuple[Text, ...], Field(min_length=1)]
    note: Text | None = None
    source: Id


class Loss(Entry):
    """Expected loss in minutes of one verdict for each worst consequence that is really there."""

    nothing: Annotated[float, Field(ge=0.0)]
    advise: Annotated[float, Field(ge=0.0)]
    mend_first: Annotated[float, Field(ge=0.0)]
    stop: Annotated[float, Field(ge=0.0)]


class Decision(Entry):
    """The numbers that the verdict and the choice of the next step rest on."""

    loss_minutes: dict[VerdictName, Loss]
    question_minutes: Minutes
    minutes_per_bit: dict[Consequence, Annotated[float, Field(ge=0.0)]]
    general_check_share: Annotated[float, Field(gt=0.0, le=1.0)]
    risk_minutes: dict[Activity, Annotated[float, Field(ge=0.0)]]
    source: Id


class Manifest(Entry):
    """``kb/kb.yaml``: the version of the knowledge base and its decision numbers."""

    version: Annotated[str, StringConstraints(pattern=r"^\d+\.\d+\.\d+$")]
    title: Label
    decision: Decision


ID_RE = re.compile(ID_PATTERN)
CODE_RE = re.compile(CODE_PATTERN)

AllOf.model_rebuild()
AnyOf.model_rebuild()
