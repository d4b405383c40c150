"""Files that are no logs, or broken ones: each is refused with a reason, nothing else ever comes out."""

from __future__ import annotations

import bz2
import gzip
import io
import itertools
import lzma
import tarfile
import time
import zipfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.errors import InputError, PrepullError
from engine.logs.errors import LogError
from engine.logs.mapping import Mapping
from tests.logs.log_text import drive, read_text, text_of

_count = itertools.count(1)


def number(value: object) -> str:
    """Name a case by its place: its bytes are too many to read, and differ from one process to the next."""
    return f"case {next(_count)}"


GOOD = text_of(drive(20.0))


def code_of(folder: Path, text: str | bytes, mapping: Mapping | None = None) -> str:
    with pytest.raises(LogError) as failed:
        read_text(folder, text, mapping)
    assert isinstance(failed.value, PrepullError)
    return failed.value.code


def _zip(name: str) -> bytes:
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w") as archive:
        archive.writestr(name, GOOD)
    return made.getvalue()


def _tar() -> bytes:
    made = io.BytesIO()
    with tarfile.open(fileobj=made, mode="w") as archive:
        archive.addfile(tarfile.TarInfo("log.csv"))
    return made.getvalue()


@pytest.mark.parametrize(
    "packed",
    [
        _zip("log.csv"),
        gzip.compress(GOOD.encode()),
        bz2.compress(GOOD.encode()),
        lzma.compress(GOOD.encode()),
        b"7z\xbc\xaf\x27\x1c" + bytes(64),
        b"Rar!\x1a\x07" + bytes(64),
        b"\x28\xb5\x2f\xfd" + bytes(64),
        _tar(),
    ],
    ids=lambda packed: packed[:2].hex(),
)
def test_archives_are_refused(tmp_path: Path, packed: bytes) -> None:
    with pytest.raises(LogError, match="unpack it first") as failed:
        read_text(tmp_path, packed)
    assert failed.value.code == "archive"


@pytest.mark.parametrize(
    "spreadsheet", [_zip("[Content_Types].xml"), b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600)], ids=number
)
def test_spreadsheets_are_refused(tmp_path: Path, spreadsheet: bytes) -> None:
    with pytest.raises(LogError, match="save it as CSV"):
        read_text(tmp_path, spreadsheet)


@pytest.mark.parametrize(
    "nothing", [b"", b"\n\n \t\r\n", b"\xef\xbb\xbf", b"\xff\xfe", b"\x00" * 5000], ids=number
)
def test_empty_files(tmp_path: Path, nothing: bytes) -> None:
    assert code_of(tmp_path, nothing) == "empty"


@pytest.mark.parametrize(
    ("text", "code"),
    [
        (bytes(range(256)) * 40, "not_a_log"),
        (b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 9, "not_a_log"),
        (b"%PDF-1.7\n" + bytes(range(1, 32)) * 99, "not_a_log"),
        (b"<html><body><p>time, rpm</p></body></html>", "not_a_log"),
        (b'{"time": [1, 2], "rpm": [3, 4]}', "not_a_log"),
        (b"Dear all,\nhere is the log.\nBest\n", "not_a_log"),
        (b"time;rpm\n", "not_a_log"),
        (b"time\n1\n2\n3\n", "not_a_log"),
        (b"time,rpm\n1,2\n", "too_short"),
        (b"speed,rpm\n" + b"1,2\n" * 50, "no_time"),
        (b"time,foo,bar\n" + b"1,2,3\n" * 50, "no_known_channel"),
        (b"time,rpm\n" + b"1,2\n" * 50, "time_stands_still"),
        (b"time,rpm\n" + b"".join(b"%d,2\n" % -i for i in range(60)), "time_stands_still"),
        (b"time,rpm\nx,1\n" + b"x,2\n" * 50, "no_time"),
        (b"1,2\n" * 50, "no_header"),
        (
            ",".join(f"c{i}" for i in range(2001)).encode() + b"\n" + b",".join([b"1"] * 2001),
            "too_many_columns",
        ),
        (b"time,rpm\n" + b"1" * 2_000_000, "line_too_long"),
        (b"x" * 2_000_000, "line_too_long"),
        (GOOD.encode() + bytes(4096), "damaged"),
        (GOOD.encode() * 60 + bytes(3_000_000), "damaged"),
        (GOOD.encode() * 60 + b"1" * 3_000_000, "line_too_long"),
    ],
    ids=number,
)
def test_what_is_no_log(tmp_path: Path, text: bytes, code: str) -> None:
    assert code_of(tmp_path, text) == code


