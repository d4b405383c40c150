"""/v1/cases/{id}/photographs: pictures that belong to a case."""

from __future__ import annotations

from typing import Annotated

from anyio import to_thread
from fastapi import APIRouter, Depends, Path, Query, Request, Response
from pydantic import AfterValidator, StringConstraints

from api import problems
from api.calling import Keeper
from api.case_models import storable
from api.case_routes import READ, CaseId
from api.photographs import Photographs
from api.storage.errors import DatabaseDownError
from engine.answer import Told
from engine.inspection.report_parts import PhotographPart

router = APIRouter(prefix="/v1", tags=["photographs"])

PictureId = Annotated[
    str, Path(alias="photograph", pattern="^[0-9a-f]{24}$", description="Id of the photograph.")
]
Caption = Annotated[str, StringConstraints(min_length=1, max_length=300), AfterValidator(storable)]
HEADERS = {
    "cache-control": "private, max-age=3600",
    "x-content-type-options": "nosniff",
    "content-security-policy": "default-src 'none'; sandbox",
}
BINARY = {"schema": {"type": "string", "format": "binary"}}


class PhotographList(Told):
    """The photographs of a case."""

    photographs: list[PhotographPart]


def photographs_of(request: Request) -> Photographs:
    """Return the photographs of the application, or say that no cases are kept here."""
    photographs: Photographs | None = request.app.state.photographs
    if photographs is None:
        raise DatabaseDownError("no database is set")
    return photographs


Pictures = Annotated[Photographs, Depends(photographs_of)]


@router.post(
    "/cases/{id}/photographs",
    operation_id="add_photograph",
    summary="Keep a photograph",
    description=(
        "The body is the picture itself: JPEG, PNG or WebP. It is drawn anew, at most 2000 pixels wide and "
        "high; where and when it was taken, by which device, and whatever else the file carries is not kept. "
        "Look out for plates and persons: what the picture shows is kept."
    ),
    status_code=201,
    response_model_exclude_none=True,
    openapi_extra={
        "requestBody": {
            "required": True,
            "content": {"image/jpeg": BINARY, "image/png": BINARY, "image/webp": BINARY},
        }
    },
    responses=problems.responses(400, 404, 413, 415, 422, 503, 507),
)
async def add_photograph(
    request: Request,
    photographs: Pictures,
    caller: Keeper,
    case_id: CaseId,
    point: Annotated[str | None, Query(max_length=100, description="Id of the point that it shows.")] = None,
    caption: Annotated[Caption | None, Query(description="What it shows, in a few words.")] = None,
) -> PhotographPart:
    """Keep a photograph."""
    sent = await request.body()
    return await to_thread.run_sync(photographs.add, case_id, sent, point, caption, caller)


@router.get(
    "/cases/{id}/photographs",
    operation_id="list_photographs",
    summary="The photographs of a case",
    response_model_exclude_none=True,
    responses=READ,
)
def list_photographs(photographs: Pictures, caller: Keeper, case_id: CaseId) -> PhotographList:
    """List the photographs of a case."""
    return PhotographList(photographs=photographs.all(case_id))


@router.get(
    "/cases/{id}/photographs/{photograph}",
    operation_id="read_photograph",
    summary="A photograph",
    response_model=None,
    response_class=Response,
    responses={200: {"description": "The picture", "content": {"image/jpeg": BINARY}}, **READ},
)
def read_photograph(
    photographs: Pictures,
    caller: Keeper,
    case_id: CaseId,
    photograph: PictureId,
    small: Annotated[bool, Query(description="At most 800 pixels wide and high.")] = False,
) -> Response:
    """Return a photograph."""
    return Response(photographs.image(case_id, photograph, small), media_type="image/jpeg", headers=HEADERS)


@router.delete(
    "/cases/{id}/photographs/{photograph}",
    operation_id="erase_photograph",
    summary="Erase a photograph",
    description="Nothing of it is left in the database.",
    status_code=204,
    response_model=None,
    responses={204: {"description": "Erased"}, **READ, **problems.responses(507)},
)
def erase_photograph(
    photographs: Pictures, caller: Keeper, case_id: CaseId, photograph: PictureId
) -> Response:
    """Erase a photograph."""
    photographs.erase(case_id, photograph)
    return Response(status_code=204)
