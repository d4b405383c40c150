"""What is told of a case: the verdict report, the owner's message, the watch list."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated

from fastapi import APIRouter, Query, Request, Response

from api import problems
from api.calling import Keeper
from api.case_routes import READ, CaseId
from api.inspection_routes import KeptWalks
from api.photograph_routes import Pictures
from api.reports.paper import report_pdf, watch_list_pdf
from api.reports.web import POLICY, report_html, watch_list_html
from engine.inspection.messages import message
from engine.inspection.report_parts import MessageFor, OwnerMessage, Report, WatchList
from engine.inspection.reporting import Shop, report, watch_list

router = APIRouter(prefix="/v1", tags=["reports"])

GIVES = {**READ, **problems.responses(500)}
PRIVATE = {"cache-control": "private, no-cache", "x-content-type-options": "nosniff"}
PDF = {"application/pdf": {"schema": {"type": "string", "format": "binary"}}}
HTML = {"text/html": {"schema": {"type": "string"}}}


def _report(request: Request, walks: KeptWalks, photographs: Pictures, case_id: str) -> Report:
    settings = request.app.state.settings
    facts, walk, file = walks.file(case_id)
    shop = Shop(settings.shop_name, settings.hourly_rate, settings.currency)
    file = replace(file, photographs=photographs.all(case_id), shop=shop)
    return report(walks.inspector, facts, walk, file)


def _page(text: str) -> Response:
    headers = {**PRIVATE, "content-security-policy": POLICY}
    return Response(text, media_type="text/html; charset=utf-8", headers=headers)


def _paper(content: bytes, name: str) -> Response:
    headers = {**PRIVATE, "content-disposition": f'inline; filename="{name}.pdf"'}
    return Response(content, media_type="application/pdf", headers=headers)


@router.get(
    "/cases/{id}/report",
    operation_id="read_report",
    summary="The verdict report of a case",
    description=(
        "May it run; what must be mended first and why; what is advised and how long it holds; what was not "
        "looked at; readings against their limits; doubts that remain; what to watch. A page for the owner "
        "in plain words, and the technical sheet."
    ),
    response_model_exclude_none=True,
    responses=GIVES,
)
def read_report(
    request: Request, walks: KeptWalks, photographs: Pictures, caller: Keeper, case_id: CaseId
) -> Report:
    """Return the report as JSON."""
    return _report(request, walks, photographs, case_id)


@router.get(
    "/cases/{id}/report.html",
    operation_id="read_report_page",
    summary="The verdict report as a page to read and print",
    description="One file: photographs and plots are in it, scripts are not.",
    response_model=None,
    response_class=Response,
    responses={200: {"description": "The page", "content": HTML}, **GIVES},
)
def read_report_page(
    request: Request, walks: KeptWalks, photographs: Pictures, caller: Keeper, case_id: CaseId
) -> Response:
    """Return the report as a page."""
    made = _report(request, walks, photographs, case_id)
    return _page(report_html(made, photographs.small_ones(case_id)))


@router.get(
    "/cases/{id}/report.pdf",
    operation_id="read_report_paper",
    summary="The verdict report as PDF",
    response_model=None,
    response_class=Response,
    responses={200: {"description": "The document", "content": PDF}, **GIVES},
)
def read_report_paper(
    request: Request, walks: KeptWalks, photographs: Pictures, caller: Keeper, case_id: CaseId
) -> Response:
    """Return the report as PDF."""
    made = _report(request, walks, photographs, case_id)
    return _paper(report_pdf(made, photographs.small_ones(case_id)), f"report-{case_id}")


@router.get(
    "/cases/{id}/message",
    operation_id="read_message",
    summary="Short words for the owner",
    description="The verdict, the two or three things that matter, and what to do before coming.",
    response_model_exclude_none=True,
    responses=GIVES,
)
def read_message(
    request: Request,
    walks: KeptWalks,
    photographs: Pictures,
    caller: Keeper,
    case_id: CaseId,
    kind: Annotated[MessageFor, Query(alias="for", description="How it will be told.")] = "telephone",
) -> OwnerMessage:
    """Return the message."""
    made = _report(request, walks, photographs, case_id)
    facts, _, _ = walks.file(case_id)
    return message(made, kind, walks.inspector.forbidden(facts))


@router.get(
    "/cases/{id}/watch-list",
    operation_id="read_watch_list",
    summary="What to watch during the first runs",
    description=(
        "Channels with the values at which to lift off at once, for a logger or a display: what is always "
        "watched, then what the remaining doubts call for. Pressures are gauge pressures."
    ),
    response_model_exclude_none=True,
    responses=GIVES,
)
def read_watch_list(walks: KeptWalks, caller: Keeper, case_id: CaseId) -> WatchList:
    """Return the watch list as JSON."""
    facts, walk, _ = walks.file(case_id)
    return watch_list(walks.inspector, facts, walk)


@router.get(
    "/cases/{id}/watch-list.html",
    operation_id="read_watch_list_page",
    summary="The watch list as a card to read and print",
    response_model=None,
    response_class=Response,
    responses={200: {"description": "The page", "content": HTML}, **GIVES},
)
def read_watch_list_page(walks: KeptWalks, caller: Keeper, case_id: CaseId) -> Response:
    """Return the watch list as a page."""
    facts, walk, file = walks.file(case_id)
    return _page(watch_list_html(watch_list(walks.inspector, facts, walk), file.reference))


@router.get(
    "/cases/{id}/watch-list.pdf",
    operation_id="read_watch_list_paper",
    summary="The watch list as PDF",
    response_model=None,
    response_class=Response,
    responses={200: {"description": "The document", "content": PDF}, **GIVES},
)
def read_watch_list_paper(walks: KeptWalks, caller: Keeper, case_id: CaseId) -> Response:
    """Return the watch list as PDF."""
    facts, walk, file = walks.file(case_id)
    made = watch_list_pdf(watch_list(walks.inspector, facts, walk), file.reference)
    return _paper(made, f"watch-list-{case_id}")
