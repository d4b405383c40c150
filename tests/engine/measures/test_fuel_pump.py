"""Fuel pump against demand: mass balance, voltage, and that only its own flow says something of a pump."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.answer import TriageAnswer
from engine.case import TriageRequest
from engine.errors import InputError
from engine.loading import KnowledgeSource, default_root, load_source
from engine.measures.answer import MeasureAnswer
from engine.measures.fuel_flow import at_voltage, demand
from engine.measures.fuel_pump import MEASURE
from engine.measures.run import TypedValue, run
from engine.triage import Options, Triage

BASE: dict[str, TypedValue] = dict(MEASURE.example)


@pytest.fixture(scope="module")
def source() -> KnowledgeSource:
    return load_source(default_root())


def states(answer: MeasureAnswer) -> dict[str, str]:
    return {finding.id: finding.state for finding in answer.facts.findings}


def value(answer: MeasureAnswer, name: str) -> float:
    return next(r.value for r in answer.results if r.name == name)


def asked(triage: Triage, answer: MeasureAnswer) -> TriageAnswer:
    return triage.answer(TriageRequest(findings=answer.facts.findings), Options(causes=1000))


def part(told: TriageAnswer, cause: str) -> tuple[float, float]:
    found = next(c for c in told.causes or () if c.id == cause)
    return found.probability, found.prior


def test_the_example(source: KnowledgeSource) -> None:
    answer = run(source, MEASURE, BASE)
    # By hand: 250 kW at 340 g/kWh are 85 kg/h, 85 / 0.745 L/h; half way between 225 and 190 L/h.
    assert value(answer, "need") == pytest.approx(85 / 0.745, rel=1e-5)
    assert value(answer, "capacity") == pytest.approx(207.5)
    assert value(answer, "returned") == pytest.approx(207.5 - 85 / 0.745, rel=1e-4)
    assert value(answer, "margin") == pytest.approx(100 * (207.5 * 0.745 / 85 - 1), rel=1e-4)
    assert states(answer) == {}


@settings(max_examples=60, deadline=None)
@given(st.floats(20e3, 1e6), st.floats(7e-8, 3e-7), st.floats(650.0, 850.0), st.floats(1.01, 3.0))
def test_demand_is_a_mass_balance(power: float, use: float, density: float, more: float) -> None:
    here = demand(power, use, density)
    assert here * density == pytest.approx(power * use)
    assert demand(more * power, use, density) == pytest.approx(more * here)


@settings(max_examples=60, deadline=None)
@given(st.floats(10.0, 500.0), st.floats(6.0, 16.0), st.floats(11.0, 14.0), st.floats(0.1, 2.0))
def test_flow_rises_with_voltage_and_meets_the_rated_one(
    flow: float, volt: float, rated: float, up: float
) -> None:
    assert at_voltage(flow, rated, rated) == pytest.approx(flow)
    assert 0.0 <= at_voltage(flow, volt, rated) < at_voltage(flow, volt + up, rated)
    # It loses more than in proportion.
    if volt < rated:
        assert at_voltage(flow, volt, rated) <= flow * volt / rated


@settings(max_examples=30, deadline=None)
@given(st.floats(300.0, 499.0), st.floats(10.0, 14.0))
def test_more_pressure_or_less_voltage_leaves_less_in_hand(
    source: KnowledgeSource, rail: float, volt: float
) -> None:
    typed = BASE | {"rail": f"{rail:.2f} kPa gauge", "voltage": f"{volt:.3f} V"}
    here = run(source, MEASURE, typed)
    higher = run(source, MEASURE, typed | {"rail": f"{rail + 1:.2f} kPa gauge"})
    weaker = run(source, MEASURE, typed | {"voltage": f"{volt - 0.5:.3f} V"})
    assert value(higher, "margin") < value(here, "margin")
    assert value(weaker, "margin") < value(here, "margin")
    # What the pump can feed needs all that it gives.
    whole = run(source, MEASURE, typed | {"power": f"{value(here, 'power_most'):.6f} kW"})
    assert value(whole, "margin") == pytest.approx(0.0, abs=1e-2)


def test_two_pumps_give_twice(source: KnowledgeSource) -> None:
    one, two = run(source, MEASURE, BASE), run(source, MEASURE, BASE | {"pumps": "2"})
    assert value(two, "capacity") == pytest.approx(2 * value(one, "capacity"))


MEASURED = BASE | {"table_is": "measured"}


@pytest.mark.parametrize(
    ("readings", "expected"),
    [
        (MEASURED, {"pump_flow_low": "absent"}),
        (MEASURED | {"power": "450 kW"}, {"pump_flow_low": "present"}),
        (MEASURED | {"power": "390 kW"}, {}),
        # A data sheet is a plan, not a reading of this pump, either way.
        (BASE, {}),
        (BASE | {"power": "450 kW"}, {}),
        (BASE | {"voltage": "12.3 V", "battery": "13.9 V"}, {"pump_voltage_low": "present"}),
        (BASE | {"voltage": "13.7 V", "battery": "13.9 V"}, {"pump_voltage_low": "absent"}),
        (BASE | {"voltage": "13.2 V", "battery": "13.9 V"}, {}),
    ],
)
def test_what_follows(
    source: KnowledgeSource, triage: Triage, readings: dict[str, TypedValue], expected: dict[str, str]
) -> None:
    answer = run(source, MEASURE, readings)
    assert states(answer) == expected
    assert asked(triage, answer).conflicts == []


def test_flow_and_voltage_move_their_causes(source: KnowledgeSource, triage: Triage) -> None:
    low = asked(triage, run(source, MEASURE, MEASURED | {"power": "450 kW"}))
    good = asked(triage, run(source, MEASURE, MEASURED))
    for cause in ("fuel_pump_weak", "in_tank_hose_split"):
        assert part(low, cause)[0] > 10 * part(low, cause)[1]
        assert part(good, cause)[0] < part(good, cause)[1]
    starved = asked(triage, run(source, MEASURE, BASE | {"voltage": "12.3 V", "battery": "13.9 V"}))
    probability, prior = part(starved, "pump_wiring_too_thin")
    assert probability > 10 * prior
    assert starved.verdict.verdict == "mend_first"


def test_what_is_not_safe_to_plan_by_is_told(source: KnowledgeSource) -> None:
    answer = run(source, MEASURE, BASE | {"power": "450 kW", "voltage": "9 V"})
    assert any("larger or second" in line for line in answer.says)
    assert any("data sheet" in caveat for caveat in answer.caveats)
    assert any("straight-line" in caveat for caveat in answer.caveats)
    assert any("outside 10.5 V to 16 V" in caveat for caveat in answer.caveats)


@pytest.mark.parametrize(
    ("readings", "where"),
    [
        ({}, "readings.pump_pressures"),
        (BASE | {"rail": "450 kPa"}, "readings.rail"),
        (BASE | {"rail": "450 L/h gauge"}, "readings.rail"),
        (BASE | {"rail": "520 kPa gauge"}, "readings.rail"),
        (BASE | {"power": "nan kW"}, "readings.power"),
        (BASE | {"power": "9000 kW"}, "readings.power"),
        (BASE | {"pump_flows": "255/225 L/h"}, "readings.pump_flows"),
        (BASE | {"pump_flows": "190/225/255 L/h"}, "readings.pump_flows"),
        (BASE | {"pump_pressures": "500/400/300 kPa gauge"}, "readings.pump_flows"),
        (BASE | {"fuel": "e85"}, "readings.consumption"),
    ],
)
def test_bad_readings_are_told(source: KnowledgeSource, readings: dict[str, TypedValue], where: str) -> None:
    with pytest.raises(InputError) as raised:
        run(source, MEASURE, readings)
    assert raised.value.issues[0].field == where
