"""Boiling margin and pressure rise of the coolant, against published values and open libraries."""

from __future__ import annotations

import pytest
from chemicals.iapws import iapws95_Tsat
from chemicals.vapor_pressure import Psat_data_VDI_PPDS_3, Wagner
from CoolProp.CoolProp import PropsSI
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.case import TriageRequest
from engine.errors import InputError
from engine.loading import KnowledgeSource, default_root, load_source
from engine.measures import coolant_pressure, cooling
from engine.measures.answer import MeasureAnswer
from engine.measures.coolant_mix import (
    boiling_point,
    glycol_saturation_pressure,
    mass_share,
    mixture_density,
    mixture_vapour_pressure,
    share_that_freezes_at,
    water_boiling_point,
    water_saturation_pressure,
    water_share,
)
from engine.measures.coolant_pressure import explained_rise, pressure_at
from engine.measures.run import TypedValue, run
from engine.triage import Options, Triage

AIR = 101_325.0
C = 273.15
MARGIN: dict[str, TypedValue] = {"cap": "103 kPa", "glycol": "50 %", "temperature": "105 degC"}
COLD = {"cold": "20 degC", "times": "0/60/120 s"}

shares = st.floats(0.0, 0.7)
absolute = st.floats(60e3, 350e3)


@pytest.fixture(scope="module")
def source() -> KnowledgeSource:
    return load_source(default_root())


def states(answer: MeasureAnswer) -> dict[str, str]:
    return {finding.id: finding.state for finding in answer.facts.findings}


def values(answer: MeasureAnswer) -> dict[str, float]:
    return {result.name: result.value for result in answer.results}


@pytest.mark.parametrize("module", ["cooling", "coolant_pressure"])
def test_the_worked_examples_hold_their_published_values(source: KnowledgeSource, module: str) -> None:
    measure = {"cooling": cooling, "coolant_pressure": coolant_pressure}[module].MEASURE
    here = values(run(source, measure, dict(measure.example)))
    assert measure.published
    for published in measure.published:
        assert here[published.output] == pytest.approx(published.value, rel=published.tolerance)


@pytest.mark.parametrize(
    ("cap", "water", "mixture"),
    # Reference table, sea level: water by CoolProp and IAPWS-95, equal volumes by Dortmund UNIFAC.
    [(0.0, 99.974, 107.9), (90e3, 118.814, 127.6), (103e3, 120.888, 129.8), (124e3, 124.021, 133.0)],
)
def test_boiling_points_of_the_reference_table(cap: float, water: float, mixture: float) -> None:
    assert boiling_point(AIR + cap, 0.0) - C == pytest.approx(water, abs=0.01)
    assert water_boiling_point(AIR + cap) - C == pytest.approx(water, abs=0.01)
    # The reference allows 1.5 K for the mixture; Raoult is well within.
    assert boiling_point(AIR + cap, 0.5) - C == pytest.approx(mixture, abs=0.2)


@settings(max_examples=40, deadline=None)
@given(absolute)
def test_water_agrees_with_two_libraries(pressure: float) -> None:
    here = water_boiling_point(pressure)
    assert here == pytest.approx(PropsSI("T", "P", pressure, "Q", 0, "Water"), abs=0.01)
    there: float = iapws95_Tsat(pressure)  # type: ignore[no-untyped-call]
    assert here == pytest.approx(there, abs=0.01)
    assert water_saturation_pressure(here) == pytest.approx(pressure, rel=1e-6)


@pytest.mark.parametrize("celsius", [80.0, 110.0, 135.0, 197.3])
def test_glycol_vapour_agrees_with_another_correlation(celsius: float) -> None:
    # VDI Heat Atlas coefficients in chemicals 1.5, Wagner equation: another source than the one used.
    row = Psat_data_VDI_PPDS_3.loc["107-21-1"]
    there = Wagner(C + celsius, row["Tc"], row["Pc"], row["A"], row["B"], row["C"], row["D"])
    assert glycol_saturation_pressure(C + celsius) == pytest.approx(there, rel=0.1)


