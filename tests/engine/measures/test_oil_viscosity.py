"""Oil viscosity, against published sheets and an open library."""

from __future__ import annotations

from itertools import pairwise

import pytest
from chemicals import viscosity_index
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from engine.case import TriageRequest
from engine.errors import InputError
from engine.loading import KnowledgeSource, default_root, load_source
from engine.measures.oil_viscosity import (
    GRADES,
    MEASURE,
    WINDOW_MM2_S,
    beyond_window,
    oil_of_grade,
    viscosity_at,
    walther_constants,
)
from engine.measures.run import run
from engine.triage import Options, Triage

KELVIN = 273.15
INDEX_OF_WINTER_GRADE = {"0W": 170.0, "5W": 165.0, "10W": 150.0, "15W": 140.0, "20W": 125.0}


@pytest.fixture(scope="module")
def source() -> KnowledgeSource:
    return load_source(default_root())


def test_the_constants_of_a_published_sheet() -> None:
    # Published sheet quoted in the reference values, K = degC + 273: 32 at 40, 5.4 at 100 mm2/s.
    a, b = walther_constants(32e-6, 40.0 + KELVIN, 5.4e-6, 100.0 + KELVIN, zero_k=273.0)
    assert a == pytest.approx(9.5259, abs=1e-4)
    assert b == pytest.approx(3.7449, abs=1e-4)
    # It prints 8.5 at 80 degC; 8.533 by hand.
    assert 1e6 * viscosity_at(32e-6, 5.4e-6, 80.0 + KELVIN) == pytest.approx(8.533, rel=5e-3)


def test_the_constants_with_273_15() -> None:
    # Worked out by hand, reference values: 90 at 40, 14 at 100 mm2/s.
    a, b = walther_constants(90e-6, 40.0 + KELVIN, 14e-6, 100.0 + KELVIN)
    assert a == pytest.approx(7.65256, abs=2e-5)
    assert b == pytest.approx(2.94934, abs=1e-5)
    assert 1e6 * viscosity_at(90e-6, 14e-6, 120.0 + KELVIN) == pytest.approx(9.317, rel=1e-3)
    assert 1e6 * viscosity_at(90e-6, 14e-6, 130.0 + KELVIN) == pytest.approx(7.797, rel=1e-3)


@pytest.mark.parametrize("grade", GRADES)
def test_the_grade_lies_in_its_window_with_the_index_that_is_named(grade: str) -> None:
    winter, hot = grade.split("-")
    low, high = WINDOW_MM2_S[int(hot)]
    for place in (0.0, 0.5, 1.0):
        oil = oil_of_grade(grade, place)
        assert low - 1e-9 <= 1e6 * oil.at_100 <= high + 1e-9
        # chemicals 1.5.2, ASTM D2270.
        here = viscosity_index(oil.at_40, oil.at_100)
        assert here == pytest.approx(INDEX_OF_WINTER_GRADE[winter], abs=3.0)


def test_the_windows_are_those_of_j300() -> None:
    # SAE J300-2015 as read on a page: 20: 6.9-9.3, 30: 9.3-12.5, 40: 12.5-16.3, 50: 16.3-21.9, 60: 21.9-26.1.
    assert sorted(WINDOW_MM2_S) == [20, 30, 40, 50, 60]
    assert WINDOW_MM2_S[30] == (9.3, 12.5)
    assert WINDOW_MM2_S[60] == (21.9, 26.1)
    ends = [WINDOW_MM2_S[grade] for grade in sorted(WINDOW_MM2_S)]
    assert all(upper[0] == lower[1] for lower, upper in pairwise(ends))


@settings(max_examples=80, deadline=None)
@given(st.floats(20e-6, 300e-6), st.floats(4e-6, 30e-6), st.floats(0.0, 150.0), st.floats(1.0, 40.0))
def test_oil_thins_as_it_warms_and_passes_through_its_points(
    at_40: float, at_100: float, celsius: float, rise: float
) -> None:
    assume(at_40 > 2.0 * at_100)
    assert viscosity_at(at_40, at_100, 40.0 + KELVIN) == pytest.approx(at_40, rel=1e-9)
    assert viscosity_at(at_40, at_100, 100.0 + KELVIN) == pytest.approx(at_100, rel=1e-9)
    colder = viscosity_at(at_40, at_100, celsius + KELVIN)
    assert viscosity_at(at_40, at_100, celsius + rise + KELVIN) < colder


def test_the_window_is_left_on_both_sides() -> None:
    assert beyond_window(9.3e-6, "5W-30") == 0.0
    assert beyond_window(12.4e-6, "5W-30") == 0.0
    assert beyond_window(9.3e-6 * 0.9, "5W-30") == pytest.approx(0.1)
    assert beyond_window(12.5e-6 * 1.2, "5W-30") == pytest.approx(0.2)
    with pytest.raises(ValueError, match="thinner as it warms"):
        walther_constants(10e-6, 313.15, 20e-6, 373.15)


def test_a_grade_alone_gives_a_span(source: KnowledgeSource) -> None:
    answer = run(source, MEASURE, {"temperature": "110 degC", "grade": "5W-30"})
    values = {result.name: result.value for result in answer.results}
    assert values["thinnest"] < values["viscosity"] < values["thickest"]
    assert any("viscosity index" in caveat for caveat in answer.caveats)
    assert answer.findings == []


@pytest.mark.parametrize(
    ("readings", "where"),
    [
        ({"temperature": "100 degC"}, "readings.grade"),
        ({"temperature": "100 kPa", "grade": "5W-30"}, "readings.temperature"),
        ({"temperature": "nan degC", "grade": "5W-30"}, "readings.temperature"),
        ({"temperature": "400 degC", "grade": "5W-30"}, "readings.temperature"),
        ({"temperature": "100 degC", "grade": "5W30"}, "readings.grade"),
        ({"temperature": "100 degC", "at_40": "90 mm2/s"}, "readings.at_100"),
        ({"temperature": "100 degC", "at_100": "14 mm2/s"}, "readings.at_40"),
        ({"temperature": "100 degC", "at_40": "15 mm2/s", "at_100": "14 mm2/s"}, "readings.at_40"),
    ],
)
def test_bad_readings_are_told(source: KnowledgeSource, readings: dict[str, str], where: str) -> None:
    with pytest.raises(InputError) as raised:
        run(source, MEASURE, readings)
    assert raised.value.issues[0].field == where


def test_oil_out_of_grade_moves_the_right_cause(source: KnowledgeSource, triage: Triage) -> None:
    readings = {"temperature": "100 degC", "at_40": "50 mm2/s", "at_100": "8 mm2/s", "wanted_grade": "10W-60"}
    answer = run(source, MEASURE, readings)
    assert [(f.id, f.state) for f in answer.facts.findings] == [("oil_wrong_grade_found", "present")]
    after = triage.answer(TriageRequest(findings=answer.facts.findings), Options(causes=1000))
    assert after.conflicts == []
    cause = next(c for c in after.causes or () if c.id == "oil_wrong_grade")
    assert cause.probability > 5 * cause.prior


def test_oil_of_the_wanted_grade_implies_nothing(source: KnowledgeSource) -> None:
    answer = run(source, MEASURE, MEASURE.example)
    assert answer.facts.findings == []
