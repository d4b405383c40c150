"""How a text log is understood: signs, lines, encoding, time, units."""

from __future__ import annotations

from collections.abc import Mapping as AbcMapping
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.logs.errors import LogError
from engine.logs.mapping import ColumnMapping, Mapping
from engine.logs.sniffing import sniff
from engine.logs.stretch import Floats
from tests.logs.log_text import HERTZ, Read, drive, read_text, text_of, times

PLAIN = drive(30.0)
NAMES = {
    "time": "Time (s)",
    "engine_speed": "Engine Speed (rpm)",
    "throttle": "Throttle [%]",
    "boost": "Boost [kPa]",
    "lambda": "Lambda",
    "oil_pressure": "Oil pressure [kPa]",
    "coolant_temperature": "Coolant temp [°C]",
    "intake_temperature": "IAT [°C]",
}


def named(columns: AbcMapping[str, Floats]) -> dict[str, Floats]:
    return {NAMES[name]: values for name, values in columns.items()}


def same(read: Read, within: float = 2e-4) -> None:
    """Assert that a log was read as `PLAIN`."""
    assert set(read.channels) == set(PLAIN) - {"time"}
    for name, values in read.channels.items():
        apart = values - PLAIN[name][: values.size]
        assert values.size == PLAIN[name].size
        assert np.nanmax(np.abs(apart)) <= within, name
        assert not np.any(np.isnan(values))


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("decimal", [".", ","])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_signs_and_line_ends(tmp_path: Path, delimiter: str, decimal: str, end: str) -> None:
    if delimiter == decimal:
        return
    read = read_text(tmp_path, text_of(named(PLAIN), delimiter, decimal, end=end))
    same(read)
    assert read.reader.layout.delimiter == delimiter
    assert read.reader.layout.decimal == decimal
    assert "last_line_cut" not in read.codes


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1"])
def test_encodings(tmp_path: Path, encoding: str) -> None:
    read = read_text(tmp_path, text_of(named(PLAIN)).encode(encoding))
    same(read)
    assert read.reader.layout.columns[6].name == "Coolant temp [°C]"


def test_quoted_cells_with_decimal_commas(tmp_path: Path) -> None:
    lines = text_of(named(PLAIN), ";", ",").splitlines()
    quoted = "\n".join(",".join(f'"{cell}"' for cell in line.split(";")) for line in lines) + "\n"
    same(read_text(tmp_path, quoted))


def test_padded_cells(tmp_path: Path) -> None:
    same(read_text(tmp_path, text_of(named(PLAIN)).replace(",", " , ")))


@pytest.mark.parametrize("preamble", [1, 7, 60])
def test_lines_before_the_header(tmp_path: Path, preamble: int) -> None:
    text = "".join(f"Session note {i}: 12.5, driver\n" for i in range(preamble)) + "\n"
    read = read_text(tmp_path, text + text_of(named(PLAIN)))
    same(read)
    assert read.reader.layout.header_line == preamble + 2


def test_a_line_of_units_and_one_of_words_below_the_header(tmp_path: Path) -> None:
    rows = text_of({name.split(" (")[0].split(" [")[0]: values for name, values in named(PLAIN).items()})
    header, rest = rows.split("\n", 1)
    below = "s,rpm,%,kPa,-,kPa,°C,°C\nlogged,logged,logged,logged,logged,logged,logged,logged\n"
    read = read_text(tmp_path, f"{header}\n{below}{rest}")
    same(read)
    assert (read.reader.layout.header_line, read.reader.layout.units_line) == (1, 2)
    assert read.reader.layout.columns[5].written_unit == "kPa"


def test_columns_of_words_do_not_hide_the_numbers(tmp_path: Path) -> None:
    header, *rows = text_of(named(PLAIN)).splitlines()
    states = ",".join(f"State {i}" for i in range(9))
    words = ",".join(["ON", "off", "=1+2", "@SUM(A1)", "-", "+x", 'in"ch', "ok", "a b"])
    text = "\n".join([f"{header},{states}", *(f"{row},{words}" for row in rows)]) + "\n"
    read = read_text(tmp_path, text)
    same(read)
    assert [c.channel for c in read.reader.layout.columns[8:]] == [None] * 9


