"""The oil drain of a turbocharger: what it carries, what stands against it, and what may not be concluded."""

from __future__ import annotations

import fluids
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.case import TriageRequest
from engine.errors import InputError
from engine.loading import KnowledgeSource, default_root, load_source
from engine.measures.answer import MeasureAnswer
from engine.measures.drain_flow import head_of_pressure, oil_density, restrictor_flow, smallest_bore
from engine.measures.oil_drain import MEASURE
from engine.measures.pipe_flow import Pipe, full_flow, half_full_flow
from engine.measures.run import TypedValue, run
from engine.triage import Options, Triage


@pytest.fixture(scope="module")
def source() -> KnowledgeSource:
    return load_source(default_root())


def states(answer: MeasureAnswer) -> dict[str, str]:
    return {finding.id: finding.state for finding in answer.facts.findings}


def values(answer: MeasureAnswer) -> dict[str, float]:
    return {result.name: result.value for result in answer.results}


BASE: dict[str, TypedValue] = {
    "bore": "16 mm",
    "length": "400 mm",
    "fall": "250 mm",
    "temperature": "110 degC",
    "at_40": "90 mm2/s",
    "at_100": "14 mm2/s",
    "feed": "3 L/min",
}


def test_three_kilopascal_hold_up_a_third_of_a_metre() -> None:
    # Hydrostatics: 3 kPa on oil of 870 kg/m3; fluids gives the pressure of that column back.
    head = head_of_pressure(3e3, 870.0)
    assert head == pytest.approx(0.352, abs=1e-3)
    assert fluids.P_from_head(head=head, rho=870.0) == pytest.approx(3e3, rel=1e-5)


def test_density_is_that_of_handbooks() -> None:
    # From memory: engine oil about 870 kg/m3 at 15 degC, 815 at 100.
    assert oil_density(288.15) == pytest.approx(870.0)
    assert oil_density(373.15) == pytest.approx(815.0, rel=0.01)


def test_a_restrictor_of_one_millimetre_passes_about_a_litre() -> None:
    # Q = Cd A sqrt(2 dp/rho) = 0.7 * 7.854e-7 m2 * 30.68 m/s by hand.
    assert 6e4 * restrictor_flow(1e-3, 400e3, 850.0) == pytest.approx(1.012, rel=2e-3)
    assert restrictor_flow(2e-3, 400e3, 850.0) == pytest.approx(4 * restrictor_flow(1e-3, 400e3, 850.0))


def test_the_worked_example_by_hand(source: KnowledgeSource) -> None:
    here = values(run(source, MEASURE, MEASURE.example))
    # v = g S D^2 / (32 nu) = 9.80665 * 0.625 * 0.012^2 / (32 * 18.633e-6) = 1.480 m/s.
    assert here["carries_half"] == pytest.approx(2.511, rel=5e-3)
    assert here["pushed_back"] == pytest.approx(381.6, rel=1e-3)
    assert here["viscosity"] == pytest.approx(9.317, rel=5e-3)


@settings(max_examples=30, deadline=None)
@given(
    st.floats(0.1, 1.0),
    st.floats(0.05, 0.9),
    st.floats(8e-6, 100e-6),
    st.floats(0.2e-4, 2e-4),
    st.floats(0, 2),
)
def test_the_smallest_bore_just_does(
    length: float, share: float, viscosity: float, needed: float, elbows: float
) -> None:
    line, fall = Pipe(0.01, length, sharp=elbows), share * length
    bore = smallest_bore(line, fall, share, viscosity, needed)
    if bore is None:
        return

    def carried(width: float) -> float:
        full = full_flow(Pipe(width, length, sharp=elbows), fall, viscosity)
        return min(full, half_full_flow(width, share, viscosity))

    assert carried(1.02 * bore) >= needed > carried(0.94 * bore)


def test_a_drain_that_cannot_carry_what_comes_is_restricted(source: KnowledgeSource, triage: Triage) -> None:
    answer = run(source, MEASURE, BASE | {"bore": "9 mm", "housing_bore": "18 mm"})
    assert states(answer) == {"turbo_drain_restricted": "present", "drain_fitting_bore_small": "present"}
    after = triage.answer(TriageRequest(findings=answer.facts.findings), Options(causes=1000))
    assert after.conflicts == []
    part = next(c for c in after.causes or () if c.id == "drain_fitting_restricts")
    assert part.probability > 5 * part.prior


def test_a_full_bore_without_an_elbow_moves_the_small_fitting_down(
    source: KnowledgeSource, triage: Triage
) -> None:
    answer = run(source, MEASURE, BASE | {"bore": "18 mm", "housing_bore": "18 mm", "tight_bends": "0"})
    assert states(answer) == {"drain_fitting_bore_small": "absent"}
    after = triage.answer(TriageRequest(findings=answer.facts.findings), Options(causes=1000))
    part = next(c for c in after.causes or () if c.id == "drain_fitting_restricts")
    assert part.probability < part.prior
    unasked = run(source, MEASURE, BASE | {"bore": "18 mm", "housing_bore": "18 mm"})
    assert states(unasked) == {}


