"""From a file to stretches: units, references, questions, time, holes, contradictions, memory."""

from __future__ import annotations

import itertools
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.errors import InputError
from engine.logs.cutting import MOST_ROWS
from engine.logs.errors import LogError
from engine.logs.mapping import ColumnMapping, Mapping, dump_mapping, load_mapping
from engine.logs.reading import ReadLimits, read_log
from engine.logs.resample import even, step_of
from engine.logs.stretch import Floats
from tests.logs.log_text import drive, knowledge, read_text, text_of, times

ATMOSPHERE_KPA = 101.325  # ISO 2533, sea level
KPA_PER_PSI = 6.894757  # NIST SP 811, Appendix B


def with_boost(name: str, values: Floats, **more: Floats) -> str:
    columns = drive()
    columns.pop("boost")
    columns["oil_pressure_kPa"] = columns.pop("oil_pressure")
    return text_of({**columns, name: values, **more})


def said(column: str, channel: str | None, **more: object) -> Mapping:
    return Mapping(columns=[ColumnMapping.model_validate({"column": column, "channel": channel, **more})])


@pytest.mark.parametrize(
    ("name", "scale", "offset_kpa", "reference"),
    [
        ("MAP [kPa]", 1.0, 98.0, "absolute"),
        ("Manifold pressure [kPa]", 1.0, 98.0, "absolute"),
        ("Manifold pressure [kPa]", 1.0, 0.0, "gauge"),
        ("Manifold pressure [psia]", 1 / KPA_PER_PSI, 98.0, "absolute"),
        ("Boost [psi]", 1 / KPA_PER_PSI, 0.0, "gauge"),
        ("MAP", 0.01, 98.0, "absolute"),
        ("Inlet manifold pressure (mbar)", 10.0, 98.0, "absolute"),
    ],
)
def test_manifold_pressure_is_kept_as_gauge(
    tmp_path: Path, name: str, scale: float, offset_kpa: float, reference: str
) -> None:
    boost = drive()["boost"]
    read = read_text(tmp_path, with_boost(name, (boost + offset_kpa) * scale))
    assert not read.reader.questions
    assert np.max(np.abs(read.channels["boost"] - boost)) < 0.02
    column = next(c for c in read.reader.layout.columns if c.name == name)
    assert (column.channel, column.reference) == ("boost", reference)
    assert reference in column.why
    assert ("air_pressure_assumed" in read.codes) == (reference == "absolute")


def test_the_logged_air_pressure_is_what_absolute_pressures_are_counted_from(tmp_path: Path) -> None:
    boost = drive()["boost"]
    read = read_text(tmp_path, with_boost("MAP [kPa]", boost + 84.0, Baro=np.full(boost.size, 84.0)))
    assert np.max(np.abs(read.channels["boost"] - boost)) < 0.02
    assert "air_pressure_assumed" not in read.codes
    assert np.allclose(read.channels["barometer"], 84.0)


def test_without_air_pressure_and_engine_off_sea_level_is_taken(tmp_path: Path) -> None:
    columns = {name: values[100:] for name, values in drive().items()}
    columns["MAP [kPa]"] = columns.pop("boost") + 98.0
    read = read_text(tmp_path, text_of(columns))
    text = next(c.text for c in read.reader.caveats if c.code == "air_pressure_assumed")
    assert "101.325" in text
    assert read.channels["boost"][0] == pytest.approx(35.0 - ATMOSPHERE_KPA, abs=0.01)


def test_a_reference_that_cannot_be_told_is_asked_for(tmp_path: Path) -> None:
    columns = {name: values[400:] for name, values in drive().items()}
    pressure = np.maximum(columns.pop("boost"), 5.0)
    columns.pop("oil_pressure")
    text = text_of({**columns, "Manifold pressure [kPa]": pressure})
    read = read_text(tmp_path, text)
    assert "boost" not in read.channels
    (question,) = read.reader.questions
    assert (question.column, question.channel) == ("Manifold pressure [kPa]", "boost")
    assert question.accepted == ["gauge", "absolute"]
    answered = said("Manifold pressure [kPa]", "boost", reference="gauge")
    read = read_text(tmp_path, text, answered)
    assert not read.reader.questions
    assert np.max(np.abs(read.channels["boost"] - pressure)) < 0.01


