"""Finds out the form of a text log from its first lines: encoding, delimiter, header, units, decimal sign."""

from __future__ import annotations

import csv
import re
from collections import Counter
from dataclasses import dataclass

from engine.logs.errors import WANTED, LogError
from engine.logs.layout import shown_name
from engine.logs.mapping import Mapping
from engine.logs.naming import fold_name, is_unit, split_unit
from engine.logs.raw import numbered

HEAD_BYTES = 512 * 1024
HEAD_LINES = 400
LEAST_NUMBERS = 0.3
"""Share of the cells of a line of data that are numbers; loggers write states as words."""
MAX_LINE_BYTES = 1024 * 1024
MAX_COLUMNS = 2000
DELIMITERS = (",", ";", "\t", "|")

ARCHIVES = {
    b"PK\x03\x04": "a zip archive",
    b"PK\x05\x06": "a zip archive",
    b"\x1f\x8b": "a gzip archive",
    b"7z\xbc\xaf\x27\x1c": "a 7z archive",
    b"BZh": "a bzip2 archive",
    b"\xfd7zXZ\x00": "an xz archive",
    b"Rar!": "a rar archive",
    b"\x28\xb5\x2f\xfd": "a zstd archive",
    b"\x04\x22\x4d\x18": "an lz4 archive",
    b"LZIP": "an lzip archive",
    b"\x1f\x9d": "a compress archive",
    b"MSCF": "a cabinet archive",
}
NUL_MESSAGE = "the file has NUL bytes: what was to stand there is lost, as when a logger loses its power"
NUL_ACCEPTED = ("the file cut off before the first NUL byte",)
TAR_AT, TAR_MARK = 257, b"ustar"
SPREADSHEETS = (b"[Content_Types].xml", b"application/vnd.oasis.opendocument.spreadsheet")
OLD_SPREADSHEET = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
BYTE_ORDER_MARKS = ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))
LINE_END = re.compile(r"\r\n|\n|\r")
MDF_MARKS = (b"MDF     ", b"UnFinMF ")

NUMBER_POINT = re.compile(r"^[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?$")
NUMBER_COMMA = re.compile(r"^[-+]?\d+,\d+([eE][-+]?\d+)?$")
CLOCK = re.compile(
    r"^(\d{1,4}[-./]\d{1,2}[-./]\d{1,4}[ T])?\d{1,3}:\d{2}(:\d{2})?([.,]\d+)?"
    r"( ?[AaPp][Mm]|Z|[+-]\d{2}:?\d{2})?$"
)
NO_VALUE = frozenset({"", "-", "--", "nan", "null", "none", "n/a", "na", "inf", "-inf", "#n/a"})


@dataclass(frozen=True)
class TextForm:
    """The form of a text log. Lines are counted from 1; `names` are the `written` ones, each once.

    `padded` says that cells have spaces around them, `carriage` that lines end with a carriage return alone.
    """

    encoding: str
    delimiter: str
    decimal: str
    header_line: int
    units_line: int | None
    first_data_line: int
    written: tuple[str, ...]
    names: tuple[str, ...]
    units: tuple[str, ...]
    padded: bool
    carriage: bool

    @property
    def wide(self) -> bool:
        """Whether a sign takes two bytes."""
        return self.encoding.startswith("utf-16")


