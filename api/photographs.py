"""Photographs of a case, stored beside it."""

from __future__ import annotations

import contextlib
import secrets

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session, load_only

from api.access import Caller
from api.cases import Cases, found_case
from api.clock import moment
from api.pictures import clean
from api.storage.database import change
from api.storage.errors import StorageError
from api.storage.sweep import sweep
from api.storage.tables import PhotographRow
from engine.errors import InputError, InputIssue, PrepullError, UnknownEntryError
from engine.inspection.report_parts import PhotographPart
from engine.nearest import nearest

MOST = 200
"""Photographs of one case."""


class TooManyPicturesError(PrepullError):
    """The case holds as many photographs as it may."""


class Photographs:
    """The photographs of the cases of one database. Safe to share between threads."""

    def __init__(self, cases: Cases) -> None:
        self.cases = cases
        self.database = cases.database

    def add(
        self, case_id: str, sent: bytes, point: str | None, caption: str | None, caller: Caller
    ) -> PhotographPart:
        """Clean and keep a picture; raises `UnreadablePictureError`, `TooManyPicturesError` and others."""
        points = self.cases.triage.knowledge.source.points
        if point is not None and point not in points:
            message = f"no point has the id {point!r}"
            raise InputError([InputIssue("point", point, message, nearest(point, points))])
        with self.database.reading() as session:
            found_case(session, case_id)
        picture = clean(sent)
        row = PhotographRow(
            id=secrets.token_hex(12),
            case_id=case_id,
            point=point,
            caption=caption,
            at_us=self.cases.clock(),
            who=caller.name,
            key_id=caller.key_id,
            width=picture.width,
            height=picture.height,
            image=picture.image,
            small=picture.small,
        )
        part = _part(row)

        def work(session: Session) -> None:
            held = select(func.count()).select_from(PhotographRow).where(PhotographRow.case_id == case_id)
            if (session.scalar(held) or 0) >= MOST:
                raise TooManyPicturesError(f"a case holds at most {MOST} photographs")
            session.merge(row)

        self.database.write(work)
        return part

    def all(self, case_id: str) -> list[PhotographPart]:
        """Return what is known of the photographs of a case, the first one first."""
        light = load_only(
            PhotographRow.id,
            PhotographRow.point,
            PhotographRow.caption,
            PhotographRow.at_us,
            PhotographRow.width,
            PhotographRow.height,
        )
        with self.database.reading() as session:
            found_case(session, case_id)
            rows = session.scalars(
                select(PhotographRow)
                .where(PhotographRow.case_id == case_id)
                .options(light)
                .order_by(PhotographRow.at_us, PhotographRow.id)
            )
            return [_part(row) for row in rows]

    def image(self, case_id: str, photograph: str, small: bool) -> bytes:
        """Return a photograph as JPEG; raises `UnknownEntryError`."""
        column = PhotographRow.small if small else PhotographRow.image
        with self.database.reading() as session:
            found = session.scalar(
                select(column).where(PhotographRow.case_id == case_id, PhotographRow.id == photograph)
            )
        if found is None:
            raise UnknownEntryError("photograph of this case", photograph, ())
        return found

    def small_ones(self, case_id: str) -> dict[str, bytes]:
        """Return all photographs of a case in their smaller size, by id."""
        with self.database.reading() as session:
            rows = session.execute(
                select(PhotographRow.id, PhotographRow.small).where(PhotographRow.case_id == case_id)
            )
            return {row.id: row.small for row in rows}

    def erase(self, case_id: str, photograph: str) -> None:
        """Erase a photograph, so that nothing of it is left; raises `UnknownEntryError`."""

        def work(session: Session) -> None:
            gone = delete(PhotographRow).where(
                PhotographRow.case_id == case_id, PhotographRow.id == photograph
            )
            if change(session, gone) != 1:
                raise UnknownEntryError("photograph of this case", photograph, ())

        self.database.write(work)
        with contextlib.suppress(StorageError):
            sweep(self.database)


def _part(row: PhotographRow) -> PhotographPart:
    return PhotographPart(
        id=row.id,
        point=row.point,
        caption=row.caption,
        at=moment(row.at_us),
        width=row.width,
        height=row.height,
    )
