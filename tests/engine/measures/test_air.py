"""Air: density, charge heat and corrected power, against ambiance, fluids, CoolProp and worked values."""

from __future__ import annotations

import ambiance
import fluids
import pytest
from CoolProp.CoolProp import HAPropsSI, PropsSI
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.case import TriageRequest
from engine.errors import InputError
from engine.loading import KnowledgeSource, default_root, load_source
from engine.measures import air_density, charge_heat, power_correction
from engine.measures.answer import MeasureAnswer
from engine.measures.moist_air import air_density as density_of
from engine.measures.moist_air import density_height, saturation_pressure
from engine.measures.run import run
from engine.triage import Triage


@pytest.fixture(scope="module")
def source() -> KnowledgeSource:
    return load_source(default_root())


def values(answer: MeasureAnswer) -> dict[str, float]:
    return {result.name: result.value for result in answer.results}


@given(st.floats(0.5, 50.0))
def test_saturation_is_that_of_coolprop(celsius: float) -> None:
    wanted = PropsSI("P", "T", celsius + 273.15, "Q", 0, "Water")
    assert saturation_pressure(celsius + 273.15) == pytest.approx(wanted, rel=2.5e-3)


@given(st.floats(80.0, 104.0), st.floats(0.5, 45.0), st.floats(0.0, 1.0))
@settings(max_examples=60)
def test_density_is_that_of_coolprop(kpa: float, celsius: float, humidity: float) -> None:
    kelvin = celsius + 273.15
    volume = HAPropsSI("Vha", "T", kelvin, "P", kpa * 1e3, "R", humidity)
    # CoolProp's real gas is some 0.03 % denser than the ideal one.
    assert density_of(kpa * 1e3, kelvin, humidity) == pytest.approx(1.0 / volume, rel=1e-3)


@given(st.floats(0.0, 4000.0))
def test_density_height_is_that_of_the_standard_atmosphere(height: float) -> None:
    density = float(ambiance.Atmosphere(height).density[0])
    assert density_height(density) == pytest.approx(height, abs=1.5)


@pytest.mark.parametrize(
    ("air", "celsius", "humidity", "density", "height"),
    [
        # ambiance (ISO 2533) from the density; the first is dry.
        ("95 kPa", "35 degC", "0 %", 1.07399, 1349.4),
        ("95 kPa", "35 degC", "60 %", 1.05956, 1485.9),
        ("101.325 kPa", "30 degC", "0 %", 1.16438, 525.5),
    ],
)
def test_density_altitude(
    source: KnowledgeSource, air: str, celsius: str, humidity: str, density: float, height: float
) -> None:
    typed = {"atmosphere": air, "temperature": celsius, "humidity": humidity}
    found = values(run(source, air_density.MEASURE, typed))
    assert found["density"] == pytest.approx(density, rel=6e-4)
    assert found["density_height"] == pytest.approx(height, abs=6.0)


@pytest.mark.parametrize(
    ("celsius", "p1", "p2", "efficiency", "outlet", "charge", "ratio"),
    [
        # fluids.isentropic_T_rise_compression; intercooler and density worked by hand from it.
        (20.0, 101.325, 201.325, 0.70, 110.76, 47.23, 1.8181),
        (25.0, 98.0, 248.0, 0.72, 150.80, 62.74, 2.2463),
        (35.0, 95.0, 237.5, 0.65, 176.87, 77.56, 2.1966),
    ],
)
def test_compressor_and_intercooler(
    source: KnowledgeSource,
    celsius: float,
    p1: float,
    p2: float,
    efficiency: float,
    outlet: float,
    charge: float,
    ratio: float,
) -> None:
    typed = {
        "atmosphere": f"{p1} kPa",
        "inlet_temperature": f"{celsius} degC",
        "boost": f"{p2} kPa abs",
        "efficiency": f"{efficiency}",
        "effectiveness": "0.7",
    }
    found = values(run(source, charge_heat.MEASURE, typed))
    assert found["outlet"] == pytest.approx(outlet, abs=0.1)
    assert found["charge"] == pytest.approx(charge, abs=0.1)
    assert found["density_ratio"] == pytest.approx(ratio, rel=1e-3)


