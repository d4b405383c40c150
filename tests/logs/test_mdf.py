"""MDF4 files: groups with rates of their own, packed or not, in bounded memory, and broken ones refused."""

from __future__ import annotations

import struct
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest
from asammdf import MDF, Signal
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.logs import mdf_log
from engine.logs.errors import LogError
from engine.logs.mapping import ColumnMapping
from engine.logs.mapping import Mapping as LogMapping
from engine.logs.mdf_check import HEADER, check_mdf4
from engine.logs.reading import ReadLimits, read_log
from engine.logs.stretch import Floats
from tests.logs.log_text import Read, drive, knowledge, read_path

UNITS = {
    "engine_speed": "rpm",
    "throttle": "%",
    "boost": "kPa",
    "lambda": "",
    "oil_pressure": "bar",
    "coolant_temperature": "°C",
    "intake_temperature": "°F",
}
SLOW = ("coolant_temperature", "intake_temperature")
LARGE = 20_000_000_000


def signals(columns: Mapping[str, Floats], names: list[str], every: int = 1) -> list[Signal]:
    scale = {"oil_pressure": (0.01, 0.0), "intake_temperature": (1.8, 32.0)}
    found = []
    for name in names:
        by, add = scale.get(name, (1.0, 0.0))
        values = (columns[name] * by + add)[::every]
        found.append(Signal(values, columns["time"][::every], name=name, unit=UNITS[name]))
    return found


def written(
    path: Path, compression: int = 0, version: str = "4.10", seconds: float = 60.0
) -> dict[str, Floats]:
    """Write a drive as MDF4, its temperatures in a group of their own at a tenth of the rate."""
    columns = drive(seconds)
    with MDF(version=version) as file:
        file.append(signals(columns, [name for name in UNITS if name not in SLOW]))
        file.append(signals(columns, list(SLOW), 10))
        file.save(path, overwrite=True, compression=compression)  # type: ignore[arg-type]
    return columns


def same(read: Read, columns: Mapping[str, Floats]) -> None:
    assert set(read.channels) == set(columns) - {"time"}
    for name, values in read.channels.items():
        count = values.size - (10 if name in SLOW else 0)
        apart = np.abs(values[:count] - columns[name][:count])
        assert np.max(apart) < (0.3 if name in SLOW else 1e-3), name
    assert read.time.size == columns["time"].size


@pytest.mark.parametrize("compression", [0, 1, 2])
@pytest.mark.parametrize("version", ["4.00", "4.10", "4.11", "4.20"])
def test_groups_of_two_rates(tmp_path: Path, compression: int, version: str) -> None:
    path = tmp_path / "log.mf4"
    columns = written(path, compression, version)
    read = read_path(path)
    same(read, columns)
    assert read.reader.layout.format == "mdf4"
    assert read.reader.layout.columns[0].name == "engine_speed"


def test_reading_in_small_pieces_is_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "log.mf4"
    columns = written(path, 1)
    whole = read_path(path)
    monkeypatch.setattr(mdf_log, "MOST_CELLS", 1)
    assert mdf_log._samples_at_once([]) == 100
    pieces = read_path(path)
    same(pieces, columns)
    for name, values in whole.channels.items():
        assert np.array_equal(values, pieces.channels[name], equal_nan=True)


def test_groups_that_start_and_end_apart(tmp_path: Path) -> None:
    path = tmp_path / "log.mf4"
    at = np.arange(0.0, 60.0, 0.05)
    late = np.arange(20.013, 40.0, 0.1)
    with MDF(version="4.10") as file:
        file.append([Signal(1000.0 + at, at, name="rpm", unit="rpm")])
        file.append([Signal(2.0 * late, late, name="throttle", unit="%")])
        file.save(path, overwrite=True)
    read = read_path(path)
    throttle, time = read.channels["throttle"], read.time
    assert np.max(np.abs(read.channels["engine_speed"] - 1000.0 - time)) < 1e-6
    inside = (time > 20.1) & (time < 39.8)
    assert np.max(np.abs(throttle[inside] - 2.0 * time[inside])) < 0.05
    assert np.all(np.isnan(throttle[(time < 19.9) | (time > 40.1)]))


