"""Voltage drops and charging, against published values, and what may be concluded from them."""

from __future__ import annotations

import math

import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.case import TriageRequest
from engine.errors import InputError
from engine.loading import KnowledgeSource, default_root, load_source
from engine.measures import charging, supply
from engine.measures.answer import MeasureAnswer
from engine.measures.charging import charge_at_rest, least_cranking
from engine.measures.run import TypedValue, run
from engine.measures.supply import awg_area, copper_resistance, joint_heat
from engine.triage import Options, Triage

CABLE: dict[str, TypedValue] = {"path": "starter", "current": "150 A", "length": "2 m", "area": "35 mm2"}
VOLTAGE_LOW = {"voltage_low_running": "present", "voltage_too_high_running": "absent"}


@pytest.fixture(scope="module")
def source() -> KnowledgeSource:
    return load_source(default_root())


def states(answer: MeasureAnswer) -> dict[str, str]:
    return {finding.id: finding.state for finding in answer.facts.findings}


def values(answer: MeasureAnswer) -> dict[str, float]:
    return {result.name: result.value for result in answer.results}


def agrees(answer: MeasureAnswer, triage: Triage) -> None:
    """Check that the rules make nothing of the readings that the findings do not say."""
    facts = answer.facts
    after = triage.answer(TriageRequest(findings=facts.findings, measurements=facts.measurements))
    assert after.conflicts == []
    said = states(answer)
    judged = {finding.id for finding in answer.findings}
    for fact in after.derived or ():
        if fact.finding in judged:
            assert fact.state == said.get(fact.finding)


@pytest.mark.parametrize("module", ["supply", "charging"])
def test_the_worked_examples_hold_their_published_values(source: KnowledgeSource, module: str) -> None:
    measure = {"supply": supply, "charging": charging}[module].MEASURE
    here = values(run(source, measure, dict(measure.example)))
    assert measure.published
    for published in measure.published:
        assert here[published.output] == pytest.approx(published.value, rel=published.tolerance)


@pytest.mark.parametrize(
    ("gauge", "area", "at_20", "at_60"),
    # Reference table: ASTM B258 and IACS; square millimetres, milliohm per metre.
    [
        (0, 53.475, 0.3224, 0.3731),
        (4, 21.151, 0.8152, 0.9433),
        (8, 8.366, 2.0609, 2.3849),
        (14, 2.081, 8.2853, 9.5878),
    ],
)
def test_wires_of_the_reference_table(gauge: int, area: float, at_20: float, at_60: float) -> None:
    assert 1e6 * awg_area(gauge) == pytest.approx(area, rel=1e-3)
    assert 1e3 * copper_resistance(1.0, awg_area(gauge), 293.15) == pytest.approx(at_20, rel=1e-3)
    assert 1e3 * copper_resistance(1.0, awg_area(gauge), 333.15) == pytest.approx(at_60, rel=1e-3)


def test_drops_of_the_reference() -> None:
    # Reference: 35 mm2, 2 m, 150 A -> 0.1478 V; 16 mm2, 3 m, 100 A, 60 degC -> 0.3741 V.
    assert 150.0 * copper_resistance(2.0, 35e-6, 293.15) == pytest.approx(0.1478, rel=5e-3)
    assert 100.0 * copper_resistance(3.0, 16e-6, 333.15) == pytest.approx(0.3741, rel=5e-3)


@settings(max_examples=60, deadline=None)
@given(st.floats(0.1, 20.0), st.floats(0.5e-6, 200e-6), st.floats(240.0, 400.0), st.floats(1.01, 3.0))
def test_resistance_grows_with_length_and_heat_and_falls_with_area(
    length: float, area: float, temperature: float, times: float
) -> None:
    here = copper_resistance(length, area, temperature)
    assert here > 0.0
    assert copper_resistance(times * length, area, temperature) == pytest.approx(times * here)
    assert copper_resistance(length, times * area, temperature) == pytest.approx(here / times)
    assert copper_resistance(length, area, temperature + 10.0) > here