def test_a_time_that_jumps_about(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    rows = rng.uniform(0.0, 1e6, (20_000, 2))
    started = time.monotonic()
    assert code_of(tmp_path, text_of({"time [s]": rows[:, 0], "rpm": rows[:, 1]})) == "time_jumps"
    apart = (np.arange(20_000) * 100.0).astype(np.float64)
    text = text_of({"time [s]": apart, "rpm": rows[:, 1]})
    assert code_of(tmp_path, text) == "time_jumps"
    assert time.monotonic() - started < 5.0


def test_two_thousand_columns_are_read_soon(tmp_path: Path) -> None:
    names = ["time", *(f"oil temperature sensor {i}" for i in range(1998)), "rpm"]
    row = ",".join(["7.5"] * 1999)
    text = ",".join(names) + "\n" + "".join(f"{i / 10},{row}\n" for i in range(200))
    started = time.monotonic()
    read = read_text(tmp_path, text)
    assert time.monotonic() - started < 6.0
    assert len(read.reader.layout.columns) == 2000
    assert read.channels["engine_speed"][0] == 7.5


@pytest.mark.parametrize(
    "cell",
    [
        "=1+1",
        "+cmd|' /C calc'!A0",
        "-2+3",
        "@SUM(1)",
        '"=A1"',
        "1_000",
        "0x10",
        "１２",
        "1e999",
        "١٢",
        "<b>1</b>",
        "${x}",
        "\x1b[1m",
    ],
)
def test_cells_are_never_evaluated(tmp_path: Path, cell: str) -> None:
    lines = GOOD.splitlines()
    cells = lines[200].split(",")
    cells[6] = cell
    lines[200] = ",".join(cells)
    read = read_text(tmp_path, "\n".join(lines) + "\n")
    assert np.nanmax(np.abs(read.channels["coolant_temperature"] - 85.2)) < 0.3


@pytest.mark.parametrize(
    "name", ["=cmd()", "\x00", "a" * 5000, "<script>", "\u202egnp", "\x1b]0;x\x07", '"', "🚗"], ids=number
)
def test_names_do_no_harm(tmp_path: Path, name: str) -> None:
    header, rest = GOOD.split("\n", 1)
    try:
        read = read_text(tmp_path, header.replace("intake_temperature", name) + "\n" + rest)
    except LogError as error:
        assert "\x1b" not in str(error)
        assert len(str(error)) < 2000
        return
    shown = read.reader.layout.columns[-1].name
    assert shown.isprintable()
    assert len(shown) <= 80
    assert read.reader.mapping().columns[-1].column == shown


def refused_or_read(folder: Path, text: bytes) -> None:
    """Assert that nothing but the errors of this project comes out of any bytes."""
    try:
        read = read_text(folder, text)
    except (LogError, InputError) as error:
        assert str(error)
        return
    assert read.time.size >= 20
    assert np.all(np.diff(read.time) > 0)
    assert all(values.size == read.time.size for values in read.channels.values())


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_truncation_anywhere(tmp_path: Path, encoding: str) -> None:
    whole = text_of(drive(4.0)).encode(encoding)
    for at in range(0, len(whole), 37 if encoding == "utf-8" else 97):
        refused_or_read(tmp_path, whole[:at])


@settings(max_examples=150, deadline=None)
@given(text=st.binary(max_size=3000))
def test_any_bytes(tmp_path_factory: pytest.TempPathFactory, text: bytes) -> None:
    refused_or_read(tmp_path_factory.getbasetemp(), text)


@settings(max_examples=120, deadline=None)
@given(
    changes=st.lists(
        st.tuples(st.integers(0, len(GOOD) - 1), st.binary(min_size=1, max_size=4)), max_size=30
    ),
    cut=st.integers(0, len(GOOD)),
)
def test_any_damage(
    tmp_path_factory: pytest.TempPathFactory, changes: list[tuple[int, bytes]], cut: int
) -> None:
    text = bytearray(GOOD.encode())
    for at, new in changes:
        text[at : at + len(new)] = new
    refused_or_read(tmp_path_factory.getbasetemp(), bytes(text[: len(text) - cut // 3]))


@settings(max_examples=120, deadline=None)
@given(
    text=st.lists(
        st.lists(
            st.sampled_from(
                [
                    "time",
                    "rpm",
                    "1",
                    "2.5",
                    "-3",
                    "1,5",
                    '"',
                    "",
                    "1:02",
                    "nan",
                    "1e400",
                    "é",
                    "2026-01-31T10:00:00",
                    "\t",
                ]
            ),
            min_size=1,
            max_size=5,
        ),
        max_size=60,
    ),
    delimiter=st.sampled_from([",", ";", "\t"]),
)
def test_any_cells(tmp_path_factory: pytest.TempPathFactory, text: list[list[str]], delimiter: str) -> None:
    rows = [["time", "rpm", "throttle"], *text]
    body = "\n".join(delimiter.join(row) for row in rows) + "\n"
    refused_or_read(tmp_path_factory.getbasetemp(), body.encode())
