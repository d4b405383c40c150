"""The entry kinds of the walk round the car, as they stand in the knowledge base."""

from __future__ import annotations

from typing import Annotated, Literal, get_args

from pydantic import Field

from engine.model import (
    Activity,
    Comparison,
    Condition,
    Entry,
    Id,
    KnownState,
    Label,
    Limit,
    Probability,
    Skill,
    Text,
)

Spot = Literal[
    "cabin",
    "inlet",
    "turbo",
    "charge_pipes",
    "throttle_and_hoses",
    "fuel_rail",
    "ignition",
    "oil_top",
    "cooling",
    "belts",
    "battery_and_earths",
    "wiring_and_sensors",
    "under_front",
    "under_middle",
    "under_rear",
    "tank_and_tail",
    "wheels",
    "rollers",
]
StageId = Literal["bonnet_cold", "lift", "pressurised", "running", "strapped"]
STAGES: tuple[StageId, ...] = get_args(StageId)
"""The positions of a car on its way to the rollers, in the only order that is safe."""
CheckState = Literal["good", "advise", "mend", "not_checked"]
Horizon = Literal["session", "month", "service"]
HalfMinutes = Annotated[float, Field(gt=0.0, le=60.0, multiple_of=0.5)]


class Stage(Entry):
    """A position of the car in which points are looked at: the id is one of `STAGES`.

    `minutes` is what it takes to get there; `involves` holds for every point of the stage.
    """

    label: Label
    position: Text
    minutes: Annotated[float, Field(ge=0.0, le=60.0, multiple_of=0.5)]
    involves: tuple[Activity, ...] = ()
    cautions: tuple[Id, ...] = ()
    source: Id


class Sets(Entry):
    """The findings that each answer to a point sets; `not_checked` sets none."""

    good: dict[Id, KnownState] = Field(default_factory=dict)
    advise: dict[Id, KnownState] = Field(default_factory=dict)
    mend: dict[Id, KnownState] = Field(default_factory=dict)


class Point(Entry):
    """Something to look at on the walk round the car.

    Nothing that involves an activity of `guards` is done before this point is answered good or advise.
    `matters_when` leaves it out where it is known false; `added_when` puts it in only where it is known true.
    `sensitivity` is P(the hand check shows what is wrong | it is wrong), `specificity` its counterpart.
    """

    label: Label
    stage: StageId
    spot: Spot
    good: Text
    by_hand: Annotated[tuple[Text, ...], Field(min_length=1)]
    limits: tuple[Limit, ...] = ()
    minutes: HalfMinutes
    skill: Skill
    involves: tuple[Activity, ...] = ()
    guards: tuple[Activity, ...] = ()
    matters_when: tuple[Condition, ...] = ()
    added_when: tuple[Condition, ...] = ()
    cautions: tuple[Id, ...] = ()
    reads: tuple[Id, ...] = ()
    sets: Sets
    sensitivity: Probability
    specificity: Probability
    horizon: Horizon
    owner_words: Text
    at_home: Text | None = None
    note: Text | None = None
    source: Id


class Watch(Entry):
    """What is watched during the first runs, and the value at which the driver lifts off at once.

    `channel` is one of ``channels.yaml``, `unit` the unit of the bounds; `relative_to` a number among the
    vehicle facts that the bounds of `lift_off` are added to; `at` the conditions under which they
    hold. `always` puts it on every list; else it stands there while one of the findings it tells is in doubt.
    """

    label: Label
    channel: Id
    unit: Text
    lift_off: Comparison
    relative_to: Id | None = None
    at: dict[Id, Comparison] = Field(default_factory=dict)
    matters_when: tuple[Condition, ...] = ()
    tells: Annotated[tuple[Id, ...], Field(min_length=1)]
    always: bool = False
    because: Text
    then: Text
    source: Id
