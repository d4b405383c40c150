"""What the verdict report, the owner's message and the watch list say, as JSON gives it."""

from __future__ import annotations

from datetime import datetime
from typing import Literal

from pydantic import Field

from engine.answer import CautionPart, HoldPart, KbStamp, Share, Told, VerdictPart
from engine.inspection.answer import HomeCheck
from engine.inspection.entries import CheckState, Horizon
from engine.model import Consequence, VerdictName

MessageFor = Literal["telephone", "mail", "chat"]

HORIZONS: dict[Horizon, str] = {
    "session": "holds for the session, replace soon",
    "month": "have it seen to within a month",
    "service": "have it seen to at the next service",
}


class WorkPart(Told):
    """A fix with the test that proves it."""

    fix: str
    label: str
    minutes: float
    proof: str
    proof_label: str
    proof_minutes: float


class MendPart(Told):
    """Something that has to be mended or ruled out before the run."""

    what: str
    why: str = Field(description="In plain words.")
    technical: list[str] = Field(description="What it rests on: points, causes with probability, holds.")
    cause: str | None = Field(default=None, description="Id of the cause that it most likely is.")
    probability: Share | None = None
    points: list[str] = Field(description="Ids of the points that showed it.")
    holds: list[str] = Field(description="Ids of the rules that hold the car for it.")
    lifted_by: list[str]
    work: WorkPart | None = Field(default=None, description="The first of the fixes, left out if not known.")


class AdvicePart(Told):
    """Something that may wait."""

    what: str
    why: str
    horizon: Horizon
    horizon_words: str
    point: str | None = None
    cause: str | None = None
    note: str | None = None


class NotCheckedPart(Told):
    """A point that nobody has answered, or that could not be looked at."""

    point: str
    label: str
    stage: str
    because: str
    before_rollers: bool = Field(description="It must be good before the rollers.")


class PhotographPart(Told):
    """A photograph that belongs to the case."""

    id: str
    point: str | None = None
    caption: str | None = None
    at: datetime
    width: int
    height: int


class SeenPart(Told):
    """A point as it was answered."""

    point: str
    label: str
    stage: str
    answer: CheckState
    note: str | None = None
    at: datetime | None = None
    who: str | None = None
    photographs: list[str] = Field(description="Ids of photographs.")


class LimitLine(Told):
    """What the rules say of values of a reading within bounds."""

    low: float | None = None
    high: float | None = None
    text: str


class ReadValue(Told):
    """One value of a reading."""

    value: float
    at: datetime | None = None
    entry: int | None = None


class ReadingPart(Told):
    """A quantity with all its values in the case, the last one last, and its limits."""

    quantity: str
    label: str
    unit: str
    conditions: str = Field(description="What it was taken at, in words; empty where nothing was said.")
    values: list[ReadValue]
    limits: list[LimitLine]
    plot: str = Field(description="SVG.")


class DoubtPart(Told):
    """A cause that is still in doubt."""

    cause: str
    label: str
    consequence: Consequence
    probability: Share


class WatchBound(Told):
    """Bounds on a channel of a log, in its unit."""

    channel: str
    unit: str
    below: float | None = None
    at_most: float | None = None
    above: float | None = None
    at_least: float | None = None


class WatchPart(Told):
    """Something to watch, and when to lift off at once."""

    id: str
    label: str
    lift_off: WatchBound
    at: list[WatchBound] = Field(description="Holds while all of these do.")
    words: str = Field(description="The limit and its conditions in words.")
    because: str
    then: str
    always: bool
    doubts: list[DoubtPart] = Field(description="Remaining doubts that it would show, the worst first.")


class WatchList(Told):
    """What to watch during the first runs."""

    kb: KbStamp
    decision_id: str
    verdict: VerdictName
    may_run: bool
    headline: str
    watches: list[WatchPart]
    cautions: list[CautionPart]


class Estimate(Told):
    """What the work before the run takes. Money only where the shop has set its rate."""

    minutes: float
    amount: float | None = None
    currency: str | None = None
    words: str


class OwnerPage(Told):
    """The page for the owner, in plain words."""

    headline: str
    words: list[str]
    mend_first: list[MendPart]
    advised: list[AdvicePart]
    not_checked: str
    estimate: Estimate
    before_you_come: list[HomeCheck]


class TechnicalSheet(Told):
    """What the owner's page rests on."""

    verdict: VerdictPart
    holds: list[HoldPart]
    mend_first: list[MendPart]
    advised: list[AdvicePart]
    not_checked: list[NotCheckedPart]
    seen: list[SeenPart]
    readings: list[ReadingPart]
    doubts: list[DoubtPart]
    watch: list[WatchPart]


class Report(Told):
    """May it run, what comes first, what is advised, what was not looked at."""

    kb: KbStamp
    decision_id: str
    case: str
    reference: str | None = None
    shop: str | None = None
    made: datetime
    verdict: VerdictName
    may_run: bool = Field(
        description="False also where the verdict would let it run but points that must be good before the "
        "rollers are open or bad."
    )
    owner: OwnerPage
    sheet: TechnicalSheet
    photographs: list[PhotographPart]
    cautions: list[CautionPart]
    notice: str


class OwnerMessage(Told):
    """Short words for the owner."""

    kind: MessageFor
    verdict: VerdictName
    may_run: bool
    subject: str | None = None
    text: str
