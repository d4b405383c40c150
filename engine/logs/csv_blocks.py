"""Reads a text log in blocks of bytes, so that memory does not grow with the file."""

from __future__ import annotations

import codecs
import warnings
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

import numpy as np

from engine.logs.errors import WANTED, LogError
from engine.logs.sniffing import MAX_LINE_BYTES, NO_VALUE, NUL_ACCEPTED, NUL_MESSAGE, TextForm
from engine.logs.stretch import Floats

if TYPE_CHECKING:
    from polars import DataFrame, Series

BLOCK_BYTES = 8 * 1024 * 1024

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Block:
    """Rows of the file: the wanted columns by their number, NaN where a cell holds no number.

    `clock` is the column of the time where that is no plain number, in seconds.
    """

    columns: dict[int, Floats]
    clock: Floats | None
    rows: int
    unreadable: int


@dataclass
class Notes:
    """What was met while a file was read."""

    last_line_cut: bool = False


def text_blocks(
    path: Path,
    form: TextForm,
    most_bytes: int,
    progress: Progress | None,
    notes: Notes | None = None,
    block_bytes: int = BLOCK_BYTES,
) -> Iterator[bytes]:
    """Yield the data lines of a file as UTF-8 in blocks that end with a line.

    A last line without an end may be cut off within a number: it is left out, and `notes` say so. Raises
    `LogError` for a line that is longer than a log's can be, and for NUL bytes.
    """
    size = path.stat().st_size
    if size > most_bytes:
        raise LogError("too_large", f"the file has {size} bytes; {most_bytes} are taken")
    decoder = codecs.getincrementaldecoder(form.encoding)("replace") if form.wide else None
    with path.open("rb") as stream:
        rest = _skip(stream, form, decoder)
        while piece := stream.read(block_bytes):
            text = _plain(piece, form, decoder)
            if progress is not None:
                progress(stream.tell(), size)
            whole = rest + text
            end = whole.rfind(b"\n") + 1
            rest = whole[end:]
            _refuse(rest)
            if end:
                block = whole[:end]
                _refuse_nul(block)
                yield block
        end = rest.rfind(b"\n") + 1
        _refuse(rest[end:])
        if end:
            _refuse_nul(rest)
            yield rest[:end]
        if rest[end:].strip() and notes is not None:
            notes.last_line_cut = True
    if progress is not None:
        progress(size, size)


def _plain(piece: bytes, form: TextForm, decoder: codecs.IncrementalDecoder | None) -> bytes:
    text = decoder.decode(piece).encode("utf-8", "replace") if decoder is not None else piece
    return text.replace(b"\r", b"\n") if form.carriage else text


def _refuse(line: bytes) -> None:
    if len(line) > MAX_LINE_BYTES:
        _refuse_nul(line)
        raise LogError("line_too_long", f"a line is longer than {MAX_LINE_BYTES} bytes", WANTED)


def _refuse_nul(text: bytes) -> None:
    if b"\x00" in text:
        raise LogError("damaged", NUL_MESSAGE, NUL_ACCEPTED)


def _skip(stream: BinaryIO, form: TextForm, decoder: codecs.IncrementalDecoder | None) -> bytes:
    """Go past the lines above the data; return what was read too much."""
    wanted = form.first_data_line - 1
    seen = b""
    while True:
        piece = stream.read(64 * 1024)
        text = decoder.decode(piece).encode("utf-8", "replace") if decoder is not None else piece
        seen += text
        lines = seen.replace(b"\r\n", b"\n").replace(b"\r", b"\n").split(b"\n")
        if len(lines) > wanted + 1 or not piece:
            kept = b"\n".join(lines[wanted:])
            return kept.removeprefix(b"\xef\xbb\xbf")