def test_integers_conversions_words_and_invalid_samples(tmp_path: Path) -> None:
    path = tmp_path / "log.mf4"
    at = np.arange(400) * 0.05
    raw = (np.arange(400) % 256).astype(np.uint8)
    invalid = np.zeros(400, dtype=bool)
    invalid[100:140] = True
    with MDF(version="4.10") as file:
        file.append(
            [
                Signal(raw, at, name="rpm", unit="1/min", conversion={"a": 10.0, "b": 500.0}),
                Signal(
                    np.full(400, 14.0, dtype=np.float32), at, name="Vbat", unit="V", invalidation_bits=invalid
                ),
                Signal(np.array([b"on"] * 400), at, name="fuel cut", encoding="utf-8"),
                Signal(at, at, name="rpm"),
            ]
        )
        file.save(path, overwrite=True)
    read = read_path(path)
    assert np.allclose(read.channels["engine_speed"], raw * 10.0 + 500.0)
    voltage = read.channels["battery_voltage"]
    assert np.all(np.isnan(voltage[101:139]))
    assert np.allclose(voltage[200:], 14.0)
    for name in ("cut_active",):
        assert name not in read.channels or np.all(np.isnan(read.channels[name]))
    names = [column.name for column in read.reader.layout.columns]
    assert len(set(names)) == len(names)
    assert "rpm (2)" in names


def test_a_mapping_for_mdf(tmp_path: Path) -> None:
    path = tmp_path / "log.mf4"
    columns = written(path)
    said = LogMapping(columns=[ColumnMapping(column="lambda", channel="knock_level", scale=2.0)])
    read = read_path(path, said)
    assert np.allclose(read.channels["knock_level"], 2.0 * columns["lambda"])
    again = read_path(path, read.reader.mapping())
    assert again.reader.mapping() == read.reader.mapping()


def test_a_time_that_goes_back_is_left_out_and_told(tmp_path: Path) -> None:
    path = tmp_path / "log.mf4"
    at = np.arange(400) * 0.05
    at[200:210] = at[190]
    with MDF(version="4.10") as file:
        file.append([Signal(np.arange(400.0), at, name="rpm", unit="rpm")])
        file.save(path, overwrite=True)
    read = read_path(path)
    assert any("in 10 samples" in caveat.text for caveat in read.reader.caveats)
    assert np.all(np.diff(read.time) > 0)


def test_progress(tmp_path: Path) -> None:
    path = tmp_path / "log.mf4"
    written(path)
    seen: list[tuple[int, int]] = []
    list(read_log(path, knowledge(), progress=lambda done, whole: seen.append((done, whole))).stretches())
    assert seen[-1] == (path.stat().st_size, path.stat().st_size)


# broken files


def code_of(path: Path, limits: ReadLimits | None = None) -> str:
    with pytest.raises(LogError) as failed:
        read_path(path, limits=limits)
    return failed.value.code


def test_other_versions_and_sizes(tmp_path: Path) -> None:
    path = tmp_path / "log.mf4"
    written(path, 2)
    good = path.read_bytes()
    with MDF(version="3.30") as file:
        file.append([Signal(np.arange(100.0), np.arange(100.0), name="rpm")])
        old = tmp_path / "log.mdf"
        file.save(old, overwrite=True)
    assert code_of(old) == "format_not_read"
    assert code_of(path, ReadLimits(most_bytes=path.stat().st_size - 1)) == "too_large"
    path.write_bytes(good[:64])
    assert code_of(path) == "damaged"
    path.write_bytes(b"UnFinMF " + good[8:])
    assert code_of(path) == "format_not_read"


def blocks(data: bytes, kind: bytes) -> list[int]:
    """Where blocks of a kind begin."""
    found, at = [], data.find(kind)
    while at >= 0:
        if at % 8 == 0:
            found.append(at)
        at = data.find(kind, at + 1)
    return found


def put(data: bytes, at: int, value: int) -> bytes:
    return data[:at] + struct.pack("<Q", value) + data[at + 8 :]


@pytest.mark.parametrize(
    ("kind", "link"), [(b"##DG", 0), (b"##CG", 0), (b"##CN", 0), (b"##CN", 1), (b"##FH", 0)]
)
def test_blocks_in_a_loop(tmp_path: Path, kind: bytes, link: int) -> None:
    path = tmp_path / "log.mf4"
    written(path)
    data = path.read_bytes()
    for at in blocks(data, kind):
        path.write_bytes(put(data, at + HEADER.size + 8 * link, at))
        assert code_of(path) == "damaged"


def test_a_data_list_in_a_loop(tmp_path: Path) -> None:
    path = tmp_path / "log.mf4"
    columns = drive(60.0)
    with MDF(version="4.10") as file:
        file.configure(write_fragment_size=10_000)
        file.append(signals(columns, ["engine_speed", "throttle", "boost"]))
        file.save(path, overwrite=True, compression=1)
    data = path.read_bytes()
    (at,) = blocks(data, b"##DL")
    path.write_bytes(put(data, at + HEADER.size, at))
    assert code_of(path) == "damaged"
    # The same block over and over is more data than the file can be trusted with.
    links = HEADER.unpack(data[at : at + HEADER.size])[2]
    assert links > 2


