"""What is sent and told of the walk round a car."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from api import case_models as c
from engine.answer import HoldPart, Told, TriageAnswer, VerdictPart
from engine.case import FiniteNumber, Sent, TriageRequest
from engine.inspection.answer import Inspection, PointState
from engine.inspection.marks import MAX_ANSWERS, PointAnswer

Minutes = Annotated[FiniteNumber, Field(ge=1, le=1440)]


class Check(c.Added):
    """Points that were looked at, answered together."""

    answers: list[PointAnswer] = Field(min_length=1, max_length=100)


class WalkPlanned(c.Added):
    """How long there is for the walk."""

    minutes: float | None = Field(default=None, ge=1, le=1440)


class PointNow(Told):
    """Where a point of the walk stands."""

    id: str
    state: PointState
    waits_for: list[str]
    because: list[str]


class Progress(Told):
    """What an answer changed on the walk."""

    verdict: VerdictPart
    holds: list[HoldPart]
    ready: bool
    before_rollers: list[str]
    minutes: float
    points: list[PointNow] = Field(description="In the order of the walk as it is now.")
    added: list[str] = Field(description="Points that are on the walk only now.")
    dropped: list[str] = Field(description="Points that are no longer on it.")


class InspectionRequest(Sent):
    """A car to walk round: what is known of it, or the case that it is kept in."""

    case: Annotated[str, Field(pattern="^[0-9a-f]{24}$")] | None = Field(
        default=None, description="Id of a case. The walk is kept with it, and rests on what the case holds."
    )
    facts: TriageRequest = Field(default_factory=TriageRequest, description="Only without a case.")
    answers: Annotated[list[PointAnswer], Field(max_length=MAX_ANSWERS)] = Field(
        default_factory=list, description="What was seen already, in that order. Only without a case."
    )
    minutes: Minutes | None = Field(
        default=None,
        description="Minutes there are. The points worth most in them stay, with all that makes them safe.",
    )


class InspectionKept(Told):
    """A walk that is kept with a case."""

    case: c.CaseLine
    entry: int
    inspection: Inspection


class CheckKept(Told):
    """What answering points gives: the case, what changed on the walk, and the answer as it stands."""

    case: c.CaseLine
    entry: int
    progress: Progress
    answer: TriageAnswer