def test_a_name_that_its_numbers_contradict_is_asked_for(tmp_path: Path) -> None:
    read = read_text(tmp_path, with_boost("Boost [kPa]", drive()["boost"] + 98.0))
    assert "boost" not in read.channels
    assert "called gauge, but its numbers look absolute" in read.reader.questions[0].question


def test_a_pressure_without_a_unit_is_asked_for(tmp_path: Path) -> None:
    columns = drive()
    read = read_text(tmp_path, text_of(columns))
    assert "oil_pressure" not in read.channels
    assert any(question.column == "oil_pressure" for question in read.reader.questions)
    answered = said("oil_pressure", "oil_pressure", unit="mbar", reference="gauge")
    read = read_text(tmp_path, text_of(columns), answered)
    assert np.max(np.abs(read.channels["oil_pressure"] - columns["oil_pressure"] * 0.1)) < 0.01


def test_temperatures_without_a_unit_are_all_of_one(tmp_path: Path) -> None:
    columns = drive()
    celsius = {name: columns[name] for name in ("coolant_temperature", "intake_temperature")}
    read = read_text(tmp_path, text_of({**columns, **{n: v * 1.8 + 32.0 for n, v in celsius.items()}}))
    for name, values in celsius.items():
        assert np.max(np.abs(read.channels[name] - values)) < 0.01
    assert "unit_assumed" in read.codes


def test_trims_and_an_idling_throttle_are_no_shares(tmp_path: Path) -> None:
    columns = drive()
    trim = 0.9 * np.sin(columns["time"])
    idle = np.abs(0.4 + 0.1 * np.sin(columns["time"]))
    read = read_text(tmp_path, text_of({**columns, "STFT": trim, "throttle": idle}))
    assert np.max(np.abs(read.channels["fuel_trim_short"] - trim)) < 0.01
    assert np.max(read.channels["throttle"]) < 1.0
    read = read_text(tmp_path, text_of({**columns, "throttle": columns["throttle"] / 100.0}))
    assert np.max(read.channels["throttle"]) == pytest.approx(100.0, abs=0.1)


def test_air_fuel_ratio_becomes_lambda(tmp_path: Path) -> None:
    columns = drive()
    lambda_ = columns.pop("lambda")
    text = text_of({**columns, "AFR": lambda_ * 14.7})
    read = read_text(tmp_path, text)
    assert np.max(np.abs(read.channels["lambda"] - lambda_)) < 1e-4
    assert any("14.7" in caveat.text for caveat in read.reader.caveats)
    read = read_text(tmp_path, text, Mapping(stoichiometric_ratio=9.0))
    assert np.max(np.abs(read.channels["lambda"] - lambda_ * 14.7 / 9.0)) < 1e-4
    read = read_text(tmp_path, text_of({**columns, "Lambda [AFR]": lambda_ * 14.7}))
    assert np.max(np.abs(read.channels["lambda"] - lambda_)) < 1e-4


def test_lambda_and_air_fuel_ratio_that_disagree(tmp_path: Path) -> None:
    columns = drive()
    read = read_text(tmp_path, text_of({**columns, "AFR": columns["lambda"] * 13.5}))
    assert "contradiction" in read.codes
    read = read_text(tmp_path, text_of({**columns, "AFR": columns["lambda"] * 14.7}))
    assert "contradiction" not in read.codes


def test_volts_of_a_sensor_are_no_lambda(tmp_path: Path) -> None:
    columns = drive()
    volts = columns.pop("lambda") * 0.5
    read = read_text(tmp_path, text_of({**columns, "Lambda [V]": volts}))
    assert "lambda" not in read.channels
    assert read.reader.questions[-1].accepted == ["lambda", "afr"]