def test_glycol_boils_by_itself_at_197_degrees() -> None:
    # Handbook normal boiling point of ethylene glycol, 197.3 degC.
    assert boiling_point(AIR, 1.0) - C == pytest.approx(197.3, abs=1.0)


@settings(max_examples=60, deadline=None)
@given(absolute, shares, st.floats(1e3, 1e5), st.floats(0.01, 0.2))
def test_more_pressure_and_more_glycol_boil_later(
    pressure: float, glycol: float, more: float, richer: float
) -> None:
    here = boiling_point(pressure, glycol)
    assert mixture_vapour_pressure(here, glycol) == pytest.approx(pressure, rel=1e-6)
    assert boiling_point(pressure + more, glycol) > here
    assert boiling_point(pressure, glycol + richer) > here
    assert 0.0 < water_share(glycol + richer) < water_share(glycol) <= 1.0


@settings(max_examples=30, deadline=None)
@given(st.floats(0.0, 0.55))
def test_a_mixture_is_found_again_by_its_freezing_point(glycol: float) -> None:
    # CoolProp 8.0, incompressible MEG (Melinder 2010).
    freezes = PropsSI("T_freeze", "T", 300.0, "P", 2e5, f"INCOMP::MEG[{mass_share(glycol)}]")
    assert share_that_freezes_at(min(freezes, C)) == pytest.approx(glycol, abs=0.005)


@settings(max_examples=30, deadline=None)
@given(st.floats(0.0, 0.57), st.floats(276.0, 370.0))
def test_densities_are_those_of_a_library(glycol: float, temperature: float) -> None:
    there = PropsSI("D", "T", temperature, "P", 2e5, f"INCOMP::MEG[{mass_share(glycol)}]")
    assert mixture_density(temperature, glycol) == pytest.approx(there, rel=1.5e-3)


def test_what_warming_explains_by_hand_with_a_library() -> None:
    # Ideal gas and Raoult by hand; CoolProp for water's vapour and for the growth of equal volumes.
    def vapour(temperature: float) -> float:
        return float(0.7555 * PropsSI("P", "T", temperature, "Q", 0, "Water"))

    def density(temperature: float) -> float:
        return float(PropsSI("D", "T", temperature, "P", 2e5, "INCOMP::MEG[0.527]"))

    for warm in (313.15, 333.15):
        growth = 8e-3 * (density(293.15) / density(warm) - 1.0)
        dry = (AIR - vapour(293.15)) * warm / 293.15 * 1e-3 / (1e-3 - growth)
        expected = dry + vapour(warm) - AIR
        here = explained_rise(AIR, 0.0, 0.5, 293.15, warm, 8e-3, 1e-3)
        assert here == pytest.approx(expected, rel=0.01)


@settings(max_examples=60, deadline=None)
@given(st.floats(275.0, 310.0), st.floats(0.5, 40.0), st.floats(2e-3, 12e-3), st.floats(1.5e-3, 6e-3))
def test_warming_explains_more_when_warmer_fuller_or_larger(
    cold: float, rise: float, coolant: float, space: float
) -> None:
    here = explained_rise(AIR, 0.0, 0.5, cold, cold + rise, coolant, space)
    assert here > 0.0
    assert explained_rise(AIR, 0.0, 0.5, cold, cold + rise + 1.0, coolant, space) > here
    assert explained_rise(AIR, 0.0, 0.5, cold, cold + rise, coolant, 1.2 * space) < here
    assert explained_rise(AIR, 0.0, 0.5, cold, cold + rise, 1.2 * coolant, space) > here
    assert explained_rise(AIR, 0.0, 0.5, cold, cold, coolant, space) == pytest.approx(0.0, abs=1e-6)


def test_no_air_space_has_no_explanation() -> None:
    with pytest.raises(ValueError, match="air space"):
        explained_rise(AIR, 0.0, 0.5, 293.15, 363.15, 8e-3, 0.2e-3)


