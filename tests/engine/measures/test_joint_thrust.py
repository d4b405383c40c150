"""Joint thrust, against handbook statics and pint."""

from __future__ import annotations

import math

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from engine.case import TriageRequest
from engine.errors import InputError
from engine.loading import KnowledgeSource, default_root, load_source
from engine.measures import joint_thrust
from engine.measures.run import run
from engine.triage import Triage

UNITS: pint.UnitRegistry[float] = pint.UnitRegistry()


@pytest.fixture(scope="module")
def source() -> KnowledgeSource:
    return load_source(default_root())


@pytest.mark.parametrize(
    ("bore_mm", "newtons"),
    [
        # Handbook statics, p pi D^2 / 4, worked by hand.
        (51.0, (204.3, 306.4, 408.6)),
        (63.5, (316.7, 475.0, 633.4)),
        (76.0, (453.6, 680.5, 907.3)),
    ],
)
def test_thrust_by_bore_and_pressure(bore_mm: float, newtons: tuple[float, ...]) -> None:
    for pressure, wanted in zip((100e3, 150e3, 200e3), newtons, strict=True):
        assert joint_thrust.thrust(pressure, bore_mm * 1e-3) == pytest.approx(wanted, rel=1e-3)


def test_a_right_angle_gives_root_two() -> None:
    straight = joint_thrust.thrust(150e3, 0.0635)
    assert joint_thrust.bend_thrust(150e3, 0.0635, math.pi / 2) == pytest.approx(math.sqrt(2) * straight)
    assert joint_thrust.bend_thrust(150e3, 0.0635, math.pi) == pytest.approx(2 * straight)
    assert joint_thrust.bend_thrust(150e3, 0.0635, 0.0) == 0.0


@given(st.floats(0, 6e5), st.floats(0.005, 0.2))
def test_it_is_a_force_and_grows_with_the_square(pressure: float, bore: float) -> None:
    area = math.pi / 4 * UNITS.Quantity(bore, "m") ** 2
    force = (UNITS.Quantity(pressure, "Pa") * area).to("newton").magnitude
    assert joint_thrust.thrust(pressure, bore) == pytest.approx(force, abs=1e-9)
    assert joint_thrust.thrust(pressure, 2 * bore) == pytest.approx(4 * force, abs=1e-9)


def test_a_plain_end_holds_the_run_and_a_bead_does_not(source: KnowledgeSource, triage: Triage) -> None:
    typed = {"diameter": "76 mm", "boost": "1.5 bar gauge"}
    plain = run(source, joint_thrust.MEASURE, {**typed, "held_by": "plain"})
    told = triage.answer(TriageRequest.model_validate(plain.facts.model_dump()))
    assert told.holds
    assert told.conflicts == []
    assert run(source, joint_thrust.MEASURE, {**typed, "held_by": "bead"}).facts.findings == []
    small = run(
        source, joint_thrust.MEASURE, {"diameter": "20 mm", "boost": "80 kPa gauge", "held_by": "plain"}
    )
    assert small.facts.findings == []


@pytest.mark.parametrize(
    "change", [{"boost": "22 psi"}, {"boost": "-5 kPa gauge"}, {"diameter": "63.5 kPa"}, {"bend": "400 deg"}]
)
def test_readings_that_cannot_be(source: KnowledgeSource, change: dict[str, str]) -> None:
    with pytest.raises(InputError):
        run(source, joint_thrust.MEASURE, {**joint_thrust.MEASURE.example, **change})
