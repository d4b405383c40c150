"""Injector flow and duty cycle: golden values, the library, limits, dead time, and what follows."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.case import TriageRequest
from engine.errors import InputError
from engine.loading import KnowledgeSource, default_root, load_source
from engine.measures.answer import MeasureAnswer
from engine.measures.fuel_flow import between, demand, duty_cycle, flow_at, needed_flow
from engine.measures.fuels import AIR_PER_FUEL, least_consumption
from engine.measures.injectors import MEASURE
from engine.measures.run import TypedValue, run
from engine.triage import Options, Triage

BASE: dict[str, TypedValue] = {"flow": "500 cc/min"}
PULSE = BASE | {"rail": "400 kPa gauge", "manifold": "100 kPa gauge", "speed": "6500 rpm"}


@pytest.fixture(scope="module")
def source() -> KnowledgeSource:
    return load_source(default_root())


def states(answer: MeasureAnswer) -> dict[str, str]:
    return {finding.id: finding.state for finding in answer.facts.findings}


def value(answer: MeasureAnswer, name: str) -> float:
    return next(r.value for r in answer.results if r.name == name)


@pytest.mark.parametrize(("pressure", "flow"), [(400.0, 577.35), (250.0, 456.44), (200.0, 408.25)])
def test_square_root_law(pressure: float, flow: float) -> None:
    # reference.md section 9: 500 cc/min at 300 kPa; 200 is an unreferenced 300 kPa rail at 100 kPa boost.
    assert flow_at(500.0, 300.0, pressure) == pytest.approx(flow, rel=1e-5)


@settings(max_examples=50, deadline=None)
@given(st.floats(100e3, 600e3), st.floats(100e3, 600e3))
def test_square_root_law_agrees_with_the_library(first: float, second: float) -> None:
    """Differential: fluids' discharge equation, coefficient and expansion held constant."""
    meter = pytest.importorskip("fluids.flow_meter")

    def discharge(pressure: float) -> float:
        return float(
            meter.flow_meter_discharge(
                D=0.006, Do=0.0008, P1=pressure, P2=0.0, rho=745.0, C=0.8, expansibility=1.0
            )
        )

    assert flow_at(discharge(first), first, second) == pytest.approx(discharge(second), rel=1e-9)


@pytest.mark.parametrize(("pulse", "speed", "duty"), [(16e-3, 6000.0, 0.80), (12e-3, 7000.0, 0.70)])
def test_duty_cycle(pulse: float, speed: float, duty: float) -> None:
    # reference.md section 9: PW rpm / 1200, by definition.
    assert duty_cycle(pulse, speed) == pytest.approx(duty)


def test_needed_flow() -> None:
    # reference.md section 9, common-practice specific consumption: 200 kW, and 300 hp at 0.55 lb/hp h.
    assert 6e7 * needed_flow(200e3, 340e-3 / 3.6e6, 4, 0.80, 745.0) == pytest.approx(475.4, rel=1e-3)
    power, consumption = 300 * 745.699872, 0.55 * 0.45359237 / (745.699872 * 3600)
    assert 6e7 * needed_flow(power, consumption, 4, 0.80, 745.0) == pytest.approx(523.2, rel=1e-3)
    assert 3600 * demand(200e3, 340e-3 / 3.6e6, 1.0) == pytest.approx(68.0, rel=1e-3)


@settings(max_examples=60, deadline=None)
@given(
    st.floats(20e3, 1e6),
    st.floats(7e-8, 3e-7),
    st.integers(1, 12),
    st.floats(0.5, 1.0),
    st.floats(650.0, 850.0),
)
def test_needed_flow_is_a_mass_balance(
    power: float, use: float, number: int, duty: float, rho: float
) -> None:
    flow = needed_flow(power, use, number, duty, rho)
    assert flow * number * duty * rho == pytest.approx(power * use)
    assert flow * number * duty == pytest.approx(demand(power, use, rho))
    assert needed_flow(2 * power, use, number, duty, rho) == pytest.approx(2 * flow)


def test_tables_are_read_as_numpy_reads_them() -> None:
    numpy = pytest.importorskip("numpy")
    volts, times = (9.0, 11.0, 13.5, 15.0), (2.0, 1.4, 0.95, 0.8)
    for volt in (8.0, 9.0, 10.2, 12.75, 13.5, 14.1, 16.0):
        assert between(volt, volts, times) == pytest.approx(float(numpy.interp(volt, volts, times)))


