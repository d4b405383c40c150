"""What is sent and told of a case that is kept over days."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, StrictBool, StrictInt, StrictStr, model_validator

from engine.answer import KbStamp, Told, TriageAnswer
from engine.case import FiniteNumber, Sent, ShortText, TriageRequest
from engine.inspection.marks import PointAnswer
from engine.model import VerdictName

CaseState = Literal["open", "settled"]
Door = Literal["desk", "api", "shell", "log"]
EntryKind = Literal["observation", "withdrawal", "outcome", "inspection", "check"]


def storable(text: str) -> str:
    """Return a text that every database keeps, or raise `ValueError`."""
    if "\x00" in text:
        raise ValueError("holds a NUL character, which no database keeps")
    if any("\ud800" <= letter <= "\udfff" for letter in text):
        raise ValueError("holds half of a surrogate pair, which is no character")
    return text


Storable = Annotated[StrictStr, AfterValidator(storable)]
Who = Annotated[Storable, Field(min_length=1, max_length=200)]
Note = Annotated[Storable, Field(min_length=1, max_length=2000)]
Reference = Annotated[Storable, Field(min_length=1, max_length=200)]


class Added(Sent):
    """What everything that is added to a case carries."""

    who: Who | None = Field(
        default=None,
        description="Who says so, as the shop calls its own people; a customer belongs to `/person`. The "
        "name of the API key if left out.",
    )
    door: Door = Field(default="api", description="Through which door it came in.")
    note: Note | None = Field(default=None, description="Free text. Keep names and plates out of it.")


class Observation(Added):
    """Facts that are added to a case."""

    facts: TriageRequest = Field(
        description="Only what is new. The last word on a finding, a vehicle fact or a reading counts."
    )


class NewCase(Sent):
    """A case to open, with what is known already."""

    reference: Reference | None = Field(
        default=None, description="The shop's own number for the job. Need not be unique."
    )
    observation: Observation | None = Field(
        default=None, description="The first observation, if there is one."
    )


class Withdrawal(Added):
    """An observation that is taken back; it stays readable, with the reason."""

    observation: Annotated[StrictInt, Field(ge=1, le=1_000_000)] = Field(
        description="Number of the entry to take back."
    )
    reason: Note


class Confirmed(Sent):
    """One cause that was found to be there."""

    cause: ShortText = Field(description="Id of a cause of the knowledge base.")
    confirmed_by: ShortText | None = Field(default=None, description="Id of the test that confirmed it.")
    mended_by: ShortText | None = Field(default=None, description="Id of the fix that was done.")


class Outcome(Added):
    """What it was in the end. An empty `causes` without `unlisted` says that nothing was found."""

    causes: Annotated[list[Confirmed], Field(max_length=30)] = Field(default_factory=list)
    unlisted: Note | None = Field(
        default=None, description="A cause that the knowledge base does not have, in words."
    )
    minutes: Annotated[FiniteNumber, Field(ge=0, le=100_000)] | None = Field(
        default=None, description="Minutes spent on finding and mending it."
    )
    was_run: StrictBool | None = Field(default=None, description="Was the full-load run made.")

    @model_validator(mode="after")
    def _each_cause_once(self) -> Outcome:
        causes = [confirmed.cause for confirmed in self.causes]
        if len(set(causes)) != len(causes):
            raise ValueError("a cause is named twice")
        return self


class Person(Sent):
    """Whose car it is. Kept apart from the case, so that it can be erased and the case stays."""

    name: Annotated[Storable, Field(min_length=1, max_length=200)] | None = None
    telephone: Annotated[Storable, Field(min_length=1, max_length=100)] | None = None
    plate: Annotated[Storable, Field(min_length=1, max_length=50)] | None = None


class CaseLine(Told):
    """One case, as a list gives it."""

    id: str
    reference: str | None = None
    state: CaseState = Field(description="`settled` by an outcome; an observation opens it again.")
    verdict: VerdictName | None = Field(default=None, description="As it stood when last added to.")
    entries: int
    revision: int = Field(description="Counts changes; the ETag is made of it.")
    created: datetime
    changed: datetime


def etag_at(revision: int) -> str:
    """Return the ETag of a case at a revision."""
    return f'"r{revision}"'


class CaseList(Told):
    """A page of cases, the newest first."""

    cases: list[CaseLine]
    next: str | None = Field(default=None, description="Send it as `after` for the next page.")


class EntryView(Told):
    """One thing that was added to a case."""

    number: int
    kind: EntryKind
    at: datetime
    who: str | None = None
    door: Door
    key: str | None = Field(default=None, description="Id of the API key that it came with.")
    note: str | None = None
    facts: TriageRequest | None = None
    withdrawn_by: int | None = Field(default=None, description="Number of the entry that took this one back.")
    observation: int | None = None
    reason: str | None = None
    outcome: OutcomeView | None = None
    answers: list[PointAnswer] | None = Field(default=None, description="Points that were answered.")
    minutes: float | None = Field(default=None, description="Minutes there were for the walk.")


class OutcomeView(Told):
    """What it was in the end."""

    causes: list[Confirmed]
    unlisted: str | None = None
    minutes: float | None = None
    was_run: bool | None = None


class CaseView(CaseLine):
    """A case with all that was ever added to it, and the facts as they stand."""

    facts: TriageRequest
    history: list[EntryView]
    outcome: OutcomeView | None = Field(default=None, description="The last one that was attached.")


class CaseAnswered(Told):
    """What adding to a case gives: the case as it is now, and the answer as it stands."""

    case: CaseLine
    entry: int = Field(description="Number of the entry that was added; 0 for a case without any.")
    answer: TriageAnswer


class OutcomeKept(Told):
    """What attaching an outcome gives."""

    case: CaseLine
    entry: int


class GivenAt(Told):
    """A case and the entry at which an answer was given."""

    case: str
    entry: int


class Decision(Told):
    """A verdict that was given, with all that it rested on."""

    decision_id: str
    kb: KbStamp
    verdict: VerdictName
    first_given: datetime
    facts: TriageRequest
    given_to: list[GivenAt] = Field(description="Cases that were answered so; empty for one asked by itself.")
    answer: TriageAnswer


EntryView.model_rebuild()
