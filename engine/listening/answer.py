"""What POST /v1/phrases takes and answers, and what was heard in that form."""

from __future__ import annotations

from typing import Annotated

from pydantic import BeforeValidator, Field, StrictStr

from engine.answer import KbStamp, Share, Told
from engine.case import Sent
from engine.listening.hearing import Heard, HeardFinding
from engine.loading import KnowledgeSource
from engine.model import KnownState

MAX_TEXT = 20_000
OPENING_QUESTION = "What does it do that it should not, and when: starting, at idle, on boost, hot or cold?"


def _whole(value: object) -> object:
    # JSON Schema's integer takes 10.0, and so must this; text stays refused.
    return int(value) if isinstance(value, float) and value.is_integer() else value


class PhrasesRequest(Sent):
    """What the caller said."""

    text: Annotated[StrictStr, Field(min_length=1, max_length=MAX_TEXT)] = Field(
        description="As it was said or typed: everyday words, misspelt, with whatever else was told."
    )
    limit: Annotated[int, Field(strict=True, ge=1, le=50), BeforeValidator(_whole)] = Field(
        default=10, description="How many findings at most."
    )


class Stretch(Told):
    """Where in the text something was heard."""

    said: str = Field(description="That stretch of the text, as it was sent.")
    start: int = Field(description="Where it starts, in Unicode characters from 0.")
    end: int = Field(description="Where it ends, exclusive.")


class HeardFindingPart(Stretch):
    """A finding that may be meant."""

    finding: str
    label: str
    question: str = Field(description="What to ask to be sure.")
    state: KnownState = Field(description="`absent` where the words deny it.")
    score: Share = Field(description="About the share of findings with this score that were meant.")
    words: list[str] = Field(description="The words that speak for it.")
    rival_of: str | None = Field(
        default=None, description="A likelier finding that is heard in the same words; seldom are both meant."
    )


class HeardVehiclePart(Stretch):
    """A vehicle fact that was said."""

    fact: str
    label: str
    value: str
    value_label: str


class NearFindingPart(Told):
    """A finding that is not likely enough to be meant."""

    finding: str
    label: str
    question: str
    score: Share


class PhrasesAnswer(Told):
    """What was heard. Nothing is taken for said until somebody accepts it."""

    kb: KbStamp
    findings: list[HeardFindingPart] = Field(description="The likeliest first; empty if nothing matched.")
    vehicle: list[HeardVehiclePart]
    trouble_codes: list[str]
    nothing_matched: bool = Field(description="True if no finding was heard; see `nearest` and `ask`.")
    nearest: list[NearFindingPart]
    ask: str | None = Field(default=None, description="If nothing matched: the question that would tell.")


def tell_heard(source: KnowledgeSource, stamp: KbStamp, heard: Heard) -> PhrasesAnswer:
    """Return what was heard with labels and questions."""
    near = [_near(source, finding) for finding in heard.nearest]
    vehicle = []
    for fact in heard.vehicle:
        entry = source.vehicle_facts[fact.fact]
        vehicle.append(
            HeardVehiclePart(
                fact=fact.fact,
                label=entry.label,
                value=fact.value,
                value_label=entry.choices[fact.value],
                said=heard.said(fact.first, fact.last),
                start=heard.words[fact.first].start,
                end=heard.words[fact.last - 1].end,
            )
        )
    return PhrasesAnswer(
        kb=stamp,
        findings=[_finding(source, heard, finding) for finding in heard.findings],
        vehicle=vehicle,
        trouble_codes=list(heard.trouble_codes),
        nothing_matched=not heard.findings,
        nearest=near,
        ask=None if heard.findings else near[0].question if near else OPENING_QUESTION,
    )


def _finding(source: KnowledgeSource, heard: Heard, finding: HeardFinding) -> HeardFindingPart:
    entry = source.findings[finding.finding]
    return HeardFindingPart(
        finding=finding.finding,
        label=entry.label,
        question=entry.question,
        state=finding.state,
        score=round(finding.score, 4),
        words=[heard.said(i, i + 1) for i in finding.words],
        rival_of=finding.rival_of,
        said=heard.said(finding.first, finding.last),
        start=heard.words[finding.first].start,
        end=heard.words[finding.last - 1].end,
    )


def _near(source: KnowledgeSource, finding: HeardFinding) -> NearFindingPart:
    entry = source.findings[finding.finding]
    return NearFindingPart(
        finding=finding.finding, label=entry.label, question=entry.question, score=round(finding.score, 4)
    )