def test_a_second_column_of_a_channel_is_told(tmp_path: Path) -> None:
    columns = drive()
    other = columns["coolant_temperature"]
    read = read_text(tmp_path, text_of({**columns, "Coolant temp 2": other + 0.1}))
    assert "second_column" in read.codes
    read = read_text(tmp_path, text_of({**columns, "Coolant temp 2": other + 12.0}))
    text = next(c.text for c in read.reader.caveats if c.code == "contradiction")
    assert "differ by 12" in text
    assert np.max(np.abs(read.channels["coolant_temperature"] - other)) < 0.01


def test_a_column_that_holds_nothing_gives_way(tmp_path: Path) -> None:
    columns = drive()
    values = columns.pop("coolant_temperature")
    nothing = np.full(values.size, np.nan)
    read = read_text(tmp_path, text_of({"Coolant temp": nothing, **columns, "Coolant temp 1": values}))
    assert np.max(np.abs(read.channels["coolant_temperature"] - values)) < 0.01


def test_incredible_samples_are_dropped_and_counted(tmp_path: Path) -> None:
    columns = drive()
    columns["coolant_temperature"][500] = 3276.7
    columns["coolant_temperature"][501] = -273.0
    read = read_text(tmp_path, text_of(columns))
    (caveat,) = [c for c in read.reader.caveats if c.code == "incredible_samples"]
    assert caveat.channel == "coolant_temperature"
    assert np.nanmax(np.abs(read.channels["coolant_temperature"] - 85.5)) < 1.0


def test_cells_that_hold_no_number_are_counted(tmp_path: Path) -> None:
    lines = text_of(drive()).splitlines()
    for i in (300, 301, 302):
        cells = lines[i].split(",")
        cells[6] = "=HYPERLINK(1)"
        lines[i] = ",".join(cells)
    read = read_text(tmp_path, "\n".join(lines) + "\n")
    assert any(c.text.startswith("3 cells hold no number") for c in read.reader.caveats)


@pytest.mark.parametrize(
    ("break_it", "channel"),
    [
        (lambda c: {**c, "boost": np.where(c["time"] < 5.0, 40.0, c["boost"])}, "boost"),
        (lambda c: {**c, "engine_speed": np.where(c["time"] > 30.0, 0.0, c["engine_speed"])}, "engine_speed"),
        (
            lambda c: {
                **c,
                "road_speed": 60.0 + c["time"],
                "driven_wheel_speed": 1.609 * (60.0 + c["time"]),
            },
            "driven_wheel_speed",
        ),
    ],
)
def test_channels_that_contradict_each_other(tmp_path: Path, break_it: object, channel: str) -> None:
    columns = {f"{n} [kPa]" if n == "boost" else n: v for n, v in break_it(drive()).items()}  # type: ignore[operator]
    read = read_text(tmp_path, text_of(columns))
    assert ("contradiction", channel) in [(c.code, c.channel) for c in read.reader.caveats]
    plain = {f"{n} [kPa]" if n == "boost" else n: v for n, v in drive().items()}
    assert "contradiction" not in read_text(tmp_path, text_of(plain)).codes


def test_time_that_goes_back_a_little_stands_still_or_is_missing(tmp_path: Path) -> None:
    columns = drive()
    lines = text_of(columns).splitlines()
    lines[200], lines[201] = lines[201], lines[200]
    lines[400:400] = [lines[400]] * 3
    lines[600] = "," + lines[600].split(",", 1)[1]
    read = read_text(tmp_path, "\n".join(lines) + "\n")
    assert any("in 4 lines" in c.text for c in read.reader.caveats if c.code == "time_goes_back")
    assert any("1 lines have no time" in c.text for c in read.reader.caveats)
    assert read.stretches == 1
    assert np.max(np.abs(read.channels["engine_speed"] - columns["engine_speed"])) < 15.0


