"""Photographs beside a case, on both databases: nothing of a file is kept but what it shows."""

from __future__ import annotations

import io
import random
import zlib

import pytest
from PIL import Image

from api.access import ANYBODY
from api.cases import Cases
from api.photographs import MOST, Photographs, TooManyPicturesError
from api.pictures import LARGE, SMALL, UnreadablePictureError, clean
from api.storage.database import Database
from engine.errors import InputError, UnknownEntryError
from engine.triage import Triage
from tests.storage.making import open_case

ORIENTATION, DESCRIPTION, GPS = 0x0112, 0x010E, 0x8825
SECRET = "47.3 north, a device and a name"


def picture(kind: str, size: tuple[int, int] = (640, 360), turned: int = 1) -> bytes:
    """A picture with its left half dark and everything in its metadata that one can write."""
    made = Image.new("RGB", size, "white")
    made.paste((20, 20, 20), (0, 0, size[0] // 2, size[1]))
    exif = made.getexif()
    exif[ORIENTATION], exif[DESCRIPTION] = turned, SECRET
    exif.get_ifd(GPS)[1] = "N"
    exif.get_ifd(GPS)[2] = (47.0, 22.0, 1.0)
    written = io.BytesIO()
    more: dict[str, object] = {"comment": SECRET.encode()} if kind == "JPEG" else {}
    made.save(written, kind, exif=exif, **more)
    return written.getvalue() + SECRET.encode()


@pytest.fixture
def cases(database: Database, triage: Triage) -> Cases:
    return Cases(database, triage)


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_only_what_it_shows_is_kept(kind: str) -> None:
    made = clean(picture(kind, (3000, 1500)))
    for content, longest in ((made.image, LARGE), (made.small, SMALL)):
        assert SECRET.encode() not in content
        with Image.open(io.BytesIO(content)) as opened:
            assert opened.format == "JPEG"
            assert max(opened.size) == longest
            assert not dict(opened.getexif())
            assert set(opened.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
            left, right = opened.getpixel((5, 5)), opened.getpixel((opened.width - 5, 5))
            assert isinstance(left, tuple)
            assert isinstance(right, tuple)
            assert left[0] < 60 < 200 < right[0]


def test_a_picture_taken_sideways_stands_upright() -> None:
    made = clean(picture("JPEG", (640, 360), turned=6))
    assert (made.width, made.height) == (360, 640)
    with Image.open(io.BytesIO(made.image)) as opened:
        top, below = opened.getpixel((180, 5)), opened.getpixel((180, 635))
        assert isinstance(top, tuple)
        assert isinstance(below, tuple)
        assert top[0] < 60 < 200 < below[0]


def png_of(width: int, height: int) -> bytes:
    """A PNG that says it is this large, in a few bytes."""

    def chunk(kind: bytes, content: bytes) -> bytes:
        check = zlib.crc32(kind + content).to_bytes(4, "big")
        return len(content).to_bytes(4, "big") + kind + content + check

    header = width.to_bytes(4, "big") + height.to_bytes(4, "big") + bytes([8, 0, 0, 0, 0])
    content = zlib.compress(bytes(1000))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", content) + chunk(b"IEND", b"")


@pytest.mark.parametrize(
    "sent",
    [
        b"",
        b"no picture",
        b"GIF89a" + bytes(100),
        b"<svg xmlns='http://www.w3.org/2000/svg'/>",
        picture("JPEG")[:700],
        picture("PNG")[:90],
        png_of(30_000, 30_000),
        png_of(9_000, 9_000),
        png_of(200, 200),
        random.Random(7).randbytes(20_000),
    ],
    ids=[
        "empty",
        "text",
        "gif",
        "svg",
        "half a jpeg",
        "half a png",
        "bomb",
        "large",
        "short of data",
        "noise",
    ],
)
def test_what_is_no_picture_is_refused(sent: bytes) -> None:
    with pytest.raises(UnreadablePictureError):
        clean(sent)


def test_kept_read_and_erased(cases: Cases) -> None:
    kept = Photographs(cases)
    case, other = open_case(cases), open_case(cases)
    point = next(iter(cases.triage.knowledge.source.points))
    one = kept.add(case, picture("JPEG"), point, "the hose", ANYBODY)
    two = kept.add(case, picture("PNG"), None, None, ANYBODY)
    assert [p.id for p in kept.all(case)] == [one.id, two.id]
    assert kept.all(case)[0] == one
    assert (one.point, one.caption, one.width, one.height) == (point, "the hose", 640, 360)
    assert kept.image(case, one.id, small=False)[:2] == b"\xff\xd8"
    assert kept.small_ones(case).keys() == {one.id, two.id}
    assert kept.all(other) == []
    with pytest.raises(UnknownEntryError):
        kept.image(other, one.id, small=True)
    with pytest.raises(UnknownEntryError):
        kept.erase(other, one.id)
    kept.erase(case, one.id)
    assert [p.id for p in kept.all(case)] == [two.id]
    with pytest.raises(UnknownEntryError):
        kept.image(case, one.id, small=False)


def test_unknown_points_cases_and_too_many_are_refused(cases: Cases, monkeypatch: pytest.MonkeyPatch) -> None:
    kept = Photographs(cases)
    case = open_case(cases)
    with pytest.raises(InputError) as refused:
        kept.add(case, picture("JPEG"), "fuel_dry_by_eye_and_noses", None, ANYBODY)
    assert refused.value.issues[0].accepted[0] == "fuel_dry_by_eye_and_nose"
    with pytest.raises(UnknownEntryError):
        kept.add("0" * 24, picture("JPEG"), None, None, ANYBODY)
    assert MOST >= 100
    monkeypatch.setattr("api.photographs.MOST", 1)
    kept.add(case, picture("JPEG"), None, None, ANYBODY)
    with pytest.raises(TooManyPicturesError):
        kept.add(case, picture("JPEG"), None, None, ANYBODY)