@settings(max_examples=40, deadline=None)
@given(st.floats(-3.0, 30.0))
def test_three_gauges_halve_the_copper_and_six_halve_the_diameter(gauge: float) -> None:
    # ASTM B258: six gauges double the diameter within half a per cent (92^(6/39) = 2.005).
    ratio = awg_area(gauge) / awg_area(gauge + 6.0)
    assert math.sqrt(ratio) == pytest.approx(2.0, rel=5e-3)
    assert awg_area(gauge) / awg_area(gauge + 3.0) == pytest.approx(2.0, rel=6e-3)


def test_the_formulas_hold_in_units() -> None:
    # pint carries the dimensions: ohm metre by metre per square metre is ohm, square ampere by ohm is watt.
    units: pint.UnitRegistry[float] = pint.UnitRegistry()
    resistance = 1.7241e-8 * units.ohm * units.meter * (2 * units.meter) / (35 * units.millimeter**2)
    assert resistance.to("ohm").magnitude == pytest.approx(copper_resistance(2.0, 35e-6, 293.15))
    heat = ((150 * units.ampere) ** 2 * resistance).to("watt").magnitude
    assert heat == pytest.approx(joint_heat(copper_resistance(2.0, 35e-6, 293.15), 150.0))


@pytest.mark.parametrize(
    ("readings", "expected"),
    [
        ({"path": "ground", "current": "60 A", "drop": "0.35 V"}, {"voltage_drop_ground_high": "present"}),
        ({"path": "ground", "current": "60 A", "drop": "0.05 V"}, {"voltage_drop_ground_high": "absent"}),
        ({"path": "ground", "current": "60 A", "drop": "0.15 V"}, {}),
        # Next to no load clears nothing, and convicts all the same.
        ({"path": "ground", "current": "2 A", "drop": "0.02 V"}, {}),
        ({"path": "ground", "current": "2 A", "drop": "0.3 V"}, {"voltage_drop_ground_high": "present"}),
        ({"path": "feed", "current": "12 A", "drop": "0.8 V"}, {"voltage_drop_feed_high": "present"}),
        ({"path": "feed", "current": "12 A", "drop": "0.15 V"}, {"voltage_drop_feed_high": "absent"}),
        ({"path": "feed", "current": "0.5 A", "drop": "0.15 V"}, {}),
        # The finding of the knowledge base asks for more than 0.4 V.
        ({"path": "starter", "current": "200 A", "drop": "0.45 V"}, {"battery_cable_drop_high": "present"}),
        ({"path": "starter", "current": "200 A", "drop": "0.2 V"}, {"battery_cable_drop_high": "absent"}),
        # A cable by calculation alone is no reading.
        (CABLE, {}),
    ],
)
def test_what_a_drop_says(
    source: KnowledgeSource, triage: Triage, readings: dict[str, TypedValue], expected: dict[str, str]
) -> None:
    answer = run(source, supply.MEASURE, readings)
    assert states(answer) == expected
    agrees(answer, triage)


@pytest.mark.parametrize(
    ("readings", "where", "words"),
    [
        (CABLE | {"drop": "0.60 V"}, "says", "not the copper"),
        (CABLE | {"drop": "0.60 V"}, "says", "joint by joint"),
        (CABLE | {"drop": "0.60 V"}, "says", "TM 10-3930-671-24"),
        (CABLE | {"drop": "0.02 V"}, "caveats", "Less is lost"),
        (CABLE | {"length": "8 m"}, "says", "too thin or too long"),
    ],
)
def test_what_is_told_of_a_cable(
    source: KnowledgeSource, readings: dict[str, TypedValue], where: str, words: str
) -> None:
    answer = run(source, supply.MEASURE, readings)
    assert any(words in text for text in getattr(answer, where))
    plain = run(source, supply.MEASURE, CABLE | {"drop": "0.15 V"})
    assert not any(words in text for text in getattr(plain, where))