def parse(text: bytes, form: TextForm, wanted: Sequence[int], clock: int | None) -> Block:
    """Return the wanted columns of a block of lines; `clock` is a column of times as text.

    Polars does the work. Cells that hold no number are NaN; text is never evaluated, whatever it begins with.
    """
    padded = form.padded or (form.decimal == "," and form.delimiter == ",")
    picked = sorted({*wanted, *([clock] if clock is not None else [])})
    if b'"' in text:
        # A quote that is never closed would swallow the lines behind it: then quotes count for nothing.
        table = _table(text, form, picked, frozenset(picked), quotes=True)
        lines = text.count(b"\n") - text.count(b"\n\n")
        if table is None or table.height < lines:
            table = _table(text, form, picked, frozenset(picked), quotes=False)
        slow = True
    else:
        as_text = frozenset(picked) if padded else frozenset(() if clock is None else (clock,))
        table = _table(text, form, picked, as_text, quotes=False)
        slow = padded
    if table is None:
        raise LogError("damaged", "lines of the file cannot be read", WANTED)
    columns = {i: _numbers(table.get_column(f"c{i}"), form, slow) for i in wanted}
    times = _seconds(table.get_column(f"c{clock}")) if clock is not None else None
    doubtful, words = list(wanted), table
    if not slow:
        doubtful = [i for i in wanted if table.get_column(f"c{i}").null_count() > 0]
        again = _table(text, form, doubtful, frozenset(doubtful), quotes=False) if doubtful else None
        doubtful, words = (doubtful, again) if again is not None else ([], table)
    unreadable = sum(_unreadable(words.get_column(f"c{i}"), columns[i]) for i in doubtful)
    return Block(columns, times, table.height, unreadable)


def _table(
    text: bytes, form: TextForm, picked: Sequence[int], as_text: frozenset[int], *, quotes: bool
) -> DataFrame | None:
    """Return the picked columns of lines, those `as_text` as they are written; None if they cannot be cut."""
    import polars as pl  # noqa: PLC0415

    width = len(form.names)
    schema: dict[str, pl.DataType | type[pl.DataType]] = {
        f"c{i}": pl.Float64 if i in picked and i not in as_text else pl.String for i in range(width)
    }
    # A first line of full width, for polars takes the number of columns from it.
    whole = form.delimiter.encode() * (width - 1) + b"\n" + text
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            table = pl.read_csv(
                whole,
                has_header=False,
                separator=form.delimiter,
                schema=schema,
                columns=list(picked),
                ignore_errors=True,
                truncate_ragged_lines=True,
                decimal_comma=form.decimal == "," and form.delimiter != ",",
                encoding="utf8-lossy",
                quote_char='"' if quotes else None,
            )
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException, ValueError):
        return None
    return table.slice(1)


def _unreadable(words: Series, numbers: Floats) -> int:
    """Return how many cells hold something that is no number, and not plainly nothing either."""
    said = words.str.strip_chars().str.to_lowercase().fill_null("")
    told = ~said.is_in(sorted(NO_VALUE)).to_numpy()
    return int((np.isnan(numbers) & told).sum())


def _numbers(series: Series, form: TextForm, slow: bool) -> Floats:
    import polars as pl  # noqa: PLC0415

    if slow:
        text = series.str.strip_chars(' \t"')
        if form.decimal == ",":
            text = text.str.replace(",", ".", literal=True)
        series = text.cast(pl.Float64, strict=False)
    values: Floats = (
        series.cast(pl.Float64, strict=False).fill_null(float("nan")).to_numpy().astype(np.float64)
    )
    return np.where(np.isfinite(values), values, np.nan)


def _seconds(series: Series) -> Floats:
    """Return times such as 1:02:03.4 or 2026-01-31T12:00:00.5 in seconds, NaN where they are none.

    Of a date written in another order only the clock counts; it then starts anew at midnight.
    """
    import polars as pl  # noqa: PLC0415

    text = series.str.strip_chars(' \t"').str.replace(",", ".", literal=True)
    text = text.str.replace(r"( ?[AaPp][Mm]|Z|[+-]\d{2}:?\d{2})$", "")
    if text.str.contains(r"^\d{4}-\d{2}-\d{2}[T ]").any():
        plain = text.str.replace("T", " ", literal=True)
        plain = plain.str.replace(r"^(.{11}\d{1,2}:\d{2})$", "${1}:00")
        stamps = plain.str.to_datetime("%Y-%m-%d %H:%M:%S%.f", strict=False, time_unit="us")
        micro = stamps.dt.epoch("us").cast(pl.Float64)
        whole: Floats = micro.fill_null(float("nan")).to_numpy().astype(np.float64) / 1e6
        return whole
    parts = text.str.replace(r"^\d{1,4}[-./]\d{1,2}[-./]\d{1,4}[ T]", "").str.split(":")
    count = parts.list.len()
    number = [parts.list.get(-1 - k, null_on_oob=True).cast(pl.Float64, strict=False) for k in range(3)]
    seconds = number[0] + number[1] * 60.0 + number[2].fill_null(0.0) * 3600.0
    values: Floats = seconds.fill_null(float("nan")).to_numpy().astype(np.float64)
    return np.where(count.fill_null(0).to_numpy() >= 2, values, np.nan)