@given(st.floats(-20, 50), st.floats(1.1, 3.5), st.floats(0.5, 0.85))
def test_the_compressor_is_that_of_fluids_and_back(celsius: float, ratio: float, efficiency: float) -> None:
    inlet = celsius + 273.15
    outlet = charge_heat.outlet_temperature(inlet, ratio, efficiency)
    wanted = fluids.isentropic_T_rise_compression(inlet, 1e5, ratio * 1e5, 1.4, efficiency)
    assert outlet == pytest.approx(wanted, rel=1e-9)
    assert charge_heat.efficiency_of(inlet, outlet, ratio) == pytest.approx(efficiency, rel=1e-6)
    real = PropsSI("H", "T", inlet, "P", 1e5, "Air")
    isentropic = PropsSI("H", "S", PropsSI("S", "T", inlet, "P", 1e5, "Air"), "P", ratio * 1e5, "Air")
    by_coolprop = PropsSI("T", "H", real + (isentropic - real) / efficiency, "P", ratio * 1e5, "Air")
    # A real gas is a little cooler; the more so the hotter it is compressed.
    assert outlet - inlet == pytest.approx(by_coolprop - inlet, rel=0.02)


def test_hot_charge_goes_to_the_triage(source: KnowledgeSource, triage: Triage) -> None:
    typed = {"inlet_temperature": "25 degC", "boost": "120 kPa gauge", "outlet_temperature": "130 degC"}
    hot = run(source, charge_heat.MEASURE, {**typed, "charge_temperature": "90 degC"})
    told = triage.answer(TriageRequest.model_validate(hot.facts.model_dump()))
    assert told.conflicts == []
    assert any(f.id == "charge_air_too_hot" and f.state == "present" for f in hot.facts.findings)
    assumed = run(source, charge_heat.MEASURE, typed)
    assert assumed.facts.findings == []


@pytest.mark.parametrize(
    "change",
    [
        {"boost": "100 kPa"},
        {"outlet_temperature": "10 degC"},
        {"inlet_temperature": "nan degC"},
        {"efficiency": "1.4"},
        {"inlet_temperature": "20"},
    ],
)
def test_charge_readings_that_cannot_be(source: KnowledgeSource, change: dict[str, str]) -> None:
    with pytest.raises(InputError):
        run(source, charge_heat.MEASURE, {**charge_heat.MEASURE.example, **change})


@pytest.mark.parametrize(
    ("pd", "celsius", "sae", "iso", "din"),
    [
        # The formulas of the standards as remembered, worked by hand; 273 or 273.15 moves the fourth digit.
        (95.0, 35.0, 1.07015, 1.07175, 1.09327),
        (85.0, 30.0, 1.20583, 1.21282, 1.21193),
        (99.0, 25.0, 1.0, 1.0, 1.03193),
        (100.0, 20.0, 0.97836, 0.97803, 1.01300),
    ],
)
def test_factors(pd: float, celsius: float, sae: float, iso: float, din: float) -> None:
    kelvin = celsius + 273.15
    assert power_correction.factor_sae_j1349(pd * 1e3, kelvin) == pytest.approx(sae, abs=5e-4)
    assert power_correction.factor_iso_1585(pd * 1e3, kelvin) == pytest.approx(iso, abs=5e-4)
    assert power_correction.factor_din_70020(pd * 1e3, kelvin) == pytest.approx(din, abs=6e-4)


def test_a_day_outside_its_range_makes_the_iso_figure_invalid(source: KnowledgeSource) -> None:
    outside = run(source, power_correction.MEASURE, {"atmosphere": "95 kPa", "temperature": "35 degC"})
    assert any("ISO 1585 allows" in caveat for caveat in outside.caveats)
    inside = run(source, power_correction.MEASURE, {"atmosphere": "99 kPa", "temperature": "25 degC"})
    assert not any("ISO 1585 allows" in caveat for caveat in inside.caveats)
    for answer in (outside, inside):
        assert any("boosted" in caveat for caveat in answer.caveats)


@given(st.floats(85.0, 104.0), st.floats(5.0, 40.0))
def test_thin_and_hot_air_is_corrected_upward(kpa: float, celsius: float) -> None:
    kelvin = celsius + 273.15
    for factor in (power_correction.factor_sae_j1349, power_correction.factor_iso_1585):
        assert factor(kpa * 1e3, kelvin) < factor(kpa * 0.99e3, kelvin)
        assert factor(kpa * 1e3, kelvin) < factor(kpa * 1e3, kelvin + 1.0)