def test_sizes_that_lie(tmp_path: Path) -> None:
    path = tmp_path / "log.mf4"
    written(path, 1)
    data = path.read_bytes()
    group = blocks(data, b"##CG")[0]
    cycles = group + HEADER.size + 8 * 6 + 8
    assert struct.unpack("<Q", data[cycles : cycles + 8])[0] == 1200
    for many in (10**6, 10**12, 2**63):
        path.write_bytes(put(data, cycles, many))
        assert code_of(path) in ("damaged", "too_large")
    packed = blocks(data, b"##DZ")[0]
    size = packed + HEADER.size + 8
    for many in (10, 10**9, 2**63):
        path.write_bytes(put(data, size, many))
        assert code_of(path) in ("damaged", "too_large")


@pytest.mark.parametrize("offset", [41, 48, 2**16, 2**31, 2**32 - 1])
def test_a_channel_beyond_its_record_is_not_read(tmp_path: Path, offset: int) -> None:
    """The library would write over memory with it."""
    path = tmp_path / "log.mf4"
    columns = written(path)
    data = path.read_bytes()
    changed = 0
    for at in blocks(data, b"##CN"):
        place = at + HEADER.size + 8 * HEADER.unpack(data[at : at + HEADER.size])[2] + 4
        if struct.unpack("<I", data[place : place + 4])[0] == 16:
            data = data[:place] + struct.pack("<I", offset) + data[place + 4 :]
            changed += 1
    assert changed >= 1
    path.write_bytes(data)
    read = read_path(path)
    assert np.all(np.isnan(read.channels["throttle"]))
    assert np.allclose(read.channels["engine_speed"], columns["engine_speed"])
    assert "no_samples" in read.codes


def test_formulas_of_a_file_are_not_evaluated(tmp_path: Path) -> None:
    path = tmp_path / "log.mf4"
    at = np.arange(400) * 0.05
    with MDF(version="4.10") as file:
        file.append(
            [
                Signal(at, at, name="rpm", conversion={"formula": "X1 * 2"}),
                Signal(at, at, name="throttle", unit="%"),
            ]
        )
        file.save(path, overwrite=True)
    read = read_path(path)
    assert np.all(np.isnan(read.channels["engine_speed"]))
    assert np.allclose(read.channels["throttle"], at)


def test_what_a_file_unpacks_to_is_bounded(tmp_path: Path) -> None:
    path = tmp_path / "log.mf4"
    at = np.arange(300_000) * 0.01
    with MDF(version="4.10") as file:
        file.append(
            [Signal(np.zeros(300_000), at, name=name) for name in ("rpm", "throttle", "lambda", "gear")]
        )
        file.save(path, overwrite=True, compression=2)
    size = path.stat().st_size
    assert size < 3_000_000
    check_mdf4(path, LARGE)
    with pytest.raises(LogError) as failed:
        check_mdf4(path, 2 * size)
    assert failed.value.code == "too_large"


def refused_or_read(path: Path, data: bytes) -> None:
    path.write_bytes(data)
    try:
        read = read_path(path)
    except LogError as error:
        assert len(str(error)) < 1000
        return
    assert np.all(np.diff(read.time) > 0)


@pytest.mark.parametrize("compression", [0, 2])
def test_truncation_anywhere(tmp_path: Path, compression: int) -> None:
    path = tmp_path / "log.mf4"
    written(path, compression, seconds=10.0)
    data = path.read_bytes()
    for at in range(0, len(data), len(data) // 60):
        refused_or_read(path, data[:at])


@settings(max_examples=80, deadline=None)
@given(data=st.data())
def test_any_damage(tmp_path_factory: pytest.TempPathFactory, data: st.DataObject) -> None:
    path = tmp_path_factory.getbasetemp() / "damage.mf4"
    if not hasattr(test_any_damage, "good"):
        written(path, 1, seconds=10.0)
        test_any_damage.good = path.read_bytes()  # type: ignore[attr-defined]
    good = bytearray(test_any_damage.good)  # type: ignore[attr-defined]
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(64, len(good) - 9))
        new = data.draw(
            st.one_of(
                st.binary(min_size=1, max_size=8),
                st.integers(0, 2**64 - 1).map(lambda n: struct.pack("<Q", n)),
            )
        )
        good[at : at + len(new)] = new
    refused_or_read(path, bytes(good))


@settings(max_examples=60, deadline=None)
@given(rest=st.binary(max_size=400))
def test_any_bytes_behind_the_mark(tmp_path_factory: pytest.TempPathFactory, rest: bytes) -> None:
    refused_or_read(tmp_path_factory.getbasetemp() / "garbage.mf4", b"MDF     4.10    " + rest)
