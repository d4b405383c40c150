"""Reads a text log in blocks of bytes, so that memory does not grow with the file."""

from __future__ import annotations

import codecs
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np

from engine.logs.errors import WANTED, LogError
from engine.logs.sniffing import MAX_LINE_BYTES, NO_VALUE, TextForm
from engine.logs.stretch import Floats

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


def text_blocks(
    path: Path, form: TextForm, most_bytes: int, progress: Progress | None, block_bytes: int = BLOCK_BYTES
) -> Iterator[bytes]:
    """Yield the data lines of a file as UTF-8 in blocks that end with a line.

    A last line without an end is left out unless the file is whole; raises `LogError` for a line that is
    longer than a log's can be.
    """
    size = path.stat().st_size
    if size > most_bytes:
        raise LogError("too_large", f"the file has {size} bytes; {most_bytes} are taken")
    decoder = codecs.getincrementaldecoder("utf-16")("replace") if form.encoding == "utf-16" else None
    with path.open("rb") as stream:
        rest = _skip(stream, form, decoder)
        while piece := stream.read(block_bytes):
            text = decoder.decode(piece).encode("utf-8") if decoder is not None else piece
            if progress is not None:
                progress(stream.tell(), size)
            whole = rest + text
            end = whole.rfind(b"\n") + 1
            if end == 0:
                if len(whole) > MAX_LINE_BYTES:
                    raise LogError("line_too_long", f"a line is longer than {MAX_LINE_BYTES} bytes", WANTED)
                rest = whole
                continue
            rest = whole[end:]
            if len(rest) > MAX_LINE_BYTES:
                raise LogError("line_too_long", f"a line is longer than {MAX_LINE_BYTES} bytes", WANTED)
            yield whole[:end]
        if rest.strip():
            yield rest + b"\n"
    if progress is not None:
        progress(size, size)


def _skip(stream: BinaryIO, form: TextForm, decoder: codecs.IncrementalDecoder | None) -> bytes:
    """Go past the lines above the data; return what was read too much."""
    wanted = form.first_data_line - 1
    seen = b""
    while True:
        piece = stream.read(64 * 1024)
        text = decoder.decode(piece).encode("utf-8") if decoder is not None else piece
        seen += text
        lines = seen.replace(b"\r\n", b"\n").replace(b"\r", b"\n").split(b"\n")
        if len(lines) > wanted + 1 or not piece:
            kept = b"\n".join(lines[wanted:])
            return kept.removeprefix(b"\xef\xbb\xbf")


def parse(
    text: bytes, form: TextForm, wanted: Sequence[int], clock: int | None, slow: bool | None = None
) -> Block:
    """Return the wanted columns of a block of lines; `clock` is a column of times as text.

    Polars does the work. Cells that hold no number are NaN; text is never evaluated, whatever it begins with.
    """
    import polars as pl  # noqa: PLC0415

    slow = (form.padded or (form.decimal == "," and form.delimiter == ",")) if slow is None else slow
    picked = sorted({*wanted, *([clock] if clock is not None else [])})
    schema: dict[str, pl.DataType | type[pl.DataType]] = {
        f"c{i}": pl.String if slow or i == clock or i not in wanted else pl.Float64
        for i in range(len(form.names))
    }
    if b"\r" in text[:4096] and b"\n" not in text[:4096]:
        text = text.replace(b"\r", b"\n")
    try:
        table = pl.read_csv(
            text,
            has_header=False,
            separator=form.delimiter,
            schema=schema,
            columns=picked,
            ignore_errors=True,
            truncate_ragged_lines=True,
            decimal_comma=form.decimal == "," and not slow,
            encoding="utf8-lossy",
            quote_char='"' if b'"' in text else None,
        )
    except pl.exceptions.NoDataError:
        return Block({i: np.empty(0) for i in wanted}, None, 0, 0)
    except (pl.exceptions.PolarsError, ValueError) as error:
        raise LogError(
            "damaged", f"lines of the file cannot be read: {str(error).splitlines()[0][:120]}"
        ) from error
    columns = {i: _numbers(table.get_column(f"c{i}"), form, slow) for i in wanted}
    times = None
    if clock is not None:
        times = _seconds(table.get_column(f"c{clock}"))
    unreadable = 0
    if slow:
        for i in wanted:
            said = table.get_column(f"c{i}").str.strip_chars().str.to_lowercase().fill_null("")
            told = ~said.is_in(sorted(NO_VALUE)).to_numpy()
            unreadable += int((np.isnan(columns[i]) & told).sum())
    return Block(columns, times, table.height, unreadable)


def _numbers(series: object, form: TextForm, slow: bool) -> Floats:
    import polars as pl  # noqa: PLC0415

    assert isinstance(series, pl.Series)
    if slow:
        text = series.str.strip_chars()
        if form.decimal == ",":
            text = text.str.replace(",", ".", literal=True)
        series = text.cast(pl.Float64, strict=False)
    values: Floats = (
        series.cast(pl.Float64, strict=False).fill_null(float("nan")).to_numpy().astype(np.float64)
    )
    return np.where(np.isfinite(values), values, np.nan)


def _seconds(series: object) -> Floats:
    """Return times such as 1:02:03.4 or 2026-01-31T12:00:00.5 in seconds, NaN where they are none."""
    import polars as pl  # noqa: PLC0415

    assert isinstance(series, pl.Series)
    text = series.str.strip_chars().str.replace(",", ".", literal=True)
    if text.str.contains(r"^\d{4}-\d{2}-\d{2}").any():
        plain = text.str.replace("T", " ", literal=True).str.replace(r"(Z|[+-]\d{2}:?\d{2})$", "")
        stamps = plain.str.to_datetime("%Y-%m-%d %H:%M:%S%.f", strict=False)
        micro = stamps.dt.epoch("us").cast(pl.Float64)
        whole: Floats = micro.fill_null(float("nan")).to_numpy().astype(np.float64) / 1e6
        return whole
    parts = text.str.split(":")
    count = parts.list.len()
    number = [parts.list.get(-1 - k, null_on_oob=True).cast(pl.Float64, strict=False) for k in range(3)]
    seconds = number[0] + number[1] * 60.0 + number[2].fill_null(0.0) * 3600.0
    values: Floats = seconds.fill_null(float("nan")).to_numpy().astype(np.float64)
    return np.where(count.fill_null(0).to_numpy() >= 2, values, np.nan)
