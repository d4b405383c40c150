"""/v1/measures: calculations from readings, with their formulas, sources and the findings they imply."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Body, Path, Request, Response
from pydantic import BaseModel

from api import problems
from api.calling import AskerOnly
from engine.loading import KnowledgeSource
from engine.measures.answer import MeasureAnswer, MeasureRequest, MeasureView, as_typed, describe
from engine.measures.catalogue import measure_by_id, measures
from engine.measures.declare import Measure
from engine.measures.run import caution_views, formula_views, run

router = APIRouter(prefix="/v1/measures", tags=["measures"], dependencies=[AskerOnly])

EXAMPLES = {
    "joint_thrust": {
        "summary": "What pushes a hose joint apart",
        "value": {"readings": {"diameter": "63.5 mm", "boost": "150 kPa gauge", "held_by": "plain"}},
    },
    "in_machine_form": {
        "summary": "The same from a machine",
        "value": {
            "readings": {
                "diameter": {"value": 63.5, "unit": "mm", "plus_minus": 0.5},
                "boost": {"value": 22, "unit": "psi gauge"},
                "held_by": "plain",
            }
        },
    },
}

MeasureId = Annotated[str, Path(max_length=64, examples=["joint_thrust"])]


class MeasureList(BaseModel):
    """Every measure, with enough to draw its form."""

    measures: list[MeasureView]


def view_measure(source: KnowledgeSource, measure: Measure) -> MeasureView:
    """Return what a measure takes and gives."""
    return describe(measure, formula_views(source, measure), caution_views(source, measure.cautions))


@router.get(
    "",
    operation_id="measures",
    summary="Every measure, what it takes and gives",
    response_model=MeasureList,
    response_model_exclude_none=True,
    responses=problems.responses(500),
)
def list_measures(request: Request) -> MeasureList:
    """List every measure."""
    source = request.app.state.triage.knowledge.source
    return MeasureList(measures=[view_measure(source, measure) for measure in measures().values()])


@router.get(
    "/{measure_id}",
    operation_id="measure",
    summary="One measure",
    response_model=MeasureView,
    response_model_exclude_none=True,
    responses=problems.responses(404, 422, 500),
)
def one_measure(request: Request, measure_id: MeasureId) -> MeasureView:
    """Return one measure."""
    return view_measure(request.app.state.triage.knowledge.source, measure_by_id(measure_id))


@router.post(
    "/{measure_id}",
    operation_id="calculate",
    summary="Calculate from readings",
    description=(
        "Takes readings with units as people type them. A pressure says whether it is gauge or absolute, as "
        "`22 psi gauge` or `150 kPa abs`; one that does not is refused, never guessed. "
        "`14 +/- 0.5 psi gauge` says how far a reading may be off. Answers with the results and their "
        "uncertainty (k = 2), the formulas and their sources, what was assumed, and the findings that "
        "follow; `facts` is what `/v1/triage` and a case's observations take as they stand."
    ),
    response_model=MeasureAnswer,
    response_model_exclude_none=True,
    responses=problems.responses(400, 404, 413, 415, 422, 500),
)
def calculate(
    request: Request,
    measure_id: MeasureId,
    body: Annotated[MeasureRequest, Body(openapi_examples=EXAMPLES)],
) -> Response:
    """Calculate from readings. Not async: some solve an equation many times over."""
    source = request.app.state.triage.knowledge.source
    answer = run(source, measure_by_id(measure_id), as_typed(body.readings))
    return Response(answer.model_dump_json(exclude_none=True), media_type="application/json")
