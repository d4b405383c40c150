"""/v1/kb: read the knowledge base that answers."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Annotated, Generic, Literal, TypeVar, cast

from fastapi import APIRouter, Path, Query, Request
from pydantic import BaseModel, Field

from api import problems
from api.calling import AskerOnly
from engine import model as m
from engine.answer import KbStamp
from engine.errors import UnknownEntryError
from engine.kinds import KINDS, SINGLE_FILES
from engine.knowledge import Knowledge
from engine.nearest import nearest

router = APIRouter(prefix="/v1/kb", tags=["knowledge base"], dependencies=[AskerOnly])

E = TypeVar("E", bound=m.Entry)

SystemName = m.System | Literal["general"]
KNOWN_SYSTEMS = (*m.SYSTEMS, "general")

ALL_KINDS: dict[str, type[m.Entry]] = {
    **KINDS,
    **{name.removesuffix(".yaml"): model for name, model in SINGLE_FILES.items()},
}


class Related(BaseModel):
    """Ids that the entry hangs together with, by what they are to it."""

    made_by: list[str] | None = Field(default=None, description="Causes that make this finding present.")
    settled_by: list[str] | None = Field(default=None, description="Tests that settle this finding.")
    makes: dict[str, float] | None = Field(
        default=None, description="Findings this cause makes, by strength."
    )
    excluded_by: list[str] | None = Field(default=None, description="Rules that can exclude this cause.")
    mends: list[str] | None = Field(default=None, description="Causes that this fix mends.")


class EntryView(BaseModel, Generic[E]):
    """One entry, where it stands, and what it hangs together with."""

    kb: KbStamp
    kind: str
    id: str
    system: str | None = None
    place: str = Field(description="File and line, for whoever wants to correct it.")
    entry: E
    related: Related


class EntryLine(BaseModel, Generic[E]):
    """One line of a list of entries."""

    id: str
    label: str
    system: str | None = None
    entry: E | None = Field(default=None, description="Only if `entries=true` was asked for.")


class EntryList(BaseModel, Generic[E]):
    """The entries of one kind."""

    kb: KbStamp
    kind: str
    entries: list[EntryLine[E]]


class KbSummary(BaseModel):
    """What the knowledge base holds."""

    kb: KbStamp
    title: str
    counts: dict[str, int]
    systems: list[str]


def entries_of(knowledge: Knowledge, kind: str) -> dict[str, m.Entry]:
    """Return the entries of a kind by id."""
    return cast("dict[str, m.Entry]", getattr(knowledge.source, kind))


def label_of(entry: m.Entry) -> str:
    """Return what an entry is called, whatever its kind."""
    return str(getattr(entry, "label", None) or getattr(entry, "title", None) or "")


def system_of(knowledge: Knowledge, kind: str, entry_id: str) -> str | None:
    """Return the engine system that an entry belongs to, or None for kinds that are not split by system."""
    system = knowledge.source.system_of.get((kind, entry_id))
    return system if system in KNOWN_SYSTEMS else None


def related_to(knowledge: Knowledge, kind: str, entry_id: str) -> Related:
    """Return what an entry hangs together with."""
    source = knowledge.source
    if kind == "findings":
        row = knowledge.finding_index[entry_id]
        makers = [knowledge.cause_ids[c] for c in knowledge.network.parents[row]]
        return Related(made_by=makers, settled_by=list(knowledge.settled_by.get(entry_id, ())))
    if kind in {"causes", "links"}:
        column = knowledge.cause_index[entry_id]
        strengths = knowledge.network.strength[:, column]
        makes = {f: float(q) for f, q in zip(knowledge.finding_ids, strengths, strict=True) if q > 0.0}
        rules = [rule for rule, entry in source.rules.items() if entry_id in entry.then.exclude]
        return Related(makes=makes, excluded_by=rules)
    if kind == "fixes":
        return Related(mends=[cause for cause, entry in source.causes.items() if entry_id in entry.fixes])
    return Related()


def view_entry(knowledge: Knowledge, stamp: KbStamp, kind: str, entry_id: str) -> EntryView[m.Entry]:
    """Return one entry; raises `UnknownEntryError` with the nearest known ids."""
    entries = entries_of(knowledge, kind)
    if entry_id not in entries:
        raise UnknownEntryError(kind, entry_id, nearest(entry_id, entries))
    file, line = knowledge.source.place(kind, entry_id)
    view: type[EntryView[m.Entry]] = EntryView[ALL_KINDS[kind]]  # type: ignore[valid-type]
    return view(
        kb=stamp,
        kind=kind,
        id=entry_id,
        system=system_of(knowledge, kind, entry_id),
        place=f"{file}:{line}",
        entry=entries[entry_id],
        related=related_to(knowledge, kind, entry_id),
    )


@router.get(
    "",
    operation_id="kb_summary",
    summary="What the knowledge base holds",
    responses=problems.responses(500),
)
async def summary(request: Request) -> KbSummary:
    """Return version, content hash and counts."""
    knowledge: Knowledge = request.app.state.triage.knowledge
    return KbSummary(
        kb=request.app.state.triage.stamp,
        title=knowledge.source.manifest.title,
        counts={kind: len(entries_of(knowledge, kind)) for kind in ALL_KINDS},
        systems=list(m.SYSTEMS),
    )


def _list_route(kind: str, model: type[m.Entry]) -> Callable[..., Awaitable[EntryList[m.Entry]]]:
    line_model: type[EntryLine[m.Entry]] = EntryLine[model]  # type: ignore[valid-type]
    list_model: type[EntryList[m.Entry]] = EntryList[model]  # type: ignore[valid-type]

    async def list_entries(
        request: Request,
        system: Annotated[SystemName | None, Query(description="Only this system.")] = None,
        entries: Annotated[bool, Query(description="Give each entry in full.")] = False,
    ) -> EntryList[m.Entry]:
        knowledge: Knowledge = request.app.state.triage.knowledge
        lines = [
            line_model(
                id=i,
                label=label_of(entry),
                system=system_of(knowledge, kind, i),
                entry=entry if entries else None,
            )
            for i, entry in entries_of(knowledge, kind).items()
        ]
        return list_model(
            kb=request.app.state.triage.stamp,
            kind=kind,
            entries=[line for line in lines if system is None or line.system == system],
        )

    return list_entries


def _view_route(kind: str) -> Callable[..., Awaitable[EntryView[m.Entry]]]:
    async def view(
        request: Request,
        entry_id: Annotated[str, Path(alias="id", max_length=100, description="Id of the entry.")],
    ) -> EntryView[m.Entry]:
        return view_entry(request.app.state.triage.knowledge, request.app.state.triage.stamp, kind, entry_id)

    return view


for _kind, _model in ALL_KINDS.items():
    _word = _kind.replace("_", " ")
    router.add_api_route(
        f"/{_kind}",
        _list_route(_kind, _model),
        response_model=EntryList[_model],  # type: ignore[valid-type]
        response_model_exclude_none=True,
        operation_id=f"list_{_kind}",
        summary=f"List the {_word}",
        responses=problems.responses(422, 500),
    )
    router.add_api_route(
        f"/{_kind}/{{id}}",
        _view_route(_kind),
        response_model=EntryView[_model],  # type: ignore[valid-type]
        response_model_exclude_none=True,
        operation_id=f"show_{_kind}",
        summary=f"Show one of the {_word}",
        responses=problems.responses(404, 422, 500),
    )
