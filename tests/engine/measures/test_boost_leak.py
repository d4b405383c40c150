"""Boost leak by pressure decay, against the ideal gas law and the library fluids."""

from __future__ import annotations

import math

import fluids
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.case import TriageRequest
from engine.errors import InputError
from engine.loading import KnowledgeSource, default_root, load_source
from engine.measures import boost_leak
from engine.measures.answer import MeasureAnswer
from engine.measures.orifice import orifice_mass_flow
from engine.measures.run import run
from engine.triage import Triage

BASE = {"volume": "10 L", "start": "100 kPa gauge", "end": "95 kPa gauge", "time": "30 s"}
FULL = {"target": "150 kPa gauge", "engine_flow": "200 g/s"}


@pytest.fixture(scope="module")
def source() -> KnowledgeSource:
    return load_source(default_root())


def values(answer: MeasureAnswer) -> dict[str, float]:
    return {result.name: result.value for result in answer.results}


@pytest.mark.parametrize(
    ("volume", "start", "fall", "seconds", "throughput", "litres", "kg_s", "bore_1", "bore_06"),
    [
        # Worked by hand from the ideal gas law; choked flow at the mean pressure (NACA 1135).
        (10.0, 100.0, 5.0, 30.0, 1.6667, 0.98692, 1.9806e-5, 0.2318, 0.2993),
        (15.0, 150.0, 10.0, 10.0, 15.000, 8.8823, 1.7826e-4, 0.6248, 0.8066),
    ],
)
def test_decay_as_worked_by_hand(
    source: KnowledgeSource,
    volume: float,
    start: float,
    fall: float,
    seconds: float,
    throughput: float,
    litres: float,
    kg_s: float,
    bore_1: float,
    bore_06: float,
) -> None:
    typed = {
        "volume": f"{volume} L",
        "start": f"{start} kPa gauge",
        "end": f"{start - fall} kPa gauge",
        "time": f"{seconds} s",
    }
    for coefficient, bore in ((1.0, bore_1), (0.6, bore_06)):
        found = values(run(source, boost_leak.MEASURE, {**typed, "coefficient": str(coefficient)}))
        assert found["throughput"] == pytest.approx(throughput, rel=1e-3)
        assert found["leak_volume"] == pytest.approx(litres, rel=1e-3)
        assert found["leak"] == pytest.approx(1e3 * kg_s, rel=1e-3)
        assert found["hole"] == pytest.approx(bore, rel=2e-3)


def test_the_leak_at_target_is_that_of_the_library(source: KnowledgeSource) -> None:
    found = values(run(source, boost_leak.MEASURE, {**boost_leak.MEASURE.example}))
    area = math.pi / 4 * (found["hole"] * 1e-3) ** 2
    # API 520 sizing by fluids, turned round: the area that passes this flow is that of the hole.
    sized = fluids.safety_valve.API520_A_g(
        m=found["leak_at_target"] * 1e-3,
        T=323.15,
        Z=1,
        MW=28.9647,
        k=1.4,
        P1=251_325.0,
        P2=101_325.0,
        Kd=1.0,
    )
    assert sized == pytest.approx(area, rel=2e-3)


def test_a_trace_says_what_its_ends_say(source: KnowledgeSource) -> None:
    trace = {"pressures": "100/98.3333/96.6667/95 kPa gauge", "times": "0/10/20/30 s", "volume": "10 L"}
    by_trace = values(run(source, boost_leak.MEASURE, trace))
    by_ends = values(run(source, boost_leak.MEASURE, BASE))
    assert by_trace["throughput"] == pytest.approx(by_ends["throughput"], rel=1e-4)


def test_air_that_cools_is_no_leak(source: KnowledgeSource) -> None:
    # Gay-Lussac: 201.325 kPa at 293.15 K is 200.638 kPa at 292.15 K; 0.687 kPa for each kelvin.
    typed = {**BASE, "end": "99.31 kPa gauge", "temperature": "20 degC", "warming": "-1 K"}
    assert abs(values(run(source, boost_leak.MEASURE, typed))["throughput"]) < 0.01


