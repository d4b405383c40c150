"""The synthetic car does what a car does, and its faults have the size that they are given."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from engine.loading import KnowledgeSource, default_root, load_source
from engine.logs.reading import read_log
from engine.logs.segments import segments_of
from engine.logs.stretch import Floats, Span, Stretch
from tests.logs.model import STEPS, Recording, record, to_stretch
from tests.logs.model_car import car_of
from tests.logs.model_channels import delayed, lagged
from tests.logs.model_faults import FAULTS
from tests.logs.model_files import (
    EXAMPLE,
    STYLES,
    UNITS,
    example,
    example_bytes,
    mapping_for,
    stream_csv,
    write_csv,
    write_mdf4,
)

EVERYTHING = frozenset(STEPS)
SEEDS = (3, 4, 1001)


@lru_cache(maxsize=1)
def knowledge() -> KnowledgeSource:
    return load_source(default_root())


@lru_cache(maxsize=24)
def session(seed: int, fault: str = "", size: float = 0.0) -> tuple[Recording, Stretch]:
    made = record(seed, {fault: size} if fault else {}, also_logged=EVERYTHING, dyno=False, sample_hz=50.0)
    return made, to_stretch(made)


def pulls(stretch: Stretch) -> list[Span]:
    return [pull.span for pull in segments_of(stretch).pulls]


def settled_mean(stretch: Stretch, name: str, other: str | None = None) -> float:
    """The mean over the last third of the pulls."""
    values = stretch.channel(name) - (stretch.channel(other) if other else 0.0)
    ends = [values[span.start + 2 * len(span) // 3 : span.end] for span in pulls(stretch)]
    return float(np.mean(np.concatenate(ends)))


@pytest.mark.parametrize("seed", SEEDS)
def test_a_sound_car_meets_its_targets(seed: int) -> None:
    made, stretch = session(seed)
    assert len(pulls(stretch)) >= 4
    assert abs(settled_mean(stretch, "boost", "boost_target")) < 6.0
    assert abs(settled_mean(stretch, "lambda", "lambda_target")) < 0.03
    over = stretch.channel("fuel_pressure") - stretch.channel("boost")
    running = stretch.channel("engine_speed") > 1500.0
    assert float(np.std(over[running])) < 12.0
    assert made.channels["injector_duty"].max() < 82.0


@pytest.mark.parametrize("seed", SEEDS)
def test_with_the_engine_off_the_manifold_reads_the_air_and_the_battery_rests(seed: int) -> None:
    made, _ = session(seed)
    off = made.channels["engine_speed"] < 1.0
    assert off[: int(2.5 * made.car.sample_hz)].all()
    assert abs(float(np.median(made.channels["boost"][off]))) < 1.5
    assert 12.0 < float(np.median(made.channels["battery_voltage"][off])) < 12.9
    cranking = (made.time > 3.2) & (made.time < 3.7)
    assert float(made.channels["battery_voltage"][cranking].min()) < 11.2
    idle = (made.time > 8.0) & (made.time < 12.0)
    assert 450.0 < float(np.median(made.channels["engine_speed"][idle])) < 1200.0
    assert -75.0 < float(np.median(made.channels["boost"][idle])) < -40.0


@pytest.mark.parametrize("seed", SEEDS)
def test_gear_ratios_tie_engine_and_wheels(seed: int) -> None:
    made, stretch = session(seed)
    for span in pulls(stretch):
        inside = slice(span.start + 20, span.end - 20)
        gear = round(float(np.median(stretch.channel("gear")[inside])))
        ratio = stretch.channel("engine_speed")[inside] / (
            stretch.channel("driven_wheel_speed")[inside] / 3.6
        )
        assert float(np.median(ratio)) == pytest.approx(made.car.rpm_per_ms(gear), rel=0.01)


def test_boost_comes_up_with_engine_speed_and_never_beyond_what_control_allows() -> None:
    for seed in range(8):
        _, stretch = (
            session(seed) if seed in SEEDS else (None, to_stretch(record(seed, also_logged=EVERYTHING)))
        )
        for span in pulls(stretch):
            over = (stretch.channel("boost") - stretch.channel("boost_target"))[span.slice]
            assert float(over.max()) < 15.0


def test_oil_pressure_rises_with_speed_up_to_the_relief_valve_and_falls_with_heat() -> None:
    made, stretch = session(1001)
    speed, oil = stretch.channel("engine_speed"), stretch.channel("oil_pressure")
    slow = float(np.median(oil[(speed > 600) & (speed < 1100)]))
    middle = float(np.median(oil[(speed > 2200) & (speed < 2600)]))
    assert slow < middle
    assert float(oil.max()) < made.car.relief_kpa * 1.15
    cold = to_stretch(record(1001, also_logged=EVERYTHING, dyno=False, start="cold", sample_hz=50.0))
    early = (cold.time > 8.0) & (cold.time < 12.0)
    assert float(np.median(cold.channel("oil_pressure")[early])) > slow


def fault_size(seed: int, fault: str, size: float, name: str, other: str | None = None) -> float:
    """By how much a fault moves the late part of the pulls."""
    return settled_mean(session(seed, fault, size)[1], name, other) - settled_mean(
        session(seed)[1], name, other
    )


@pytest.mark.parametrize(
    ("fault", "size", "name", "other", "wanted", "tolerance"),
    [
        ("boost_leak", 30.0, "boost", "boost_target", -32.0, 5.0),
        ("overboost", 30.0, "boost", "boost_target", 30.0, 5.0),
        ("fuel_reference_lost", 1.0, "fuel_pressure", None, -160.0, 110.0),
        ("fuel_pump", 60.0, "fuel_pressure", None, -55.0, 12.0),
        ("voltage_falls", 1.2, "battery_voltage", None, -1.1, 0.25),
        ("tank_pressure", 10.0, "tank_pressure", None, 10.0, 1.5),
        ("crankcase", 8.0, "crankcase_pressure", None, 8.0, 1.2),
        ("coolant_pressure_boost", 40.0, "coolant_pressure", None, 40.0, 6.0),
        ("wideband_stuck", 1.0, "lambda", None, 0.05, 0.08),
    ],
)
@pytest.mark.parametrize("seed", [3, 1001])
def test_a_fault_has_its_size(
    seed: int, fault: str, size: float, name: str, other: str | None, wanted: float, tolerance: float
) -> None:
    assert fault_size(seed, fault, size, name, other) == pytest.approx(wanted, abs=tolerance)


def test_a_larger_fault_shows_more() -> None:
    moved = [fault_size(3, "lean", size, "lambda", "lambda_target") for size in (0.03, 0.06, 0.12)]
    assert 0.0 < moved[0] < moved[1] < moved[2]


def test_fuel_pressure_lost_makes_lean_as_the_root_of_what_is_left() -> None:
    # An injector passes with the root of the pressure across it (handbook: orifice of constant coefficient).
    made, stretch = session(3, "fuel_reference_lost", 1.0)
    across = settled_mean(stretch, "fuel_pressure", "boost") / made.car.fuel_base_kpa
    sound = settled_mean(session(3)[1], "lambda")
    assert settled_mean(stretch, "lambda") == pytest.approx(sound / np.sqrt(across), rel=0.05)


def test_the_same_seed_gives_the_same_recording_and_a_fault_changes_nothing_else() -> None:
    one, other = record(8), record(8)
    assert one.channels.keys() == other.channels.keys()
    assert all(np.array_equal(one.channels[name], other.channels[name]) for name in one.channels)
    lean, sound = session(3, "lean", 0.1)[0], session(3)[0]
    for name in ("engine_speed", "boost", "oil_pressure", "battery_voltage"):
        assert np.array_equal(lean.channels[name], sound.channels[name])


def test_cars_differ_as_real_ones_do() -> None:
    cars = [car_of(seed) for seed in range(60)]
    assert {car.sample_hz for car in cars} >= {10.0, 25.0, 50.0, 100.0}
    assert min(car.boost_kpa for car in cars) < 75.0
    assert max(car.boost_kpa for car in cars) > 160.0
    assert {car.dyno for car in cars} == {True, False}
    without_target = sum("boost_target" not in car.logged for car in cars)
    assert 5 < without_target < 30


def test_a_lag_reaches_63_per_cent_in_its_time() -> None:
    step = np.concatenate((np.zeros(1), np.ones(400)))
    assert lagged(step, 1.0)[100] == pytest.approx(1.0 - np.exp(-1.0), abs=0.005)
    assert np.array_equal(delayed(step, 0.5)[:51], np.zeros(51))


def test_every_fault_names_findings_of_the_knowledge_base() -> None:
    findings = knowledge().findings
    channels = {name.removeprefix("logged_") for name in knowledge().channels}
    for fault in FAULTS:
        assert fault.findings <= findings.keys(), fault.told
        assert fault.also <= findings.keys(), fault.told
        assert fault.needs <= channels
    assert UNITS.keys() <= channels


def same(one: Floats, other: Floats, share: float) -> bool:
    known = ~np.isnan(one) & ~np.isnan(other)
    return bool(known.mean() > 0.9) and float(np.abs(one - other)[known].max()) <= share


@pytest.mark.parametrize("style", STYLES)
def test_each_form_of_text_is_read_as_what_was_written(style: str, tmp_path: Path) -> None:
    made = record(3, also_logged=frozenset({"boost_target", "barometer", "oil_pressure"}), sample_hz=20.0)
    write_csv(made, tmp_path / "log.csv", style)
    reader = read_log(tmp_path / "log.csv", knowledge(), mapping_for(style))
    read = list(reader.stretches())
    assert not reader.questions
    if style in ("gaps", "resets"):
        assert len(read) == 3
    for name in ("engine_speed", "boost", "lambda", "oil_pressure", "coolant_temperature", "boost_target"):
        values = np.concatenate([stretch.channel(name) for stretch in read])
        if len(read) == 1:
            assert same(values[: made.time.size], made.channels[name][: values.size], 1.0), name
        else:
            wanted = np.median(made.channels[name])
            assert float(np.nanmedian(values)) == pytest.approx(wanted, rel=0.25, abs=3.0), name


def test_mdf4_is_read_as_what_was_written(tmp_path: Path) -> None:
    made = record(3, sample_hz=20.0)
    made = replace(
        made, channels={n: v for n, v in made.channels.items() if n not in ("boost", "boost_target")}
    )
    write_mdf4(made, tmp_path / "log.mf4")
    (read,) = read_log(tmp_path / "log.mf4", knowledge()).stretches()
    for name in ("engine_speed", "lambda", "throttle"):
        assert same(read.channel(name)[: made.time.size], made.channels[name][: read.length], 0.6), name


def test_a_large_log_repeats_sessions_on_one_clock(tmp_path: Path) -> None:
    seconds = stream_csv(6_000_000, tmp_path / "large.csv", 20.0)
    assert (tmp_path / "large.csv").stat().st_size >= 6_000_000
    lines = (tmp_path / "large.csv").read_text(encoding="utf-8").splitlines()
    times = np.array([float(line.split(",", 1)[0]) for line in lines[1:]])
    assert np.all(np.diff(times) > 0.0)
    assert times[-1] == pytest.approx(seconds, abs=1.0)
    assert len({line.count(",") for line in lines}) == 1


def test_the_example_log_can_be_made_again() -> None:
    assert EXAMPLE.read_bytes() == example_bytes()
    assert len(example_bytes()) < 400_000
    assert 60.0 <= float(example().time[-1]) <= 95.0