def test_a_joint_is_what_the_copper_leaves(source: KnowledgeSource) -> None:
    # By hand: 0.30 V / 150 A = 2.000 mohm; 1.7241e-8 * 2 / 35e-6 = 0.985 mohm; the rest by 150^2 is 22.8 W.
    here = values(run(source, supply.MEASURE, CABLE | {"drop": "0.30 V"}))
    assert here["excess"] == pytest.approx(1.0148, rel=1e-3)
    assert here["joint_heat"] == pytest.approx(22.83, rel=1e-3)
    assert here["heat"] == pytest.approx(45.0)
    gauge = values(
        run(source, supply.MEASURE, {"path": "feed", "current": "10 A", "length": "3 m", "awg": "14"})
    )
    assert gauge["expected"] == pytest.approx(10.0 * 3.0 * 8.2853e-3, rel=1e-3)


@pytest.mark.parametrize(
    ("path", "current", "cause"),
    [("ground", "60 A", "engine_ground_bad"), ("feed", "12 A", "coil_feed_resistance")],
)
def test_a_drop_moves_its_cause(
    source: KnowledgeSource, triage: Triage, path: str, current: str, cause: str
) -> None:
    for drop, up in (("1.2 V", True), ("0.05 V", False)):
        facts = run(source, supply.MEASURE, {"path": path, "current": current, "drop": drop}).facts
        after = triage.answer(TriageRequest(findings=facts.findings), Options(causes=1000))
        part = next(c for c in after.causes or () if c.id == cause)
        assert (part.probability > 5 * part.prior) if up else (part.probability < part.prior)


@pytest.mark.parametrize(
    ("readings", "where"),
    [
        ({"path": "ground"}, "readings.current"),
        ({"path": "bonnet", "current": "10 A", "drop": "0.1 V"}, "readings.path"),
        ({"path": "ground", "current": "10 A"}, "readings.drop"),
        ({"path": "ground", "current": "10 A", "length": "2 m"}, "readings.drop"),
        ({"path": "ground", "current": "0 A", "drop": "0.1 V"}, "readings.current"),
        ({"path": "ground", "current": "10 V", "drop": "0.1 V"}, "readings.current"),
        ({"path": "ground", "current": "10 A", "drop": "nan V"}, "readings.drop"),
        ({"path": "ground", "current": "10 A", "drop": "24 V"}, "readings.drop"),
        ({"path": "ground", "current": "10 A", "length": "2 m", "awg": "4.5"}, "readings.awg"),
        (CABLE | {"awg": "4"}, "readings.awg"),
    ],
)
def test_bad_drop_readings_are_told(
    source: KnowledgeSource, readings: dict[str, TypedValue], where: str
) -> None:
    with pytest.raises(InputError) as raised:
        run(source, supply.MEASURE, readings)
    assert raised.value.issues[0].field == where