def test_between_readings_lies_a_straight_line() -> None:
    assert pressure_at(120.0, [0.0, 60.0, 180.0], [0.0, 10.0, 40.0]) == pytest.approx(25.0)
    assert pressure_at(500.0, [0.0, 60.0], [0.0, 10.0]) == 10.0


def test_height_takes_from_the_margin(source: KnowledgeSource) -> None:
    sea = values(run(source, cooling.MEASURE, MARGIN))
    # Reference: ISO 2533, 79.5 kPa at 2,000 m; water alone would lose some 3.7 K under this cap.
    high = values(run(source, cooling.MEASURE, MARGIN | {"atmosphere": "2000 m"}))
    assert 3.0 < sea["margin"] - high["margin"] < 4.5
    assert high["boils"] - C < sea["boils"] - C
    assert sea["worth_of_cap"] == pytest.approx(sea["margin"] - sea["margin_without_cap"], abs=1e-3)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"temperature": "122 degC"}, "Too little"),
        ({"temperature": "112 degC"}, "Only the cap"),
        ({"temperature": "100 degC"}, "does not hold would leave"),
        ({"temperature": "135 degC"}, "it boils"),
    ],
)
def test_what_the_margin_means(source: KnowledgeSource, more: dict[str, str], words: str) -> None:
    assert any(words in text for text in run(source, cooling.MEASURE, MARGIN | more).says)


@pytest.mark.parametrize(
    ("readings", "expected"),
    [
        ({"glycol": "50 %"}, {"coolant_mix_out_of_range": "absent"}),
        ({"glycol": "25 %"}, {"coolant_mix_out_of_range": "present"}),
        ({"glycol": "85 %"}, {"coolant_mix_out_of_range": "present"}),
        # Within its doubt of 40 %.
        ({"glycol": "41 %"}, {}),
        ({"freezes_at": "-36 degC"}, {"coolant_mix_out_of_range": "absent"}),
        ({"freezes_at": "-8 degC"}, {"coolant_mix_out_of_range": "present"}),
        # Assumed, so nothing is known of it.
        ({}, {}),
    ],
)
def test_the_mixture_is_judged_where_it_was_read(
    source: KnowledgeSource, triage: Triage, readings: dict[str, str], expected: dict[str, str]
) -> None:
    answer = run(source, cooling.MEASURE, {"cap": "103 kPa"} | readings)
    assert states(answer) == expected
    after = triage.answer(TriageRequest(findings=answer.facts.findings), Options(causes=1000))
    assert after.conflicts == []
    mixture = next(c for c in after.causes or () if c.id == "coolant_mixture_wrong")
    if expected:
        up = "present" in expected.values()
        assert (mixture.probability > 5 * mixture.prior) if up else (mixture.probability < mixture.prior)
    assert bool(readings) != any("taken as 50 %" in caveat for caveat in answer.caveats)


FAST = {"coolant_pressure_rises_fast": "present"}
SLOW = {"coolant_pressure_rises_fast": "absent"}


