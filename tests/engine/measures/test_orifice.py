"""Air through a hole, against published values and an open library."""

from __future__ import annotations

import math

import fluids
import pytest
from fluids.safety_valve import API520_A_g
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.measures.orifice import critical_ratio, orifice_diameter, orifice_mass_flow

ATMOSPHERE = 101_325.0
ROOM_K = 293.15

holes = st.floats(1e-4, 0.02)
coefficients = st.floats(0.3, 1.0)
pressures = st.floats(1e5, 8e5)
temperatures = st.floats(240.0, 400.0)


def area(diameter: float) -> float:
    return math.pi / 4.0 * diameter * diameter


def test_the_critical_ratio_is_the_published_one() -> None:
    # 0.5283 in a printed data-book table for gamma 7/5; fluids 1.3.1 gives 0.528282.
    assert critical_ratio(1.4) == pytest.approx(0.5283, abs=5e-5)
    for gamma in (1.3, 1.4, 1.667):
        assert critical_ratio(gamma) == pytest.approx(fluids.P_critical_flow(1.0, gamma), rel=1e-9)


@pytest.mark.parametrize(
    ("gauge", "diameter", "grams"),
    [
        # Reference table: isentropic air by hand, gamma 1.4, R 287.05, 20 degC, Cd 1; choked from 90.5 kPa.
        (50e3, 1e-3, 0.2678),
        (50e3, 2e-3, 1.0713),
        (50e3, 5e-3, 6.6959),
        (100e3, 1e-3, 0.3732),
        (100e3, 5e-3, 9.3309),
        (150e3, 2e-3, 1.8637),
        (150e3, 5e-3, 11.6483),
    ],
)
def test_mass_flows_of_the_reference_table(gauge: float, diameter: float, grams: float) -> None:
    flow = orifice_mass_flow(area(diameter), 1.0, ATMOSPHERE + gauge, ATMOSPHERE, ROOM_K)
    assert 1e3 * flow == pytest.approx(grams, rel=1e-3)


@pytest.mark.parametrize("gauge", [20e3, 50e3, 85e3, 95e3, 150e3, 300e3])
def test_a_relief_valve_sizing_library_agrees(gauge: float) -> None:
    # fluids 1.3.1, API 520 sizing with Kd 1: the area for our flow is our area.
    flow = orifice_mass_flow(1e-6, 1.0, ATMOSPHERE + gauge, ATMOSPHERE, ROOM_K)
    there = API520_A_g(
        m=flow, T=ROOM_K, Z=1.0, MW=28.9647, k=1.4, P1=ATMOSPHERE + gauge, P2=ATMOSPHERE, Kd=1.0
    )
    assert there == pytest.approx(1e-6, rel=1e-3)


def test_choking_starts_at_90_kpa_of_boost() -> None:
    # Reference values: discharging to 101.325 kPa, choked from 90.48 kPa gauge.
    assert ATMOSPHERE / critical_ratio() - ATMOSPHERE == pytest.approx(90.48e3, rel=1e-3)
    higher_outlet = orifice_mass_flow(1e-6, 1.0, 251_325.0, 110_000.0, ROOM_K)
    assert higher_outlet == orifice_mass_flow(1e-6, 1.0, 251_325.0, ATMOSPHERE, ROOM_K)


@settings(max_examples=60, deadline=None)
@given(holes, coefficients, pressures, pressures, temperatures)
def test_it_grows_with_pressure_and_area_and_goes_down_with_temperature(
    diameter: float, cd: float, one: float, other: float, temperature: float
) -> None:
    low, high = sorted((one, other))
    flow = orifice_mass_flow(area(diameter), cd, high, 90_000.0, temperature)
    assert flow >= orifice_mass_flow(area(diameter), cd, low, 90_000.0, temperature) >= 0.0
    assert orifice_mass_flow(2.0 * area(diameter), cd, high, 90_000.0, temperature) == pytest.approx(2 * flow)
    hotter = orifice_mass_flow(area(diameter), cd, high, 90_000.0, 4.0 * temperature)
    assert hotter == pytest.approx(flow / 2.0)
    assert orifice_mass_flow(area(diameter), cd, low, high, temperature) == 0.0


@settings(max_examples=60, deadline=None)
@given(holes, coefficients, st.floats(1.05e5, 8e5), temperatures)
def test_the_diameter_is_the_inverse(diameter: float, cd: float, upstream: float, temperature: float) -> None:
    flow = orifice_mass_flow(area(diameter), cd, upstream, ATMOSPHERE, temperature)
    assert orifice_diameter(flow, cd, upstream, ATMOSPHERE, temperature) == pytest.approx(diameter, rel=1e-9)


def test_the_flow_is_continuous_where_it_chokes() -> None:
    edge = ATMOSPHERE / critical_ratio()
    below, above = (
        orifice_mass_flow(1e-6, 1.0, edge * scale, ATMOSPHERE, ROOM_K) for scale in (1 - 1e-7, 1 + 1e-7)
    )
    assert above == pytest.approx(below, rel=1e-6)


def test_nonsense_is_refused() -> None:
    with pytest.raises(ValueError, match="ratio of specific heats"):
        critical_ratio(1.0)
    with pytest.raises(ValueError, match="not below zero"):
        orifice_mass_flow(-1e-6, 1.0, 2e5, 1e5, ROOM_K)
    with pytest.raises(ValueError, match="absolute"):
        orifice_mass_flow(1e-6, 1.0, 2e5, -1.0, ROOM_K)
    with pytest.raises(ValueError, match="above zero"):
        orifice_mass_flow(1e-6, 1.0, 2e5, 1e5, 0.0)
    with pytest.raises(ValueError, match="no pressure drives"):
        orifice_diameter(1e-3, 1.0, 1e5, 1e5, ROOM_K)
    with pytest.raises(ValueError, match="flow is not below zero"):
        orifice_diameter(-1e-3, 1.0, 2e5, 1e5, ROOM_K)