def test_blank_lines_and_a_second_header_are_left_out(tmp_path: Path) -> None:
    lines = text_of(named(PLAIN)).splitlines()
    lines[100:100] = ["", "", lines[0], ""]
    read = read_text(tmp_path, "\n".join(lines) + "\n")
    same(read)
    # The blank lines are nothing, the second header is counted.
    assert any("1 lines have no time" in c.text for c in read.reader.caveats) == (
        "time_missing" in read.codes
    )


def test_lines_too_short_and_too_long(tmp_path: Path) -> None:
    lines = text_of(named(PLAIN)).splitlines()
    lines[1] += ",9"
    lines[50] = lines[50].rsplit(",", 3)[0]
    lines[70] += ",1,2,3"
    # The cells that line 51 lacks are read from the samples about them.
    same(read_text(tmp_path, "\n".join(lines) + "\n"), within=0.01)


@pytest.mark.parametrize("line", [2, 40, 590])
@pytest.mark.parametrize("cell", [0, 3, 8])
def test_a_quote_that_is_never_closed_swallows_nothing(tmp_path: Path, line: int, cell: int) -> None:
    lines = [f"{row},note" for row in text_of(named(PLAIN)).splitlines()]
    cells = lines[line].split(",")
    cells[cell] = f'"{cells[cell]}'
    lines[line] = ",".join(cells)
    same(read_text(tmp_path, "\n".join(lines) + "\n"))


def test_a_last_line_that_is_cut_is_left_out_and_told(tmp_path: Path) -> None:
    text = text_of(named(PLAIN))
    read = read_text(tmp_path, text[:-8])
    assert "last_line_cut" in read.codes
    assert read.time.size == PLAIN["time"].size - 1


def _clock(at: Floats, form: str) -> list[str]:
    cells = []
    for second in at + 3600.0 * 23 + 3500.0:
        hours, minutes, seconds = int(second // 3600), int(second % 3600 // 60), second % 60
        cells.append(form.format(h=hours, m=minutes, s=seconds))
    return cells


@pytest.mark.parametrize(
    "form",
    [
        "{h:02d}:{m:02d}:{s:06.3f}",
        "2026-01-31T{h:02d}:{m:02d}:{s:06.3f}",
        "2026-01-31 {h:02d}:{m:02d}:{s:09.6f}Z",
        "31.01.2026 {h:02d}:{m:02d}:{s:06.3f}",
        "01/31/2026 {h:02d}:{m:02d}:{s:06.3f} PM",
        "{m:02d}:{s:05.2f}",
    ],
)
def test_clocks_and_dates(tmp_path: Path, form: str) -> None:
    header, *rows = text_of(named(PLAIN)).splitlines()
    cells = _clock(PLAIN["time"], form)
    body = [f"{cell},{row.split(',', 1)[1]}" for cell, row in zip(cells, rows, strict=True)]
    read = read_text(tmp_path, "\n".join([header.replace(" (s)", ""), *body]) + "\n")
    same(read)
    assert read.time[-1] == pytest.approx(PLAIN["time"][-1], abs=1e-3)
    assert read.reader.layout.columns[0].unit == "clock"


@pytest.mark.parametrize(
    ("name", "size", "told"),
    [
        ("Time (s)", 1.0, False),
        ("Time (ms)", 1e3, False),
        ("Time [us]", 1e6, False),
        ("time_ms", 1e3, False),
        ("Time", 1.0, True),
        ("Timestamp", 1e3, True),
        ("t", 1e6, True),
        ("Zeit", 1e9, True),
        ("Log Time, min", 1.0 / 60.0, False),
        ("Elapsed time [ms]", 1e3, False),
    ],
)
def test_units_of_time(tmp_path: Path, name: str, size: float, told: bool) -> None:
    columns = {name: PLAIN["time"] * size, **{NAMES[n]: v for n, v in PLAIN.items() if n != "time"}}
    read = read_text(tmp_path, text_of(columns, ";", digits=6))
    assert read.time[-1] == pytest.approx(PLAIN["time"][-1], abs=0.02)
    assert ("time_unit_assumed" in read.codes) == told
    assert read.column(name) == "time"


def test_the_time_may_be_any_column_and_is_no_other_one(tmp_path: Path) -> None:
    columns = {"Injection time [ms]": PLAIN["lambda"] * 3.0, **named(PLAIN)}
    read = read_text(tmp_path, text_of(columns))
    assert read.column("Injection time [ms]") == "injector_pulse"
    assert read.column("Time (s)") == "time"


def test_a_mapping_says_which_column_is_the_time(tmp_path: Path) -> None:
    columns = {"Stamp": PLAIN["time"] * 1e3, **{NAMES[n]: v for n, v in PLAIN.items() if n != "time"}}
    with pytest.raises(LogError) as failed:
        read_text(tmp_path, text_of(columns))
    assert failed.value.code == "no_time"
    said = Mapping(columns=[ColumnMapping(column="Stamp", channel="time", unit="ms")])
    read = read_text(tmp_path, text_of(columns), said)
    same(read)


def test_no_header(tmp_path: Path) -> None:
    with pytest.raises(LogError) as failed:
        read_text(tmp_path, text_of(named(PLAIN)).split("\n", 1)[1])
    assert failed.value.code == "no_header"
    assert "time,engine speed" in str(failed.value)


def test_two_columns_of_one_name(tmp_path: Path) -> None:
    header, rest = text_of(named(PLAIN)).split("\n", 1)
    text = header.replace("IAT [°C]", "Boost [kPa]") + "\n" + rest
    read = read_text(tmp_path, text)
    assert [column.name for column in read.reader.layout.columns][3::4] == ["Boost [kPa]", "Boost [kPa] (2)"]
    assert read.column("Boost [kPa] (2)") is None
    assert "contradiction" in read.codes


def test_names_are_shown_without_control_signs(tmp_path: Path) -> None:
    extra = "\x1b[31mred\u202e" + "x" * 300
    header, *rows = text_of(named(PLAIN)).splitlines()
    read = read_text(tmp_path, "\n".join([f"{header},{extra}", *(f"{row},1" for row in rows)]) + "\n")
    name = read.reader.layout.columns[-1].name
    assert len(name) <= 80
    assert name.startswith("[31mred")
    assert "\x1b" not in read.reader.layout.model_dump_json()


FORMS = st.fixed_dictionaries(
    {
        "delimiter": st.sampled_from([",", ";", "\t", "|"]),
        "decimal": st.sampled_from([".", ","]),
        "end": st.sampled_from(["\n", "\r\n", "\r"]),
        "encoding": st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "latin-1"]),
        "digits": st.integers(2, 6),
        "preamble": st.integers(0, 5),
        "order": st.permutations(list(NAMES)),
        "units": st.sampled_from(["name", "row"]),
        "last": st.booleans(),
    }
)


