"""What an inspection answers, as every door gives it."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from engine.answer import CautionPart, HoldPart, KbStamp, Share, Told, VerdictPart
from engine.inspection.entries import CheckState, Horizon, Sets, Spot, StageId
from engine.model import Activity, Skill, VerdictName

PointState = Literal["open", "waits", "withheld", "answered"]


class LimitPart(Told):
    """A limit in words with its unit, and where the number comes from."""

    text: str
    source: str


class WorthPart(Told):
    """What looking at a point is worth now."""

    not_good: Share = Field(description="P(the look shows that something is not good).")
    bits: float = Field(description="Expected doubt removed, summed over the causes.")
    loss_reduction_minutes: float = Field(description="Expected drop of the loss of the verdict.")
    minutes: float = Field(description="Both together, in minutes that it is expected to save.")


class PointPart(Told):
    """Something to look at."""

    id: str
    label: str
    system: str
    spot: Spot
    state: PointState = Field(
        description="`open`: next. `waits`: not before the points it waits for are good. `withheld`: not "
        "at all as things stand. `answered`."
    )
    good: str = Field(description="What good looks like.")
    by_hand: list[str]
    limits: list[LimitPart]
    reads: list[str] = Field(description="Quantities whose reading belongs to it.")
    minutes: float
    skill: Skill
    involves: list[Activity]
    guards: list[Activity] = Field(description="Activities that are unsafe until it is answered.")
    would: VerdictName = Field(description="The verdict if this alone were known and had to be mended.")
    worth: WorthPart | None = Field(default=None, description="Left out where it can tell nothing more.")
    waits_for: list[str] = Field(description="Points to be answered before it.")
    because: list[str] = Field(description="Why it is withheld.")
    added_by: list[str] = Field(description="Findings that put it on the walk.")
    sets: Sets = Field(description="The findings that each answer sets.")
    cautions: list[str]
    horizon: Horizon
    owner_words: str
    answer: CheckState | None = None
    note: str | None = None


class StagePart(Told):
    """A position of the car with what is looked at there, in order."""

    id: StageId
    label: str
    position: str
    minutes: float = Field(description="To get there.")
    cautions: list[str]
    points: list[PointPart]


class LeftOut(Told):
    """A point that is not on this walk."""

    id: str
    label: str
    because: str


class HomeCheck(Told):
    """What the owner can look at before coming."""

    point: str
    text: str


class Inspection(Told):
    """The walk round one car as it stands."""

    kb: KbStamp
    decision_id: str
    verdict: VerdictPart
    holds: list[HoldPart]
    ready: bool = Field(description="True: no point that must be good before the rollers is open or bad.")
    before_rollers: list[str] = Field(description="Points that must be good before that and are not.")
    minutes: float = Field(description="Still to go: the open points and the ways to their stages.")
    budget: float | None = Field(default=None, description="Minutes there are, if that was said.")
    stages: list[StagePart]
    left_for_later: list[LeftOut] = Field(description="What the minutes do not reach for.")
    left_out: list[LeftOut] = Field(description="What cannot matter for this car.")
    before_you_come: list[HomeCheck] = Field(description="What the owner can look at at home, in order.")
    cautions: list[CautionPart]