def test_a_clock_that_starts_anew_cuts_the_log(tmp_path: Path) -> None:
    columns = drive()
    lines = text_of(columns).splitlines()
    text = "\n".join([*lines, lines[0], *lines[1:]]) + "\n"
    read = read_text(tmp_path, text)
    assert "time_starts_anew" in read.codes
    assert read.stretches == 2
    assert np.all(np.diff(read.time) > 0)
    half = read.time.size // 2
    speed = read.channels["engine_speed"]
    assert np.max(np.abs(speed[:half] - speed[half:])) < 1e-6


def test_a_hole_cuts_and_nothing_is_read_into_it(tmp_path: Path) -> None:
    columns = drive()
    keep = (columns["time"] < 30.0) | (columns["time"] > 40.0)
    read = read_text(tmp_path, text_of({name: values[keep] for name, values in columns.items()}))
    assert read.stretches == 2
    assert "holes" in read.codes
    assert not np.any((read.time > 30.0) & (read.time < 40.0))


@settings(max_examples=40, deadline=None)
@given(hole=st.floats(0.2, 4.9), period=st.sampled_from([0.05, 0.1, 0.5, 1.0]), jitter=st.floats(0.0, 0.2))
def test_no_hole_longer_than_allowed_is_bridged(hole: float, period: float, jitter: float) -> None:
    rng = np.random.default_rng(4)
    at = np.arange(0.0, 20.0, period)
    at = at + jitter * period * rng.uniform(-0.5, 0.5, at.size)
    values = np.where((at > 8.0) & (at < 8.0 + hole), np.nan, 3.0 * at)
    stretch = even(at, {"a": values}, step_of(at))
    found = stretch.channels["a"]
    known = at[~np.isnan(values)]
    longest = max(1.0, 3.0 * float(np.median(np.diff(known))))
    inside = ~np.isnan(found)
    assert np.max(np.abs(found[inside] - 3.0 * stretch.time[inside])) < 1e-6
    for left, right in itertools.pairwise(known):
        between = (stretch.time > left + 1e-6) & (stretch.time < right - 1e-6)
        assert np.all(np.isnan(found[between])) == (right - left > longest) or not between.any()


@settings(max_examples=30, deadline=None)
@given(hertz=st.sampled_from([150.0, 400.0, 1000.0]), level=st.floats(-100.0, 100.0))
def test_a_fast_log_is_averaged(hertz: float, level: float) -> None:
    at = np.arange(0.0, 4.0, 1.0 / hertz)
    stretch = even(at, {"a": level + np.sin(2.0 * np.pi * hertz / 2.0 * at + 0.3)}, step_of(at))
    assert stretch.step_s == 0.01
    assert np.nanmean(stretch.channels["a"]) == pytest.approx(level, abs=0.2)


@pytest.mark.parametrize(("hertz", "step"), [(2.0, 0.5), (0.5, 1.0), (20.0, 0.05), (100.0, 0.01)])
def test_the_step_is_the_usual_one(hertz: float, step: float) -> None:
    assert step_of(times(100.0, hertz)) == pytest.approx(step)