def test_an_assumed_feed_is_not_held_against_a_drain_that_is_nearly_enough(source: KnowledgeSource) -> None:
    readings = {name: value for name, value in BASE.items() if name != "feed"} | {"bore": "14 mm"}
    assumed = run(source, MEASURE, readings)
    assert 0.5 < values(assumed)["margin"] < 1.0
    assert states(assumed) == {}
    assert any("journal bearing" in caveat for caveat in assumed.caveats)
    measured = run(source, MEASURE, readings | {"feed": "4 L/min"})
    assert states(measured) == {"turbo_drain_restricted": "present"}


def test_crankcase_pressure_is_not_blamed_on_the_drain(source: KnowledgeSource, triage: Triage) -> None:
    answer = run(source, MEASURE, BASE | {"bore": "20 mm", "crankcase_pressure": "3 kPa gauge"})
    assert states(answer) == {}
    assert values(answer)["carries_pushed"] == 0.0
    assert values(answer)["margin"] > 1.0
    after = triage.answer(TriageRequest(measurements=answer.facts.measurements))
    assert {d.finding for d in after.derived or ()} >= {"crankcase_pressure_high"}
    assert after.conflicts == []


@pytest.mark.parametrize(
    ("more", "expected"),
    [
        ({"flattest": "1 deg"}, {"drain_hose_kinked_or_uphill": "present"}),
        ({"flattest": "-10 deg"}, {"drain_hose_kinked_or_uphill": "present"}),
        ({"flattest": "30 deg"}, {}),
        ({"end_under_oil": "30 mm"}, {"turbo_drain_outlet_below_oil_level": "present"}),
        ({"end_above_oil": "40 mm"}, {}),
        ({"clocking": "50 deg"}, {"turbo_drain_outlet_below_oil_level": "present"}),
        ({"end_above_oil": "40 mm", "clocking": "10 deg"}, {"turbo_drain_outlet_below_oil_level": "absent"}),
        ({"end_above_oil": "40 mm", "clocking": "50 deg"}, {"turbo_drain_outlet_below_oil_level": "present"}),
        ({"end_above_oil": "10 mm", "clocking": "10 deg"}, {}),
    ],
)
def test_how_it_lies(source: KnowledgeSource, more: dict[str, str], expected: dict[str, str]) -> None:
    assert states(run(source, MEASURE, BASE | {"bore": "22 mm"} | more)) == expected


def test_a_drain_that_ends_under_oil_falls_less(source: KnowledgeSource) -> None:
    free = values(run(source, MEASURE, BASE))
    under = values(run(source, MEASURE, BASE | {"end_under_oil": "100 mm"}))
    assert under["carries_full"] < free["carries_full"]
    assert under["carries_full"] == pytest.approx(
        values(run(source, MEASURE, BASE | {"fall": "150 mm", "flattest": "20 deg"}))["carries_full"]
    )


def test_froth_and_cold_oil_take_room(source: KnowledgeSource) -> None:
    plain = values(run(source, MEASURE, BASE | {"foam": "1"}))
    froth = values(run(source, MEASURE, BASE))
    cold = values(run(source, MEASURE, BASE | {"temperature": "40 degC"}))
    assert plain["carries_half"] > froth["carries_half"] > cold["carries_half"]
    assert plain["smallest_bore"] < froth["smallest_bore"] < cold["smallest_bore"]


@pytest.mark.parametrize(
    ("more", "where"),
    [
        ({"bore": "16 kPa"}, "readings.bore"),
        ({"bore": "nan mm"}, "readings.bore"),
        ({"bore": "900 mm"}, "readings.bore"),
        ({"fall": "500 mm"}, "readings.fall"),
        ({"flattest": "80 deg"}, "readings.flattest"),
        ({"crankcase_pressure": "3 kPa"}, "readings.crankcase_pressure"),
        ({"at_100": "80 mm2/s"}, "readings.at_100"),
        ({"end_above_oil": "20 mm", "end_under_oil": "20 mm"}, "readings.end_under_oil"),
    ],
)
def test_bad_readings_are_told(source: KnowledgeSource, more: dict[str, str], where: str) -> None:
    with pytest.raises(InputError) as raised:
        run(source, MEASURE, BASE | more)
    assert raised.value.issues[0].field == where


def test_a_restrictor_needs_its_pressure(source: KnowledgeSource) -> None:
    readings = {name: value for name, value in BASE.items() if name != "feed"} | {"restrictor": "1.5 mm"}
    with pytest.raises(InputError) as raised:
        run(source, MEASURE, readings)
    assert raised.value.issues[0].field == "readings.feed_pressure"
    here = run(source, MEASURE, readings | {"feed_pressure": "400 kPa gauge"})
    assert values(here)["needed"] == pytest.approx(2.3, rel=0.03)
    oil = {name: value for name, value in BASE.items() if not name.startswith("at_")}
    with pytest.raises(InputError) as raised:
        run(source, MEASURE, oil)
    assert raised.value.issues[0].field == "readings.grade"
