"""What all measures share: typed readings, doubt carried along, limits judged, what the catalogue says."""

from __future__ import annotations

import math
import xml.etree.ElementTree as ET
from pathlib import Path

import ambiance
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.errors import InputError, UnknownEntryError
from engine.loading import KnowledgeSource, default_root, load_source
from engine.measures import joint_thrust
from engine.measures.answer import NumberAndUnit, as_typed
from engine.measures.atmosphere import pressure_at_height
from engine.measures.catalogue import MODULES, measure_by_id, measures
from engine.measures.declare import ATMOSPHERE, Input, Measure
from engine.measures.limits import judge
from engine.measures.run import run, split_list
from engine.measures.typed import TypedError, read_typed
from engine.measures.uncertainty import propagate
from engine.model import Judgement

DESK = Path(__file__).parents[3] / "api" / "desk"
PRESSURE = Input("p", "Pressure", "pressure", ("0 kPa", "900 kPa"), reference="gauge")
TEMPERATURE = Input("t", "Temperature", "temperature", ("-50 degC", "200 degC"))
FLOW = Input("q", "Flow", "volume_flow", ("0 cc/min", "3000 cc/min"))


@pytest.fixture(scope="module")
def source() -> KnowledgeSource:
    return load_source(default_root())


@pytest.mark.parametrize(
    ("item", "text", "si"),
    [
        # NIST SP 811 (2008), appendix B: 1 psi = 6.894757 kPa, 1 inHg = 3.386389 kPa, 1 bar = 100 kPa.
        (PRESSURE, "10 psi gauge", 68_947.57),
        (PRESSURE, "10psig", 68_947.57),
        (PRESSURE, "1.2 barg", 120_000.0),
        (PRESSURE, "200 kPa abs", 200_000.0),
        (PRESSURE, "20 inHg vacuum", -67_727.8),
        (TEMPERATURE, "212 degF", 373.15),
        (TEMPERATURE, "85 C", 358.15),
        (FLOW, "1000 cc/min", 1e-3 / 60),
        (FLOW, "60 l/h", 1e-3 / 60),
        (Input("a", "Area", "area", ("0 mm2", "1 m2")), "35 mm²", 35e-6),
        (Input("b", "Use", "specific_consumption", ("1 g/kWh", "900 g/kWh")), "0.55 lb/(hp·h)", 9.2931e-8),
        (Input("b", "Use", "specific_consumption", ("1 g/kWh", "900 g/kWh")), "340 g/kWh", 9.4444e-8),
        (Input("f", "Share", "fraction", ("0 %", "100 %")), "20 %", 0.2),
        (Input("v", "Viscosity", "viscosity", ("1 cSt", "2000 cSt")), "14 cSt", 14e-6),
    ],
)
def test_readings_are_taken_in_the_units_people_type(item: Input, text: str, si: float) -> None:
    assert read_typed(item, text).value == pytest.approx(si, rel=2e-5)


@pytest.mark.parametrize(
    ("item", "text", "said"),
    [
        (PRESSURE, "100 kPa", "gauge"),
        (PRESSURE, "100", "gauge"),
        (PRESSURE, "100 degC gauge", "gauge"),
        (PRESSURE, "nan kPa gauge", "number"),
        (PRESSURE, "inf kPa gauge", "number"),
        (PRESSURE, "1,5 bar gauge", "comma"),
        (PRESSURE, "1e400 kPa gauge", "finite"),
        (PRESSURE, "10 +/- 1 +/- 2 kPa gauge", "more than one"),
        (PRESSURE, "10 +/- -1 kPa gauge", "negative"),
        (TEMPERATURE, "90", "unit"),
        (TEMPERATURE, "90 kPa", "same thing"),
        (TEMPERATURE, "90 __import__('os')", "not a unit"),
        (Input("f", "Share", "fraction", ("0 %", "100 %")), "20", "unit"),
        (ATMOSPHERE, "10 kPa gauge", "gauge"),
        (TEMPERATURE, "9" * 200 + " degC", "longer"),
    ],
)
def test_what_is_no_reading_is_refused_with_what_would_be(item: Input, text: str, said: str) -> None:
    with pytest.raises(TypedError, match=said) as caught:
        read_typed(item, text)
    assert caught.value.accepted


