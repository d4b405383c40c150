"""/healthz and /readyz for operators, and what the problem kinds mean."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Path, Request
from fastapi.responses import JSONResponse
from pydantic import BaseModel

from api import problems
from engine.answer import KbStamp
from engine.errors import ChainerError, UnknownEntryError
from engine.nearest import nearest
from engine.triage import Triage

router = APIRouter()


class Health(BaseModel):
    """The process lives."""

    status: Literal["ok"] = "ok"


class Readiness(BaseModel):
    """The knowledge base is loaded and the rules run."""

    status: Literal["ready"] = "ready"
    kb: KbStamp
    chainer: str


class ProblemKind(BaseModel):
    """What a problem type means."""

    kind: str
    status: int
    title: str


@router.get("/healthz", operation_id="healthz", tags=["operation"], summary="Does the process live")
async def healthz() -> Health:
    """Answer as long as the process does."""
    return Health()


@router.get(
    "/readyz",
    operation_id="readyz",
    tags=["operation"],
    summary="Can it answer cases",
    response_model=Readiness,
    responses=problems.responses(503),
)
async def readyz(request: Request) -> Readiness | JSONResponse:
    """Run the rules over no facts at all and say which knowledge base answers."""
    service: Triage = request.app.state.triage
    try:
        service.knowledge.chainer.close(())
    except ChainerError as error:
        return problems.problem("not-ready", f"the rules cannot be run: {error}", request.url.path)
    return Readiness(kb=service.stamp, chainer=service.knowledge.chainer.name)


@router.get(
    "/v1/problems/{kind}",
    operation_id="problem_kind",
    tags=["operation"],
    summary="What a problem type means",
    responses=problems.responses(404, 422),
)
async def problem_kind(kind: Annotated[str, Path(max_length=64)]) -> ProblemKind:
    """Explain the `type` member of a problem document."""
    if kind not in problems.MEANINGS:
        raise UnknownEntryError("problem kind", kind, nearest(kind, problems.MEANINGS))
    status, title = problems.MEANINGS[kind]
    return ProblemKind(kind=kind, status=status, title=title)