@given(st.floats(2, 60), st.floats(20, 200), st.floats(0.5, 8), st.floats(5, 120), st.floats(0.4, 1.0))
@settings(max_examples=40, deadline=None)
def test_more_fall_is_more_leak_and_more_share(
    source: KnowledgeSource, volume: float, start: float, fall: float, seconds: float, coefficient: float
) -> None:
    def share(lost: float) -> float:
        typed = {
            "volume": f"{volume} L",
            "start": f"{start} kPa gauge",
            "end": f"{start - lost} kPa gauge",
            "time": f"{seconds} s",
            "coefficient": f"{coefficient}",
        }
        return values(run(source, boost_leak.MEASURE, {**typed, **FULL}))["share"]

    fall = min(fall, 0.4 * start)
    assert share(fall) < share(1.2 * fall)


@given(st.floats(0.5, 6.0), st.floats(20.0, 250.0))
def test_choked_flow_goes_with_pressure_alone(bore: float, boost: float) -> None:
    area = math.pi / 4 * (bore * 1e-3) ** 2
    upstream = 101_325.0 + 1e3 * boost
    flow = orifice_mass_flow(area, 0.7, upstream, 101_325.0, 323.15)
    vacuum = orifice_mass_flow(area, 0.7, upstream, 1_000.0, 323.15)
    if boost > 90.5:
        assert flow == pytest.approx(vacuum, rel=1e-9)
    else:
        assert flow <= vacuum


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"end": "101 kPa gauge"}, "end"),
        ({"end": "0 kPa gauge"}, "end"),
        ({"start": "100 kPa"}, "start"),
        ({"time": "30 kPa"}, "time"),
        ({"pressures": "100/99/98 kPa gauge", "times": "0/10 s"}, "times"),
        ({"pressures": "100/99/98 kPa gauge", "times": "0/20/10 s"}, "times"),
        ({"volume": "-1 L"}, "volume"),
    ],
)
def test_readings_that_cannot_be(source: KnowledgeSource, change: dict[str, str], field: str) -> None:
    with pytest.raises(InputError) as caught:
        run(source, boost_leak.MEASURE, {**BASE, **change})
    assert any(issue.field.startswith(f"readings.{field}") for issue in caught.value.issues)


def test_what_is_missing_is_asked_for(source: KnowledgeSource) -> None:
    with pytest.raises(InputError, match="a trace"):
        run(source, boost_leak.MEASURE, {"volume": "10 L", "start": "100 kPa gauge"})


def test_a_great_leak_moves_the_triage_and_a_tight_inlet_clears_it(
    source: KnowledgeSource, triage: Triage
) -> None:
    def leaks(end: str) -> float:
        answer = run(source, boost_leak.MEASURE, {**BASE, **FULL, "end": end, "time": "10 s"})
        facts = TriageRequest.model_validate(answer.facts.model_dump())
        told = triage.answer(facts)
        assert told.conflicts == []
        assert told.causes is not None
        return sum(cause.probability for cause in told.causes if "leak" in cause.id or "coupler" in cause.id)

    assert leaks("60 kPa gauge") > 10 * leaks("99.5 kPa gauge")


def test_a_large_inlet_that_loses_slowly_is_not_cleared_by_its_rate(source: KnowledgeSource) -> None:
    slow = {"volume": "150 L", "start": "100 kPa gauge", "end": "97 kPa gauge", "time": "10 s"}
    answer = run(source, boost_leak.MEASURE, {**slow, "target": "150 kPa gauge", "engine_flow": "20 g/s"})
    states = {finding.limit: finding.state for finding in answer.findings}
    assert states["boost_leak_share"] == "present"
    assert states["boost_leak_rate_by_decay"] != "present"
    assert answer.facts.measurements == []
    assert [f.state for f in answer.facts.findings] == ["present"]