def test_air_of_each_fuel_is_its_element_balance() -> None:
    combustion = pytest.importorskip("chemicals.combustion")
    # reference.md section 8 has 9.799 and 6.472 of a mixture model; here by the balance of the elements.
    methanol = combustion.combustion_stoichiometry({"C": 1, "H": 4, "O": 1})
    assert -methanol["O2"] / 0.2095 * 28.9647 / 32.042 == pytest.approx(AIR_PER_FUEL["methanol"], abs=0.02)
    petrol = (1 + 1.85 / 4) / 0.2095 * 28.9647 / (12.011 + 1.85 * 1.008)
    assert petrol == pytest.approx(AIR_PER_FUEL["petrol"], abs=0.02)
    ethanol = 3.0 / 0.2095 * 28.9647 / 46.069
    share = 0.85 * 789 / (0.85 * 789 + 0.15 * 745)
    assert share * ethanol + (1 - share) * petrol == pytest.approx(AIR_PER_FUEL["e85"], abs=0.02)
    assert least_consumption("petrol") < least_consumption("e85") < least_consumption("methanol")


def test_the_example(source: KnowledgeSource) -> None:
    answer = run(source, MEASURE, dict(MEASURE.example))
    assert value(answer, "flow_real") == pytest.approx(577.35, rel=1e-4)
    assert value(answer, "duty") == pytest.approx(80.0)
    assert value(answer, "needed") == pytest.approx(475.4, rel=1e-3)
    assert states(answer) == {}


def test_an_unreferenced_rail_at_boost_flows_less(source: KnowledgeSource) -> None:
    answer = run(source, MEASURE, BASE | {"rail": "300 kPa gauge", "manifold": "100 kPa gauge"})
    assert value(answer, "flow_real") == pytest.approx(408.25, rel=1e-4)
    assert any("does the regulator follow" in caveat for caveat in answer.caveats)
    absolute = run(source, MEASURE, BASE | {"rail": "401.325 kPa abs", "manifold": "201.325 kPa abs"})
    assert value(absolute, "flow_real") == pytest.approx(408.25, rel=1e-4)


def test_dead_time_from_the_table_is_taken_off(source: KnowledgeSource) -> None:
    readings = PULSE | {
        "pulse": "12 ms",
        "speed": "7000 rpm",
        "dead_volts": "10/12/14 V",
        "dead_times": "1.6/1.2/0.9 ms",
        "supply": "13 V",
        "power": "150 kW",
    }
    answer = run(source, MEASURE, readings)
    # Half way between 1.2 and 0.9 ms; 1.05 ms at 7,000 rpm are 6.125 % of the cycle.
    assert value(answer, "dead") == pytest.approx(1.05)
    assert value(answer, "open_duty") == pytest.approx(70.0 - 6.125)
    plain = run(source, MEASURE, {k: v for k, v in readings.items() if k not in ("dead_volts", "dead_times")})
    assert value(plain, "power_most") > value(answer, "power_most")
    assert value(answer, "power_most") / value(plain, "power_most") == pytest.approx(
        (85 - 6.125) / 85, rel=1e-4
    )
    assert value(answer, "duty_at_power") == pytest.approx(value(plain, "duty_at_power") + 6.125, rel=1e-4)
    assert any("dead time" in caveat for caveat in plain.caveats)
    low = run(source, MEASURE, readings | {"supply": "11 V"})
    assert value(low, "open_duty") < value(answer, "open_duty")


@settings(max_examples=40, deadline=None)
@given(st.floats(1.0, 25.0), st.floats(1000.0, 9000.0), st.floats(0.0, 1.0))
def test_power_of_a_pulse_is_what_its_needed_flow_says(
    source: KnowledgeSource, pulse: float, speed: float, dead: float
) -> None:
    if duty_cycle(pulse * 1e-3, speed) > 0.99 or dead >= 0.9 * pulse:
        return
    typed = BASE | {"pulse": f"{pulse:.5f} ms", "speed": f"{speed:.3f} rpm", "dead_time": f"{dead:.5f} ms"}
    power = value(run(source, MEASURE, typed), "power_now")
    if power < 10.0:
        return
    back = run(source, MEASURE, typed | {"power": f"{power:.4f} kW"})
    assert value(back, "duty_at_power") == pytest.approx(100 * duty_cycle(pulse * 1e-3, speed), rel=1e-3)


def test_one_that_never_closes_has_no_dead_time(source: KnowledgeSource) -> None:
    answer = run(source, MEASURE, PULSE | {"pulse": "20 ms", "dead_time": "1 ms"})
    assert value(answer, "duty") == pytest.approx(20 * 6500 / 1200, rel=1e-5)
    assert value(answer, "open_duty") == 100.0