@settings(max_examples=40, deadline=None)
@given(form=FORMS)
def test_what_is_written_is_read(tmp_path_factory: pytest.TempPathFactory, form: dict[str, object]) -> None:
    delimiter, decimal, end = str(form["delimiter"]), str(form["decimal"]), str(form["end"])
    if delimiter == decimal:
        decimal = "."
    columns = {NAMES[name]: PLAIN[name] for name in form["order"]}  # type: ignore[attr-defined]
    digits = int(form["digits"])  # type: ignore[call-overload]
    text = text_of(columns, delimiter, decimal, digits, end)
    if form["units"] == "row":
        header, rest = text.split(end, 1)
        cells = [cell.replace(")", "").replace("]", "").replace("(", "[") for cell in header.split(delimiter)]
        parts = [(*cell.split(" ["), "")[:2] for cell in cells]
        rows = [delimiter.join(part[k] or "-" for part in parts) for k in (0, 1)]
        text = end.join([*rows, rest])
    text = "".join(f"Log of a session {i}{end}" for i in range(int(form["preamble"]))) + text  # type: ignore[call-overload]
    read = read_text(tmp_path_factory.mktemp("log"), text.encode(str(form["encoding"])))
    same(read, within=0.51 * 10.0**-digits + 1e-9 if HERTZ * 10.0**-digits < 0.01 else 10.0)


@settings(max_examples=150, deadline=None)
@given(st.text(alphabet="time,;\t|\n\r\"'.0123456789-+eE: kPaé", max_size=400), st.booleans())
def test_any_text_has_a_form_or_is_refused(text: str, whole: bool) -> None:
    try:
        form = sniff(text.encode(), None, whole, frozenset({"time"}))
    except LogError:
        return
    assert len(form.names) == len(form.units) >= 2
    assert form.header_line < form.first_data_line
    assert len(set(form.names)) == len(form.names)


def test_times_are_even() -> None:
    assert np.allclose(np.diff(times(2.0)), 1.0 / HERTZ)