@given(st.text(max_size=150))
@settings(max_examples=300, deadline=None)
def test_any_text_is_a_finite_reading_or_a_typed_error(text: str) -> None:
    try:
        typed = read_typed(PRESSURE, text)
    except TypedError:
        return
    assert math.isfinite(typed.value)
    assert math.isfinite(typed.uncertainty)


def test_plus_minus_is_a_rectangular_half_width() -> None:
    # JCGM 100:2008, 4.3.7: a uniform spread of half width a has the standard uncertainty a / sqrt(3).
    for text in ("100 +/- 3 kPa gauge", "100 kPa gauge ± 3 %", "100 kPa gauge +/- 3 kPa"):
        assert read_typed(PRESSURE, text).uncertainty == pytest.approx(3000 / math.sqrt(3))
    assert read_typed(TEMPERATURE, "90 degC +/- 2 K").uncertainty == pytest.approx(2 / math.sqrt(3))


@pytest.mark.parametrize("height", [0.0, 250.0, 500.0, 1500.0, 2500.0, 4000.0])
def test_a_height_stands_for_its_air_pressure(height: float) -> None:
    # ISO 2533:1975 by the library ambiance.
    wanted = float(ambiance.Atmosphere(height).pressure[0])
    assert pressure_at_height(height) == pytest.approx(wanted, rel=1e-6)
    assert read_typed(ATMOSPHERE, f"{height} m").value == pytest.approx(wanted, rel=1e-6)


@given(st.floats(50.0, 500.0), st.floats(10.0, 120.0), st.floats(0.2, 15.0), st.floats(0.1, 3.0))
@settings(max_examples=25, deadline=None)
def test_doubt_agrees_with_drawing_at_random(p: float, d: float, up: float, ud: float) -> None:
    # JCGM 101:2008 (Monte Carlo) against the law of propagation of JCGM 100:2008.
    def compute(shifts: dict[int, float]) -> dict[str, float]:
        pressure, bore = 1e3 * (p + shifts.get(0, 0.0)), 1e-3 * (d + shifts.get(1, 0.0))
        return {"thrust": joint_thrust.thrust(pressure, bore)}

    up, ud = min(up, p / 10), min(ud, d / 10)
    _, results = propagate(compute, [up, ud])  # type: ignore[arg-type]
    random = np.random.default_rng(1)
    drawn = (1e3 * random.normal(p, up, 40_000)) * math.pi / 4 * (1e-3 * random.normal(d, ud, 40_000)) ** 2
    assert results.uncertainty("thrust") == pytest.approx(float(drawn.std()), rel=0.04)


LIMIT = Judgement.model_validate_json(
    """{"label": "Some limit", "used_by": "log", "finding": "some_finding", "unit": "kPa", "present":
    {"above": "15 kPa"}, "absent": {"at_most": "7 kPa"}, "because": "it is so", "source": "memory"}"""
)


@given(st.floats(-50, 50), st.floats(0, 20))
def test_a_limit_calls_no_value_both_and_doubt_never_clears_a_car(value: float, doubt: float) -> None:
    said = judge({"x": LIMIT}, "x", value, doubt)
    assert 0.0 <= said.strength <= 1.0
    if value > 15:
        assert said.state == "present"
        assert said.strength >= 0.5
    if said.state == "absent":
        assert value <= 7
        assert said.strength >= 0.9
    more = judge({"x": LIMIT}, "x", value, doubt + 5)
    if said.state != "absent":
        assert more.state != "absent"


def test_lists_are_split_as_people_write_them() -> None:
    assert split_list("1000/970/1010 cc/min") == ["1000 cc/min", "970 cc/min", "1010 cc/min"]
    assert split_list("12 V, 11.5 V") == ["12 V", "11.5 V"]
    assert split_list("0.80, 0.82") == ["0.80", "0.82"]