@pytest.mark.parametrize(
    ("readings", "expected", "seen"),
    [
        ({"pressures": "0/25/55 kPa gauge"}, FAST, True),
        ({"pressures": "0/4/9 kPa gauge"}, SLOW, True),
        ({"pressures": "0/15/30 kPa gauge"}, {}, True),
        # 19 kPa is within its doubt of 20, where the rule of the knowledge base would clear.
        ({"pressures": "0/10/19 kPa gauge"}, {}, False),
        # One minute clears nothing, and convicts all the same.
        ({"pressures": "0/4 kPa gauge", "times": "0/60 s"}, {}, False),
        ({"pressures": "0/50 kPa gauge", "times": "0/60 s"}, FAST, True),
        # The first minute was missed.
        ({"pressures": "1/4/8 kPa gauge", "times": "60/120/180 s"}, {}, False),
        # A warm engine.
        ({"pressures": "0/25/55 kPa gauge", "cold": "70 degC"}, {}, False),
        # Warming to 65 degC in a full system explains it.
        ({"pressures": "0/25/55 kPa gauge", "warm": "65 degC", "air_space": "0.8 L"}, {}, False),
        ({"pressures": "0/25/55 kPa gauge", "warm": "32 degC"}, FAST, True),
        # What comes after two minutes does not count: by a line 24 kPa at 120 s.
        ({"pressures": "0/20/60 kPa gauge", "times": "0/100/300 s"}, {}, True),
        # By a line 15 kPa, and a line clears nothing.
        ({"pressures": "0/10/60 kPa gauge", "times": "0/100/300 s"}, {}, False),
    ],
)
def test_what_a_rise_says(
    source: KnowledgeSource, triage: Triage, readings: dict[str, str], expected: dict[str, str], seen: bool
) -> None:
    answer = run(source, coolant_pressure.MEASURE, COLD | readings)
    assert states(answer) == expected
    assert bool(answer.facts.measurements) == seen
    facts = answer.facts
    request = TriageRequest(findings=facts.findings, measurements=facts.measurements)
    after = triage.answer(request, Options(causes=1000))
    assert after.conflicts == []
    derived = {d.finding: d.state for d in after.derived or ()}
    assert derived.get("coolant_pressure_rises_fast") in (None, expected.get("coolant_pressure_rises_fast"))
    gasket = next(c for c in after.causes or () if c.id == "head_gasket_leaks_to_coolant")
    if expected == FAST:
        assert gasket.probability > 5 * gasket.prior
    if expected == SLOW:
        assert gasket.probability < gasket.prior


@pytest.mark.parametrize(
    ("readings", "where"),
    [
        ({"cap": "103 mm"}, "readings.cap"),
        ({"cap": "900 kPa"}, "readings.cap"),
        ({"cap": "nan kPa"}, "readings.cap"),
        ({}, "readings.cap"),
        ({"cap": "103 kPa", "atmosphere": "98 kPa gauge"}, "readings.atmosphere"),
        ({"cap": "103 kPa", "glycol": "120 %"}, "readings.glycol"),
        ({"cap": "103 kPa", "freezes_at": "5 degC"}, "readings.freezes_at"),
        # 70 % does not freeze at -8 degC.
        ({"cap": "103 kPa", "glycol": "70 %", "freezes_at": "-8 degC"}, "readings.glycol"),
    ],
)
def test_bad_margin_readings_are_told(
    source: KnowledgeSource, readings: dict[str, TypedValue], where: str
) -> None:
    with pytest.raises(InputError) as raised:
        run(source, cooling.MEASURE, readings)
    assert raised.value.issues[0].field == where


@pytest.mark.parametrize(
    ("readings", "where"),
    [
        ({"pressures": "0/20 kPa", "times": "0/60 s"}, "readings.pressures.0"),
        ({"pressures": "0/20 kPa gauge", "times": "0/60/120 s"}, "readings.times"),
        ({"pressures": "0/20 kPa gauge", "times": "60/0 s"}, "readings.times"),
        ({"pressures": "0/20 kPa gauge", "times": "0/0 s"}, "readings.times"),
        ({"pressures": "0/20 kPa gauge", "times": "0/60 m"}, "readings.times.0"),
        (
            {"pressures": "0/20 kPa gauge", "times": "0/60 s", "cold": "40 degC", "warm": "20 degC"},
            "readings.warm",
        ),
        ({"pressures": "0 kPa gauge", "times": "0 s"}, "readings.pressures"),
        ({"pressures": ["0 kPa gauge", "nan kPa gauge"], "times": "0/60 s"}, "readings.pressures.1"),
    ],
)
def test_bad_rise_readings_are_told(
    source: KnowledgeSource, readings: dict[str, TypedValue], where: str
) -> None:
    with pytest.raises(InputError) as raised:
        run(source, coolant_pressure.MEASURE, readings)
    assert raised.value.issues[0].field == where
