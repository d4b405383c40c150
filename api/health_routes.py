"""/healthz, /readyz and /metrics for operators, and what the problem kinds mean."""

from __future__ import annotations

import logging
from typing import Annotated, Literal

from fastapi import APIRouter, Path, Request, Response
from fastapi.responses import JSONResponse
from prometheus_client import CONTENT_TYPE_LATEST, generate_latest
from pydantic import BaseModel, Field

from api import problems
from api.calling import AskerOnly
from api.observing import Metrics
from api.storage.database import Database
from api.storage.errors import SchemaVersionError, StorageError
from api.storage.migrate import require
from engine.answer import KbStamp
from engine.errors import ChainerError, UnknownEntryError
from engine.nearest import nearest
from engine.triage import Triage

log = logging.getLogger("prepull.api")

router = APIRouter()

DatabaseState = Literal["ready", "down", "none"]


class Health(BaseModel):
    """The process lives."""

    status: Literal["ok"] = "ok"


class Readiness(BaseModel):
    """The knowledge base is loaded and the rules run."""

    status: Literal["ready"] = "ready"
    kb: KbStamp
    chainer: str
    database: DatabaseState = Field(
        description="`down`: a triage is answered, cases are not. `none`: no cases are kept here."
    )


class DatabaseReadiness(BaseModel):
    """The database answers and its tables are those that are wanted."""

    status: Literal["ready"] = "ready"
    kind: str


class ProblemKind(BaseModel):
    """What a problem type means."""

    kind: str
    status: int
    title: str


def database_state(request: Request) -> tuple[DatabaseState, str]:
    """Return whether cases can be kept, and why not."""
    database: Database | None = request.app.state.database
    metrics: Metrics = request.app.state.metrics
    if database is None:
        return "none", "no database is set"
    try:
        require(database)
    except StorageError as error:
        metrics.database_up.set(0)
        log.warning("the database is down: %s", error)
        # Everybody may ask: where the database is stays in the log.
        return "down", str(error) if isinstance(error, SchemaVersionError) else "the database does not answer"
    metrics.database_up.set(1)
    return "ready", ""


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
def readyz(request: Request) -> Readiness | JSONResponse:
    """Run the rules over no facts at all and say which knowledge base answers.

    A database that is down does not make it 503: a triage needs none.
    """
    service: Triage = request.app.state.triage
    try:
        service.knowledge.chainer.close(())
    except ChainerError as error:
        return problems.problem("not-ready", f"the rules cannot be run: {error}", request.url.path)
    state, _ = database_state(request)
    return Readiness(kb=service.stamp, chainer=service.knowledge.chainer.name, database=state)


@router.get(
    "/readyz/database",
    operation_id="readyz_database",
    tags=["operation"],
    summary="Can it keep cases",
    response_model=DatabaseReadiness,
    responses=problems.responses(503),
)
def readyz_database(request: Request) -> DatabaseReadiness | JSONResponse:
    """Ask the database for the version of its tables."""
    state, why = database_state(request)
    if state != "ready":
        response = problems.problem("database-down", why, request.url.path)
        response.headers["retry-after"] = str(problems.RETRY_SECONDS)
        return response
    return DatabaseReadiness(kind=request.app.state.database.kind)


@router.get(
    "/metrics",
    operation_id="metrics",
    tags=["operation"],
    summary="Numbers for a Prometheus server",
    dependencies=[AskerOnly],
    response_class=Response,
    responses={
        200: {"description": "Text", "content": {"text/plain": {"schema": {"type": "string"}}}},
    },
)
def metrics(request: Request) -> Response:
    """Return the numbers of this process."""
    return Response(generate_latest(request.app.state.metrics.registry), media_type=CONTENT_TYPE_LATEST)


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