def test_gauge_and_absolute_meet_in_the_same_result(source: KnowledgeSource) -> None:
    typed = {"diameter": "63.5 mm", "held_by": "bead", "atmosphere": "95 kPa"}
    gauge = run(source, joint_thrust.MEASURE, {**typed, "boost": "150 kPa gauge"})
    absolute = run(source, joint_thrust.MEASURE, {**typed, "boost": "245 kPa abs"})
    assert gauge.results[0].value == pytest.approx(absolute.results[0].value)
    # The absolute reading rests on the barometer too, so it is the less certain one.
    assert absolute.results[0].plus_minus > gauge.results[0].plus_minus


def test_machines_may_send_number_and_unit(source: KnowledgeSource) -> None:
    diameter = NumberAndUnit(value=63.5, unit="mm", plus_minus=0.5)
    typed = as_typed({"diameter": diameter, "held_by": "bead", "boost": "150 kPa gauge"})
    assert run(source, joint_thrust.MEASURE, typed).results[0].value == pytest.approx(475.0, rel=1e-3)


def test_everything_wrong_is_told_at_once(source: KnowledgeSource) -> None:
    with pytest.raises(InputError) as caught:
        run(source, joint_thrust.MEASURE, {"diametre": "1 mm", "boost": "3 psi", "held_by": "glue"})
    fields = {issue.field: issue.accepted for issue in caught.value.issues}
    assert fields["readings.diametre"] == ("diameter",)
    assert set(fields) == {
        "readings.diametre",
        "readings.diameter",
        "readings.boost",
        "readings.held_by",
    }


def test_an_unknown_measure_names_the_nearest() -> None:
    with pytest.raises(UnknownEntryError) as caught:
        measure_by_id("joint_thrusts")
    assert caught.value.nearest[0] == "joint_thrust"


ALL = list(measures().values())


def test_every_module_is_there() -> None:
    assert len(ALL) >= len(MODULES)


@pytest.mark.parametrize("measure", ALL, ids=lambda measure: str(measure.id))
def test_the_worked_example_meets_the_published_values(measure: Measure, source: KnowledgeSource) -> None:
    answer = run(source, measure, measure.example)
    here = {result.name: result.value for result in answer.results}
    assert measure.published, "nothing from outside is named"
    for published in measure.published:
        assert here[published.output] == pytest.approx(published.value, rel=published.tolerance)
        assert published.source
    assert {result.name.split(".")[0] for result in answer.results} <= {o.name for o in measure.outputs}
    assert answer.says


@pytest.mark.parametrize("measure", ALL, ids=lambda measure: str(measure.id))
def test_a_measure_names_what_the_knowledge_base_knows(measure: Measure, source: KnowledgeSource) -> None:
    assert {formula.source for formula in measure.formulas} <= source.sources.keys()
    assert set(measure.cautions) <= source.cautions.keys()
    for limit in measure.limits:
        assert source.limits[limit].used_by == measure.id
    names = [item.name for item in measure.inputs]
    assert len(set(names)) == len(names)
    assert set(measure.example) <= set(names)


@pytest.mark.parametrize("measure", ALL, ids=lambda measure: str(measure.id))
def test_a_measure_has_a_picture_that_says_what_it_is(measure: Measure) -> None:
    picture = ET.fromstring((DESK / f"measure_{measure.id}.svg").read_text(encoding="utf-8"))
    assert picture.find("{http://www.w3.org/2000/svg}title") is not None
    assert not list(picture.iter("{http://www.w3.org/2000/svg}script"))
    assert picture.get("viewBox")


@pytest.mark.parametrize("measure", ALL, ids=lambda measure: str(measure.id))
def test_wrong_readings_never_crash(measure: Measure, source: KnowledgeSource) -> None:
    for item in measure.inputs:
        for wrong in ("", "x", "nan", "1e308 kPa abs", "-1 mm", "0 kg", "\x00", "9999999 K", "🙂"):
            with pytest.raises(InputError):
                run(source, measure, {**measure.example, item.name: wrong})
