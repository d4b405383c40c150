"""What a look at a log answers: the models that the API, the command and the page share."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from engine.answer import KbStamp, TriageAnswer
from engine.logs.layout import Layout
from engine.logs.looking import WhyUnknown
from engine.logs.mapping import Mapping
from engine.logs.reading import Caveat, Question
from engine.measures.answer import FactsForTriage, SourceView


class Told(BaseModel):
    """What all parts of an answer share."""

    model_config = ConfigDict(frozen=True)


class EvidenceView(Told):
    """A reading that belongs to an event."""

    name: str = Field(description="What was read, in words.")
    value: float
    unit: str = ""


class EventView(Told):
    """One place in the log where a feature shows."""

    start_s: float = Field(description="Seconds since the log began.")
    end_s: float
    size: float = Field(description="What was compared with the limit, in the feature's unit.")
    gear: int | None = None
    evidence: list[EvidenceView]
    plot: str | None = Field(default=None, description="Id of its plot in `plots`.")


class LogFinding(Told):
    """A finding that the log decides, and the places that speak for it."""

    id: str
    label: str
    state: Literal["present", "absent"]
    feature: str = Field(description="Id of the feature, which is also that of its limit.")
    feature_label: str
    because: str
    source: SourceView
    limit: str = Field(description="When the feature counts as present, in words.")
    unit: str
    worst: float | None = Field(default=None, description="Most extreme value seen, in `unit`.")
    seen: int = Field(description="How many times it shows.")
    chances: int = Field(description="How often the log gave the opportunity to see it.")
    events: list[EventView] = Field(description="The worst of them, in the order of time.")


class NotJudged(Told):
    """A feature that this log cannot decide."""

    feature: str
    label: str
    finding: str
    why: WhyUnknown
    said: str = Field(description="The same in words.")


class ChannelView(Told):
    """A channel over the whole log."""

    id: str
    label: str
    unit: str
    reference: Literal["gauge", "absolute"] | None = None
    lowest: float
    highest: float
    mean: float
    samples: int


class Plot(Told):
    """A picture of the channels around an event, as SVG."""

    id: str
    title: str
    svg: str


class LogAnswer(Told):
    """What a recorded log showed."""

    kb: KbStamp
    duration_s: float
    pulls: int
    gears: list[int]
    findings: list[LogFinding]
    facts: FactsForTriage = Field(description="What `/v1/triage` and a case take as they stand.")
    questions: list[Question] = Field(description="What a person must say before all of it can be judged.")
    caveats: list[Caveat]
    not_judged: list[NotJudged]
    channels: list[ChannelView]
    layout: Layout = Field(description="How the file was understood.")
    mapping: Mapping = Field(description="The same as a mapping to correct, save and send with the next log.")
    plots: list[Plot]
    triage: TriageAnswer | None = Field(
        default=None, description="The answer to the case with what the log showed, if a case was sent."
    )
