"""What a triage answers, as every door gives it."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from engine.model import Activity, Consequence, KnownState, Place, Skill, VerdictName

PartName = Literal[
    "causes",
    "explanations",
    "next_questions",
    "next_tests",
    "derived",
    "excluded",
    "cautions",
    "trace",
]

PART_NAMES: tuple[PartName, ...] = (
    "causes",
    "explanations",
    "next_questions",
    "next_tests",
    "derived",
    "excluded",
    "cautions",
    "trace",
)
"""Parts that can be asked for; `verdict` and `holds` are always there, so that no hold can be missed."""

Basis = Literal["expected_loss", "hold", "bounds"]
Worst = Literal["nothing", "advise", "mend_first", "stop"]

Share = Annotated[float, Field(ge=0.0, le=1.0)]


class Told(BaseModel):
    """What all parts of an answer share."""

    model_config = ConfigDict(extra="forbid", populate_by_name=True, serialize_by_alias=True)


class KbStamp(Told):
    """Which knowledge base answered."""

    version: str
    revision: str = Field(description="Short content hash: the same entries, the same revision.")
    content_hash: str


class VerdictPart(Told):
    """May it run, and why."""

    verdict: VerdictName
    headline: str
    basis: Basis = Field(
        description="What decided: the least expected loss, a hold, or that only bounds are known."
    )
    weighed: VerdictName = Field(description="What the probabilities alone would have said.")
    reasons: list[str]
    expected_loss_minutes: dict[VerdictName, float]
    worst_consequence: dict[Worst, float] = Field(
        description="P(the worst fault really there has this consequence)."
    )


class HoldPart(Told):
    """A hold that a rule raised; probabilities cannot outvote it."""

    rule: str
    label: str
    verdict: Literal["mend_first", "stop"]
    why: str
    lifted_by: str


class MethodPart(Told):
    """How the probabilities were computed."""

    exact: bool = Field(description="True: exact sums. False: see `low` and `high` of each cause.")
    next_steps_exact: bool
    left_out: list[str] = Field(description="Findings that were bounded instead of summed.")
    log_evidence: float = Field(description="Natural log of P(evidence), an upper bound if not exact.")


class Contribution(Told):
    """How much one finding speaks for or against a cause, given all the other findings."""

    finding: str
    label: str
    state: KnownState
    log_odds: float = Field(description="Change of the log-odds of the cause, in nats.")


class FixRef(Told):
    """A fix that can mend the cause."""

    id: str
    label: str
    minutes: float
    proof: str = Field(description="The test that proves that it worked.")


class CausePart(Told):
    """One cause with its posterior probability."""

    id: str
    label: str
    system: str
    consequence: Consequence
    probability: Share
    low: Share | None = Field(default=None, description="Lower bound, only where not exact.")
    high: Share | None = Field(default=None, description="Upper bound, only where not exact.")
    prior: Share
    if_ignored: str
    speaks_for: list[Contribution] = Field(alias="for")
    against: list[Contribution]
    fixes: list[FixRef]
    hazards: list[str]


class ExplanationPart(Told):
    """A set of causes that together explain the findings; an empty set means none of the listed."""

    causes: list[str]
    probability: Share
    proven_best: bool = Field(description="False if the search stopped before it was sure of the order.")


class Outlook(Told):
    """What a cause would become after a result."""

    cause: str
    probability: Share


class ResultPart(Told):
    """One possible result and what it would do to the top causes."""

    finding: str | None = Field(
        default=None, description="Left out: none of the findings that the test settles."
    )
    state: KnownState
    probability: Share
    causes: list[Outlook]


class StepValue(Told):
    """What a question or a test is worth now."""

    bits: float = Field(description="Expected doubt removed, summed over the causes.")
    loss_reduction_minutes: float = Field(description="Expected drop of the loss of the verdict.")
    minutes: float
    worth_per_minute: float
    results: list[ResultPart]


class QuestionHead(Told):
    """What is asked."""

    finding: str
    label: str
    question: str


class QuestionPart(StepValue, QuestionHead):
    """Something to ask on the call now."""


class TestHead(Told):
    """What is done, and under which conditions."""

    __test__ = False

    id: str
    label: str
    place: Place
    skill: Skill
    settles: list[str]
    involves: list[Activity]
    required_by: list[str] = Field(description="Rules that require it whatever its worth.")
    confirms: list[str] = Field(description="Leading causes that it is to confirm before anything is mended.")
    check_first: list[str] = Field(description="What must be ruled out before it, and why.")
    cautions: list[str]


class TestPart(StepValue, TestHead):
    """Something to do to the car."""


class WithheldPart(Told):
    """A test that would tell something but is not offered now."""

    id: str
    label: str
    because: list[str]


class DerivedPart(Told):
    """A finding that a rule concluded."""

    finding: str
    label: str
    state: KnownState
    rule: str


class ConflictPart(Told):
    """A finding on which a report and a rule, or two rules, disagree."""

    finding: str
    used: KnownState | None = Field(default=None, description="Left out: it counts as unknown.")
    message: str


class ExcludedPart(Told):
    """A cause that cannot apply to this car."""

    cause: str
    rule: str
    because: str


class CautionPart(Told):
    """A caution that belongs to what is in this answer."""

    id: str
    label: str
    hazard: str
    wording: str
    defers_to: str
    belongs_to: list[str]


class SupportPart(Told):
    """A statement a rule rests on, and the field of the request or the rule it comes from."""

    statement: str
    origin: str


class TracePart(Told):
    """A rule that fired, in the order in which it could."""

    rule: str
    label: str
    because: str
    rests_on: list[SupportPart]


class TriageAnswer(Told):
    """The answer of a triage. Parts that were not asked for are left out."""

    decision_id: str = Field(description="The same facts and the same knowledge base give the same id.")
    kb: KbStamp
    verdict: VerdictPart
    holds: list[HoldPart]
    method: MethodPart
    causes: list[CausePart] | None = None
    explanations: list[ExplanationPart] | None = None
    next_questions: list[QuestionPart] | None = None
    next_tests: list[TestPart] | None = None
    withheld_tests: list[WithheldPart] | None = None
    derived: list[DerivedPart] | None = None
    conflicts: list[ConflictPart]
    excluded: list[ExcludedPart] | None = None
    cautions: list[CautionPart] | None = None
    trace: list[TracePart] | None = None
    unmatched_codes: list[str] = Field(
        description="Well-formed trouble codes that this knowledge base says nothing about."
    )