def test_channels_of_several_rates(tmp_path: Path) -> None:
    columns = drive()
    slow = np.where(np.arange(columns["time"].size) % 20 == 0, columns["coolant_temperature"], np.nan)
    read = read_text(tmp_path, text_of({**columns, "coolant_temperature": slow}))
    last = 20 * ((slow.size - 1) // 20)
    assert (
        np.max(np.abs(read.channels["coolant_temperature"][:last] - columns["coolant_temperature"][:last]))
        < 0.01
    )
    assert "unreadable_cells" not in read.codes


def test_long_logs_come_in_stretches_cut_where_the_throttle_is_shut(tmp_path: Path) -> None:
    columns = drive(7000.0, 20.0)
    path = tmp_path / "long.csv"
    path.write_text(text_of({n: columns[n] for n in ("time", "engine_speed", "throttle")}, digits=2))
    parts = list(read_log(path, knowledge()).stretches())
    assert len(parts) >= 3
    assert max(part.length for part in parts) <= MOST_ROWS + 500
    assert all(part.channels["throttle"][0] < 5.0 for part in parts)
    assert sum(part.length for part in parts) == columns["time"].size
    joined = np.concatenate([part.channels["engine_speed"] for part in parts])
    assert np.max(np.abs(joined - columns["engine_speed"])) < 0.01


def test_a_coarse_log_with_a_fine_head_stays_small(tmp_path: Path) -> None:
    at = np.concatenate((np.arange(100_000) * 0.01, 1000.0 + 4.9 * np.arange(1, 20_000)))
    path = tmp_path / "log.csv"
    path.write_text(text_of({"time": at, "rpm": np.full(at.size, 800.0)}, digits=2))
    assert max(part.length for part in read_log(path, knowledge()).stretches()) <= MOST_ROWS + 500


# mappings


def test_the_mapping_in_use_reads_the_same_again(tmp_path: Path) -> None:
    columns = drive()
    text = with_boost("MAP [kPa]", columns["boost"] + 98.0, STFT=0.5 * np.sin(columns["time"]))
    first = read_text(tmp_path, text)
    mapping = first.reader.mapping()
    again = read_text(tmp_path, text, load_mapping(dump_mapping(mapping)))
    assert again.reader.mapping() == mapping
    assert again.channels.keys() == first.channels.keys()
    for name, values in first.channels.items():
        assert np.array_equal(values, again.channels[name], equal_nan=True)


def test_a_mapping_scales_renames_and_leaves_out(tmp_path: Path) -> None:
    columns = drive()
    mapping = Mapping(
        columns=[
            ColumnMapping(column="engine_speed", channel="engine_speed", scale=2.0, offset=10.0),
            ColumnMapping(column="lambda", channel=None),
            ColumnMapping(column="intake_temperature", channel="oil_temperature", unit="K"),
        ]
    )
    columns["intake_temperature"] = columns["intake_temperature"] + 273.15
    read = read_text(tmp_path, text_of(columns), mapping)
    assert np.max(np.abs(read.channels["engine_speed"] - 2.0 * columns["engine_speed"] - 10.0)) < 0.01
    assert "lambda" not in read.channels
    assert "intake_temperature" not in read.channels
    assert np.max(np.abs(read.channels["oil_temperature"] + 273.15 - columns["intake_temperature"])) < 0.01


@pytest.mark.parametrize(
    ("mapping", "field", "accepted"),
    [
        (said("engine_spede", "engine_speed"), "mapping.columns.0.column", "engine_speed"),
        (said("throttle", "throtle"), "mapping.columns.0.channel", "throttle"),
        (said("throttle", "throttle", unit="kPa"), "mapping.columns.0.unit", "percent"),
        (said("boost", "boost", unit="bananas"), "mapping.columns.0.unit", "kPa"),
        (said("lambda", "lambda", unit="V"), "mapping.columns.0.unit", "lambda"),
        (said("time", "time", unit="kPa"), "mapping.columns.0.unit", "ms"),
        (said("throttle", "throttle", reference="gauge"), "mapping.columns.0.reference", None),
        (
            Mapping(
                columns=[
                    ColumnMapping(column="boost", channel="boost"),
                    ColumnMapping(column="throttle", channel="boost"),
                ]
            ),
            "mapping.columns.1.channel",
            None,
        ),
    ],
)
def test_a_mapping_that_does_not_fit(
    tmp_path: Path, mapping: Mapping, field: str, accepted: str | None
) -> None:
    with pytest.raises(InputError) as failed:
        read_text(tmp_path, text_of(drive()), mapping)
    issue = next(issue for issue in failed.value.issues if issue.field == field)
    assert accepted is None or accepted in issue.accepted


@pytest.mark.parametrize(
    "text",
    [
        "columns: 3",
        "{",
        "[]",
        "columns:\n  - colum: a",
        '{"columns": [{"column": "a", "extra": 1}]}',
        "a: &a [*a]",
        "delimiter: x",
    ],
)
def test_a_text_that_is_no_mapping(text: str) -> None:
    with pytest.raises(InputError):
        load_mapping(text)


COLUMNS = st.builds(
    ColumnMapping,
    column=st.sampled_from(["time", "boost", "throttle", "rpm?", "lambda", "oil_pressure"]),
    channel=st.sampled_from(
        ["time", "boost", "throttle", "lambda", "knock_level", "barometer", "what", None]
    ),
    unit=st.sampled_from(["kPa", "psi", "%", "V", "s", "", None]),
    reference=st.sampled_from(["gauge", "absolute", None]),
    scale=st.one_of(st.none(), st.floats(-1e9, 1e9)),
    offset=st.one_of(st.none(), st.floats(-1e9, 1e9)),
)


@settings(max_examples=60, deadline=None)
@given(
    mapping=st.builds(
        Mapping,
        columns=st.lists(COLUMNS, max_size=4),
        delimiter=st.sampled_from([",", ";", None]),
        decimal=st.sampled_from([".", ",", None]),
        header_line=st.sampled_from([1, 2, 900, None]),
    )
)
def test_any_mapping_reads_or_is_refused(tmp_path_factory: pytest.TempPathFactory, mapping: Mapping) -> None:
    assert load_mapping(dump_mapping(mapping)) == mapping
    try:
        read = read_text(tmp_path_factory.mktemp("log"), text_of(drive(30.0)), mapping)
    except (InputError, LogError):
        return
    assert np.all(np.diff(read.time) > 0)
    for name, values in read.channels.items():
        entry = knowledge().channels[f"logged_{name}"]
        room = 120.0 if entry.reference else 0.0
        known = values[~np.isnan(values)]
        assert np.all((known >= entry.minimum - room) & (known <= entry.maximum + room))


def test_progress_and_limits(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text(text_of(drive()))
    size = path.stat().st_size
    seen: list[tuple[int, int]] = []
    list(read_log(path, knowledge(), progress=lambda done, whole: seen.append((done, whole))).stretches())
    assert seen[-1] == (size, size)
    assert [done for done, _ in seen] == sorted(done for done, _ in seen)
    for limits in (ReadLimits(most_bytes=size - 1), ReadLimits(most_rows=100)):
        with pytest.raises(LogError) as failed:
            list(read_log(path, knowledge(), limits=limits).stretches())
        assert failed.value.code == "too_large"


MEMORY = """
import resource, sys
from pathlib import Path
from tests.logs.log_text import knowledge
from engine.logs.reading import read_log
knowledge()
import polars
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
rows = sum(stretch.length for stretch in read_log(Path(sys.argv[1]), knowledge()).stretches())
print(rows, (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) // 1024)
"""


def test_memory_does_not_grow_with_the_file(tmp_path: Path) -> None:
    columns = drive(600.0, 50.0)
    names = {name: f"{name} [kPa]" if "pressure" in name or name == "boost" else name for name in columns}
    used = []
    header, body = text_of({names[n]: v for n, v in columns.items()}, digits=3).split("\n", 1)
    for sessions in (4, 32):
        path = tmp_path / f"{sessions}.csv"
        with path.open("w") as stream:
            stream.write(header + "\n")
            for _ in range(sessions):
                stream.write(body)
        done = subprocess.run(
            [sys.executable, "-c", MEMORY, str(path)], capture_output=True, text=True, timeout=120, check=True
        )
        rows, mebibytes = map(int, done.stdout.split())
        assert rows == sessions * columns["time"].size
        used.append(mebibytes)
        size = path.stat().st_size
    assert size > 50_000_000
    assert used[1] < used[0] + 120
    assert used[1] < 400