def refuse_what_is_no_text_log(head: bytes) -> None:
    """Raise `LogError` for an empty file, an archive, a spreadsheet, or binary content."""
    if not head.strip(b"\x00\r\n\t ") or head.strip() in (b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff"):
        raise LogError("empty", "the file is empty", WANTED)
    if head.startswith(OLD_SPREADSHEET) or (
        head.startswith(b"PK") and any(mark in head[:4096] for mark in SPREADSHEETS)
    ):
        raise LogError("format_not_read", "the file is a spreadsheet or office file: save it as CSV", WANTED)
    if head[TAR_AT : TAR_AT + len(TAR_MARK)] == TAR_MARK:
        raise LogError("archive", "the file is a tar archive: unpack it first", WANTED)
    for mark, name in ARCHIVES.items():
        if head.startswith(mark):
            raise LogError("archive", f"the file is {name}: unpack it first", WANTED)
    if _encoding_of_wide(head) is not None:
        return
    strange = sum(byte < 9 or 13 < byte < 32 for byte in head[:4096])
    if strange > len(head[:4096]) // 100:
        raise LogError("not_a_log", "the file is not text", WANTED)
    if b"\x00" in head:
        raise LogError("damaged", NUL_MESSAGE, NUL_ACCEPTED)


def _encoding_of_wide(head: bytes) -> str | None:
    """Return the name of the encoding of a text of two bytes a sign, None for any other."""
    for mark, name in BYTE_ORDER_MARKS:
        if head.startswith(mark) and name == "utf-16":
            return name
    # Without a mark every second byte of a log in Latin letters is 0.
    start = head[:2048]
    even, odd = start[::2].count(0), start[1::2].count(0)
    if min(even, odd) == 0 and max(even, odd) > len(start) // 4:
        return "utf-16-le" if odd else "utf-16-be"
    return None


def decode_head(head: bytes) -> tuple[str, str]:
    """Return the text of the first bytes and the name of its encoding."""
    wide = _encoding_of_wide(head)
    if wide is not None:
        return head[: len(head) // 2 * 2].decode(wide, "replace"), wide
    if head.startswith(BYTE_ORDER_MARKS[0][0]):
        return head.decode("utf-8-sig", "replace"), "utf-8-sig"
    try:
        return head.decode("utf-8"), "utf-8"
    except UnicodeDecodeError as error:
        # A character cut in two at the end is no reason to call it another encoding.
        if error.start > len(head) - 4:
            return head.decode("utf-8", "ignore"), "utf-8"
        return head.decode("latin-1"), "latin-1"


def lines_of(text: str) -> list[str]:
    """Return the lines of a text, cut where the blocks of the file are cut and nowhere else."""
    return LINE_END.split(text)


def sniff(
    head: bytes, mapping: Mapping | None, whole: bool, time_names: frozenset[str] = frozenset()
) -> TextForm:
    """Return the form of a text log from its first bytes; `whole` says that there is no more.

    Of several lines of words above the numbers the one with one of the `time_names` holds the names.

    Raises `LogError` where there is no header, too many columns, or a line without an end.
    """
    text, encoding = decode_head(head)
    lines = lines_of(text)
    if not whole and len(lines) > 1:
        lines = lines[:-1]
    if any(len(line) > MAX_LINE_BYTES for line in lines) or (len(lines) < 2 and not whole):
        raise LogError("line_too_long", f"a line is longer than {MAX_LINE_BYTES} bytes", WANTED)
    lines = lines[:HEAD_LINES]
    delimiter = mapping.delimiter if mapping and mapping.delimiter else _delimiter(lines)
    rows = [cells_of(line, delimiter) for line in lines]
    width = _width(rows)
    if width > MAX_COLUMNS:
        raise LogError("too_many_columns", f"the file has {width} columns; {MAX_COLUMNS} are taken")
    if width < 2:
        raise LogError("not_a_log", "no columns are found in the file", WANTED)
    decimal = mapping.decimal if mapping and mapping.decimal else _decimal(rows, width)
    first = _first_data_row(rows, width, decimal)
    header, units = _header(rows, first, width, mapping.header_line if mapping else None, time_names)
    written = [
        name if shown_name(name) else f"column {i + 1}" for i, name in enumerate(_padded(rows[header], width))
    ]
    return TextForm(
        encoding=encoding,
        delimiter=delimiter,
        decimal=decimal,
        header_line=header + 1,
        units_line=None if units is None else units + 1,
        first_data_line=first + 1,
        written=tuple(written),
        names=tuple(numbered(written)),
        units=tuple(_padded(rows[units], width)) if units is not None else ("",) * width,
        padded=any(cell != cell.strip() for row in rows[first : first + 50] for cell in row),
        carriage="\r" in text and "\n" not in text,
    )


def cells_of(line: str, delimiter: str) -> list[str]:
    """Return the cells of a line."""
    try:
        return next(csv.reader([line], delimiter=delimiter), [])
    except csv.Error:
        return line.split(delimiter)


def _delimiter(lines: list[str]) -> str:
    """Return the delimiter that cuts most lines into the same number of cells, two at least."""
    best, best_score = ",", 0.0
    for delimiter in DELIMITERS:
        counts = Counter(len(cells_of(line, delimiter)) for line in lines if line.strip())
        cells, lines_with = max(
            counts.items(), key=lambda item: item[1] if item[0] > 1 else 0, default=(1, 0)
        )
        if cells < 2:
            continue
        agree = lines_with / max(1, sum(counts.values()))
        # A decimal comma cuts evenly as well, so a rarer sign that does so too is the delimiter.
        score = agree + (0.2 if delimiter != "," else 0.0) + 0.001 * min(cells, 100)
        if score > best_score:
            best, best_score = delimiter, score
    return best


def _width(rows: list[list[str]]) -> int:
    counts = Counter(len(row) for row in rows[-max(1, len(rows) * 2 // 3) :] if len(row) > 1)
    return counts.most_common(1)[0][0] if counts else 1


def _decimal(rows: list[list[str]], width: int) -> str:
    cells = [cell.strip() for row in rows if len(row) == width for cell in row]
    commas = sum(bool(NUMBER_COMMA.match(cell)) for cell in cells)
    points = sum("." in cell and bool(NUMBER_POINT.match(cell)) for cell in cells)
    return "," if commas > points else "."


def is_value(cell: str, decimal: str) -> bool:
    """Whether a cell is a number, a time or plainly nothing."""
    text = cell.strip()
    if text.lower() in NO_VALUE or CLOCK.match(text):
        return True
    return bool(NUMBER_POINT.match(text) or (decimal == "," and NUMBER_COMMA.match(text)))


def _is_data(row: list[str], width: int, decimal: str) -> bool:
    if not width - 1 <= len(row) <= width + 1:
        return False
    values = sum(is_value(cell, decimal) for cell in row)
    told = sum(cell.strip().lower() not in NO_VALUE for cell in row)
    numbers = values - sum(cell.strip().lower() in NO_VALUE for cell in row)
    return told > 0 and numbers >= LEAST_NUMBERS * told


def _first_data_row(rows: list[list[str]], width: int, decimal: str) -> int:
    for i, row in enumerate(rows):
        if _is_data(row, width, decimal):
            return i
    raise LogError("not_a_log", "no line of numbers is found in the file", WANTED)


def _header(
    rows: list[list[str]], first: int, width: int, told: int | None, time_names: frozenset[str]
) -> tuple[int, int | None]:
    """Return the row of names, and that of units if there is one."""
    above = [
        i for i in range(first - 1, -1, -1) if len(rows[i]) >= width - 1 and any(c.strip() for c in rows[i])
    ]
    if told is not None:
        if told - 1 >= first:
            raise LogError("no_header", f"line {told} is not above the first line of numbers")
        units = [i for i in above if told - 1 < i < first and _is_units(rows[i])]
        return told - 1, units[0] if units else None
    if not above:
        message = "the file has no line of column names above its numbers"
        raise LogError("no_header", message, ("a first line such as: time,engine speed,boost",))
    with_time = [i for i in above if any(fold_name(split_unit(cell).name) in time_names for cell in rows[i])]
    others = [i for i in above if not _is_units(rows[i])]
    header = (with_time or others or above)[0]
    units = [i for i in above if i > header and _is_units(rows[i])]
    return header, units[0] if units else None


def _is_units(row: list[str]) -> bool:
    told = [cell.strip().strip("[]()").lower() for cell in row if cell.strip()]
    return bool(told) and sum(is_unit(cell) or cell in ("bool", "state") for cell in told) >= 0.5 * len(told)


def _padded(row: list[str], width: int) -> list[str]:
    cells = [cell.strip().lstrip("\ufeff") for cell in row][:width]
    return cells + [""] * (width - len(cells))