@pytest.mark.parametrize(
    ("readings", "expected"),
    [
        (PULSE | {"pulse": "17 ms"}, {"injector_duty_over_limit": "present"}),
        (BASE | {"pulse": "17 ms", "speed": "6500 rpm"}, {"injector_duty_over_limit": "present"}),
        (PULSE | {"pulse": "13 ms"}, {"injector_duty_over_limit": "absent"}),
        # 80 % with the doubt of a tachometer is not surely at most 80 %.
        (PULSE | {"pulse": "14.769 ms"}, {}),
        # Little duty without boost, or at low speed, shows no reserve.
        (PULSE | {"pulse": "13 ms", "manifold": "20 kPa gauge"}, {}),
        (PULSE | {"pulse": "13 ms", "speed": "4000 rpm"}, {}),
        (BASE | {"pulse": "13 ms", "speed": "6500 rpm"}, {}),
        # What a power would ask is a plan, not a reading of the car.
        (BASE | {"power": "400 kW"}, {}),
    ],
)
def test_what_follows(
    source: KnowledgeSource, triage: Triage, readings: dict[str, TypedValue], expected: dict[str, str]
) -> None:
    answer = run(source, MEASURE, readings)
    assert states(answer) == expected
    request = TriageRequest(findings=answer.facts.findings, measurements=answer.facts.measurements)
    told = triage.answer(request, Options(parts=frozenset({"derived"})))
    assert told.conflicts == []
    # The rules say no more than is implied here.
    derived = {d.finding: d.state for d in told.derived or () if d.finding == "injector_duty_over_limit"}
    assert derived.items() <= expected.items()


def test_injectors_at_their_end_move_up_and_a_reserve_down(source: KnowledgeSource, triage: Triage) -> None:
    def share(pulse: str) -> tuple[float, float]:
        answer = run(source, MEASURE, PULSE | {"pulse": pulse})
        request = TriageRequest(findings=answer.facts.findings, measurements=answer.facts.measurements)
        told = triage.answer(request, Options(causes=1000))
        part = next(c for c in told.causes or () if c.id == "injectors_too_small")
        return part.probability, part.prior

    probability, prior = share("18 ms")
    assert probability > 10 * prior
    probability, prior = share("12 ms")
    assert probability < prior


@pytest.mark.parametrize(
    ("readings", "where"),
    [
        ({}, "readings.flow"),
        ({"flow": "500 kPa"}, "readings.flow"),
        ({"flow": "nan cc/min"}, "readings.flow"),
        (BASE | {"rail": "300 kPa", "manifold": "0 kPa gauge"}, "readings.rail"),
        (BASE | {"rail": "300 kPa gauge"}, "readings.manifold"),
        (BASE | {"rail": "100 kPa gauge", "manifold": "150 kPa gauge"}, "readings.rail"),
        (
            BASE | {"difference": "300 kPa", "rail": "300 kPa gauge", "manifold": "0 kPa gauge"},
            "readings.difference",
        ),
        (BASE | {"pulse": "10 ms"}, "readings.speed"),
        (BASE | {"pulse": "10 ms", "speed": "700 degC"}, "readings.speed"),
        (BASE | {"pulse": "50 ms", "speed": "7000 rpm"}, "readings.pulse"),
        (BASE | {"pulse": "1 ms", "speed": "7000 rpm", "dead_time": "2 ms"}, "readings.dead_time"),
        (BASE | {"dead_volts": "10/12 V", "dead_times": "1.5/1.2 ms"}, "readings.supply"),
        (BASE | {"dead_volts": "10/12 V", "dead_times": "1.5/1.2 ms", "supply": "14 V"}, "readings.supply"),
        (
            BASE | {"dead_volts": "12/10 V", "dead_times": "1.2/1.5 ms", "supply": "11 V"},
            "readings.dead_volts",
        ),
        (
            BASE | {"dead_volts": "10/12 V", "dead_times": "1.2/1.5 ms", "supply": "11 V"},
            "readings.dead_times",
        ),
        (
            BASE
            | {"dead_volts": "10/12 V", "dead_times": "1.5/1.2 ms", "supply": "11 V", "dead_time": "1 ms"},
            "readings.dead_time",
        ),
        # 340 g/kWh is petrol's.
        (BASE | {"fuel": "e85"}, "readings.consumption"),
        (BASE | {"fuel": "methanol", "consumption": "500 g/kWh"}, "readings.consumption"),
    ],
)
def test_bad_readings_are_told(source: KnowledgeSource, readings: dict[str, TypedValue], where: str) -> None:
    with pytest.raises(InputError) as raised:
        run(source, MEASURE, readings)
    assert raised.value.issues[0].field == where


def test_e85_asks_for_larger_injectors(source: KnowledgeSource) -> None:
    petrol = run(source, MEASURE, BASE | {"power": "200 kW"})
    e85 = run(source, MEASURE, BASE | {"power": "200 kW", "fuel": "e85", "consumption": "500 g/kWh"})
    assert value(e85, "needed") / value(petrol, "needed") == pytest.approx(500 / 340, rel=1e-4)
    assert math.isfinite(value(e85, "power_most"))
