"""What a measure answers, and what describes it: the models that the API, the command and the page share."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StrictStr

from engine.case import FindingReport, FiniteNumber, MeasurementReport, Sent
from engine.measures.declare import Measure
from engine.measures.kinds import KindName, Reference

MAX_LIST = 5000

TypedText = Annotated[StrictStr, Field(min_length=1, max_length=120)]


class NumberAndUnit(Sent):
    """A reading as a number and its unit, for machines."""

    value: FiniteNumber
    unit: Annotated[StrictStr, Field(max_length=40)]
    plus_minus: Annotated[FiniteNumber, Field(ge=0)] | None = None


TypedReading = (
    TypedText | NumberAndUnit | Annotated[list[TypedText | NumberAndUnit], Field(max_length=MAX_LIST)]
)


class MeasureRequest(Sent):
    """The readings of one calculation, as typed."""

    readings: Annotated[dict[TypedText, TypedReading], Field(max_length=60)] = Field(
        description="Per input: a text such as '100 kPa gauge', a number with its unit, or a list of either."
    )


class Told(BaseModel):
    """What all parts of an answer share."""

    model_config = ConfigDict(frozen=True)


class SourceView(Told):
    """Where a formula or a limit comes from."""

    id: str
    kind: str
    title: str
    detail: str | None = None


class FormulaView(Told):
    """A formula and its source."""

    text: str
    source: SourceView


class ReadingUsed(Told):
    """One reading as it was used."""

    name: str
    label: str
    typed: str
    value: float | None = Field(default=None, description="In `unit`; none for a choice.")
    unit: str
    reference: Reference | None = Field(default=None, description="What a pressure is counted from.")
    plus_minus: float | None = Field(default=None, description="Half width within which it surely lies.")
    assumed: bool = Field(description="Not given, so its default was taken.")


class ResultView(Told):
    """One result; `plus_minus` is its expanded uncertainty with a coverage of about 95 per cent (k = 2)."""

    name: str
    label: str
    unit: str
    reference: Reference | None = None
    value: float
    plus_minus: float


class ImpliedFinding(Told):
    """A finding that the result implies."""

    id: str
    label: str
    state: Literal["present", "absent", "unknown"]
    strength: float = Field(
        description="Probability, from the uncertainty alone, that the value lies where `state` says."
    )
    limit: str = Field(description="Id of the limit in the knowledge base.")
    limit_label: str
    value: float
    unit: str
    because: str
    source: SourceView


class FactsForTriage(Told):
    """What `POST /v1/triage` takes as it stands: only findings that were decided."""

    findings: list[FindingReport]
    measurements: list[MeasurementReport]


class CautionView(Told):
    """A caution for taking the readings."""

    id: str
    label: str
    wording: str
    defers_to: str


class KnowledgeStamp(Told):
    """The knowledge base that the limits are from."""

    version: str
    revision: str


class MeasureAnswer(Told):
    """A calculation from readings."""

    measure: str
    label: str
    kb: KnowledgeStamp
    says: list[str]
    results: list[ResultView]
    findings: list[ImpliedFinding]
    facts: FactsForTriage
    caveats: list[str]
    assumes: list[str]
    readings: list[ReadingUsed]
    formulas: list[FormulaView]
    cautions: list[CautionView]


class InputView(Told):
    """One input of a measure, enough to draw a form from."""

    name: str
    label: str
    kind: KindName
    unit: str
    needed: bool
    many: bool
    default: str | None = None
    example: str
    choices: dict[str, str] = {}
    reference: Reference | None = None
    help: str = ""


class OutputView(Told):
    """One result that a measure can give."""

    name: str
    label: str
    unit: str
    many: bool


class MeasureView(Told):
    """What a measure takes and gives."""

    id: str
    label: str
    asks: str
    inputs: list[InputView]
    outputs: list[OutputView]
    formulas: list[FormulaView]
    assumes: list[str]
    example: dict[str, str]
    cautions: list[CautionView]
    picture: str = Field(description="Path of a picture on this service.")


def describe(measure: Measure, formulas: list[FormulaView], cautions: list[CautionView]) -> MeasureView:
    """Return what a measure takes and gives."""
    return MeasureView(
        id=measure.id,
        label=measure.label,
        asks=measure.asks,
        inputs=[
            InputView(
                name=item.name,
                label=item.label,
                kind=item.kind,
                unit=item.unit,
                needed=item.needed,
                many=item.many,
                default=item.default,
                example=measure.example.get(item.name, item.typed_as),
                choices=dict(item.choices),
                reference=item.reference,
                help=item.help,
            )
            for item in measure.inputs
        ],
        outputs=[OutputView(name=o.name, label=o.label, unit=o.unit, many=o.many) for o in measure.outputs],
        formulas=formulas,
        assumes=list(measure.assumes),
        example=dict(measure.example),
        cautions=cautions,
        picture=f"/desk/measure_{measure.id}.svg",
    )


def as_typed(readings: Mapping[str, TypedReading]) -> dict[str, str | list[str]]:
    """Return readings as a person would have typed them."""
    return {
        name: [_one(part) for part in reading] if isinstance(reading, list) else _one(reading)
        for name, reading in readings.items()
    }


def _one(reading: str | NumberAndUnit) -> str:
    if isinstance(reading, str):
        return reading
    width = "" if reading.plus_minus is None else f" +/- {reading.plus_minus!r}"
    return f"{reading.value!r}{width} {reading.unit}".strip()