@settings(max_examples=60, deadline=None)
@given(st.floats(10.0, 14.0), st.floats(10.0, 14.0))
def test_more_volts_at_rest_are_no_less_charge(one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert 0.0 <= charge_at_rest(low) <= charge_at_rest(high) <= 1.0


def test_the_tables_of_the_trade_hold_at_their_points() -> None:
    # Common practice, from memory: half charged at 12.24 V, as the rule at 12.2 V has it, about half.
    assert charge_at_rest(12.24) == pytest.approx(0.5)
    assert 0.4 < charge_at_rest(12.2) < 0.5
    assert least_cranking(294.15) == pytest.approx(9.6)
    assert least_cranking(400.0) == pytest.approx(9.6)
    assert least_cranking(200.0) == pytest.approx(8.5)
    assert least_cranking(277.15) < least_cranking(290.15)


@pytest.mark.parametrize(
    ("readings", "expected"),
    [
        ({"rest": "11.9 V"}, {"battery_voltage_low_rest": "present"}),
        ({"rest": "12.6 V"}, {"battery_voltage_low_rest": "absent"}),
        ({"rest": "12.3 V"}, {}),
        # A surface charge clears no battery, and a reading below 8 V is no flat battery.
        ({"rest": "13.4 V"}, {}),
        ({"rest": "6.0 V"}, {}),
        ({"cranking": "8.9 V"}, {"cranking_voltage_low": "present"}),
        ({"cranking": "10.4 V"}, {"cranking_voltage_low": "absent"}),
        # In the cold a sound battery falls below the usual limit.
        ({"cranking": "9.3 V", "temperature": "-5 degC"}, {}),
        ({"cranking": "10.4 V", "temperature": "-5 degC"}, {"cranking_voltage_low": "absent"}),
        ({"cranking": "9.3 V", "temperature": "25 degC"}, {"cranking_voltage_low": "present"}),
        ({"running": "12.5 V"}, VOLTAGE_LOW),
        ({"running": "14.2 V"}, {"voltage_low_running": "absent", "voltage_too_high_running": "absent"}),
        ({"running": "15.8 V"}, {"voltage_low_running": "absent", "voltage_too_high_running": "present"}),
        # The loads count for low, and any reading for high.
        ({"running": "14.2 V", "loaded": "12.6 V"}, VOLTAGE_LOW),
        (
            {"running": "15.8 V", "loaded": "14.2 V"},
            {"voltage_low_running": "absent", "voltage_too_high_running": "present"},
        ),
        # Steered by the computer: low without loads, right with them.
        (
            {"running": "12.6 V", "loaded": "14.0 V"},
            {
                "voltage_low_running": "absent",
                "voltage_too_high_running": "absent",
                "charging_recovers_with_load": "present",
            },
        ),
        (
            {"running": "12.6 V", "loaded": "12.4 V"},
            VOLTAGE_LOW | {"charging_recovers_with_load": "absent"},
        ),
        # Idle clears nothing, and too much is too much at idle.
        ({"idle": "14.1 V"}, {}),
        ({"idle": "12.7 V"}, {}),
        ({"idle": "15.9 V"}, {"voltage_too_high_running": "present"}),
        ({"running": "12.5 V", "speed": "900 rpm"}, {}),
        ({"running": "14.2 V", "speed": "900 rpm"}, {}),
    ],
)
def test_what_voltages_say(
    source: KnowledgeSource, triage: Triage, readings: dict[str, TypedValue], expected: dict[str, str]
) -> None:
    answer = run(source, charging.MEASURE, readings)
    assert states(answer) == expected
    assert answer.says
    agrees(answer, triage)


@pytest.mark.parametrize(
    ("reading", "bad", "good", "cause"),
    [
        ("cranking", "8.5 V", "10.8 V", "battery_weak"),
        ("loaded", "12.3 V", "14.1 V", "alternator_weak"),
        ("running", "16.0 V", "14.2 V", "alternator_overcharging"),
    ],
)
def test_a_voltage_moves_its_cause(
    source: KnowledgeSource, triage: Triage, reading: str, bad: str, good: str, cause: str
) -> None:
    for voltage, up in ((bad, True), (good, False)):
        facts = run(source, charging.MEASURE, {reading: voltage}).facts
        request = TriageRequest(findings=facts.findings, measurements=facts.measurements)
        after = triage.answer(request, Options(causes=1000))
        part = next(c for c in after.causes or () if c.id == cause)
        assert (part.probability > 5 * part.prior) if up else (part.probability < part.prior)


@pytest.mark.parametrize(
    ("readings", "where"),
    [
        ({}, "readings.rest"),
        # Only systems of 12 V.
        ({"rest": "25.2 V"}, "readings.rest"),
        ({"running": "28 V"}, "readings.running"),
        ({"rest": "12.5 A"}, "readings.rest"),
        ({"rest": "12,5 V"}, "readings.rest"),
        ({"rest": "nan V"}, "readings.rest"),
        ({"rest": "10.0 V", "cranking": "12.5 V"}, "readings.cranking"),
        ({"rest": "12.5 V", "speed": "20 rpm"}, "readings.speed"),
    ],
)
def test_bad_voltages_are_told(source: KnowledgeSource, readings: dict[str, TypedValue], where: str) -> None:
    with pytest.raises(InputError) as raised:
        run(source, charging.MEASURE, readings)
    assert raised.value.issues[0].field == where
