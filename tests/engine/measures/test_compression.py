"""Compression and leak-down: which cylinder is weak, where its air goes, and what may be concluded."""

from __future__ import annotations

import math

import pytest
from fluids.safety_valve import API520_A_g
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.case import TriageRequest
from engine.errors import InputError
from engine.loading import KnowledgeSource, default_root, load_source
from engine.measures import compression, leak_down
from engine.measures.answer import MeasureAnswer
from engine.measures.compression import gain_with_oil, low_high, low_neighbours
from engine.measures.leak_down import leak_hole, loss
from engine.measures.run import TypedValue, run
from engine.triage import Options, Triage

AIR = 101_325.0
PSI = 6894.757
FAA_BORE = 0.040 * 0.0254
EVEN = "1150/1120/1180/1140 kPa gauge"
WEAK = "1150/1120/1180/700 kPa gauge"

pressures = st.lists(st.floats(200.0, 2000.0), min_size=2, max_size=8)


@pytest.fixture(scope="module")
def source() -> KnowledgeSource:
    return load_source(default_root())


def states(answer: MeasureAnswer) -> dict[str, str]:
    return {finding.id: finding.state for finding in answer.facts.findings}


def values(answer: MeasureAnswer) -> dict[str, float]:
    return {result.name: result.value for result in answer.results}


def reported(answer: MeasureAnswer) -> set[str]:
    return {m.quantity for m in answer.facts.measurements}


def derived(answer: MeasureAnswer, triage: Triage) -> dict[str, str]:
    """Return what the rules make of the facts, which must not conflict with them."""
    facts = answer.facts
    after = triage.answer(TriageRequest(findings=facts.findings, measurements=facts.measurements))
    assert after.conflicts == []
    return {d.finding: d.state for d in after.derived or ()}


@pytest.mark.parametrize("measure", [compression.MEASURE, leak_down.MEASURE], ids=lambda m: str(m.id))
def test_the_worked_examples_hold_their_published_values(source: KnowledgeSource, measure: object) -> None:
    assert isinstance(measure, type(compression.MEASURE))
    here = values(run(source, measure, dict(measure.example)))
    assert measure.published
    for published in measure.published:
        assert here[published.output] == pytest.approx(published.value, rel=published.tolerance)


def test_the_share_of_the_reference(source: KnowledgeSource) -> None:
    # Reference table: {1150, 1120, 1180, 1000} kPa -> 84.7 % low over high.
    answer = run(source, compression.MEASURE, {"pressures": "1150/1120/1180/1000 kPa gauge"})
    assert values(answer)["low_high"] == pytest.approx(84.7, abs=0.05)
    assert values(answer)["spread"] == pytest.approx(180.0)
    assert "Cylinder 4" in answer.says[0]


@settings(max_examples=60, deadline=None)
@given(pressures, st.floats(0.1, 10.0))
def test_the_share_knows_no_gauge_scale_and_no_order(found: list[float], scale: float) -> None:
    share = low_high(found)
    assert 0.0 < share <= 1.0
    assert low_high([scale * p for p in reversed(found)]) == pytest.approx(share)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(1000.0, 1050.0), min_size=2, max_size=7), st.floats(0.0, 0.1), st.floats(0.0, 0.5))
def test_oil_that_lifts_all_alike_is_no_gain(good: list[float], every: float, rings: float) -> None:
    dry = [*good, 700.0]
    alike = [p * (1.0 + every) for p in dry]
    assert gain_with_oil(dry, alike) == pytest.approx(0.0, abs=1e-9)
    assert gain_with_oil(dry, [*alike[:-1], 700.0 * (1.0 + every + rings)]) == pytest.approx(rings, abs=1e-9)


def test_neighbours_are_those_side_by_side() -> None:
    assert low_neighbours([1200.0, 800.0, 790.0, 1180.0]) == [2]
    assert low_neighbours([800.0, 1200.0, 790.0, 1180.0]) == []


@pytest.mark.parametrize(
    ("readings", "expected"),
    [
        ({"pressures": EVEN}, {"compression_low_one_cylinder": "absent"}),
        ({"pressures": WEAK}, {"compression_low_one_cylinder": "present"}),
        # Between the two limits.
        ({"pressures": "1150/1120/1180/1000 kPa gauge"}, {}),
        # 91 % is within its doubt of the bound that clears.
        ({"pressures": "1000/910 kPa gauge"}, {}),
        (
            {"pressures": "640/650/660/630 kPa gauge"},
            {"compression_low_one_cylinder": "absent", "compression_low_all": "present"},
        ),
        # The maker's figure decides over the rule of thumb, both ways.
        (
            {"pressures": "640/650/660/630 kPa gauge", "minimum": "550 kPa gauge"},
            {"compression_low_one_cylinder": "absent", "compression_low_all": "absent"},
        ),
        (
            {"pressures": "1000/1010/1020/1005 kPa gauge", "minimum": "1150 kPa gauge"},
            {"compression_low_one_cylinder": "absent", "compression_low_all": "present"},
        ),
        # The lowest is below the maker's figure and the best is not: not low as a whole.
        ({"pressures": "1150/1120/1180/1000 kPa gauge", "minimum": "1100 kPa gauge"}, {}),
        ({"pressures": "640/800 kPa gauge", "minimum": "700 kPa gauge"}, {}),
        (
            {"pressures": WEAK, "wet": "1190/1160/1220/900 kPa gauge"},
            {"compression_low_one_cylinder": "present", "wet_compression_rises": "present"},
        ),
        (
            {"pressures": WEAK, "wet": "1190/1160/1220/715 kPa gauge"},
            {"compression_low_one_cylinder": "present", "wet_compression_rises": "absent"},
        ),
        # Oil lifts the good ones as much: its own rise of 12 % says nothing.
        (
            {"pressures": WEAK, "wet": "1288/1254/1322/784 kPa gauge"},
            {"compression_low_one_cylinder": "present", "wet_compression_rises": "absent"},
        ),
        # Oil in an even engine singles nothing out.
        (
            {"pressures": EVEN, "wet": "1300/1260/1320/1290 kPa gauge"},
            {"compression_low_one_cylinder": "absent"},
        ),
        ({"pressures": "1150/1120/1180/0 kPa gauge"}, {"compression_low_one_cylinder": "present"}),
    ],
)
def test_what_compression_says(
    source: KnowledgeSource, triage: Triage, readings: dict[str, str], expected: dict[str, str]
) -> None:
    answer = run(source, compression.MEASURE, readings)
    assert states(answer) == expected
    after = derived(answer, triage)
    for finding in ("compression_low_one_cylinder", "compression_low_all"):
        assert after.get(finding, expected.get(finding)) == expected.get(finding)


def test_a_weak_neighbour_is_told(source: KnowledgeSource) -> None:
    pair = run(source, compression.MEASURE, {"pressures": "1150/700/690/1180 kPa gauge"})
    apart = run(source, compression.MEASURE, {"pressures": "1150/700/1180/690 kPa gauge"})
    assert any("between them" in text for text in pair.says)
    assert not any("between them" in text for text in apart.says)


def test_an_absolute_gauge_is_taken_with_the_air_pressure(source: KnowledgeSource) -> None:
    gauge = run(source, compression.MEASURE, {"pressures": "1000/800 kPa gauge", "atmosphere": "90 kPa"})
    absolute = run(source, compression.MEASURE, {"pressures": "1090/890 kPa abs", "atmosphere": "90 kPa"})
    assert values(absolute)["low_high"] == pytest.approx(values(gauge)["low_high"])


def test_rings_go_up_with_a_rise_and_valves_without(source: KnowledgeSource, triage: Triage) -> None:
    def probability(wet: str, cause: str) -> float:
        facts = run(source, compression.MEASURE, {"pressures": WEAK, "wet": wet}).facts
        request = TriageRequest(findings=facts.findings, measurements=facts.measurements)
        after = triage.answer(request, Options(causes=1000))
        found = next(c for c in after.causes or () if c.id == cause)
        return found.probability / found.prior

    risen, flat = "1190/1160/1220/900 kPa gauge", "1190/1160/1220/715 kPa gauge"
    assert probability(risen, "rings_worn") > 5.0
    assert probability(risen, "rings_worn") > 2.0 * probability(flat, "rings_worn")
    assert probability(flat, "valve_leaks") > 5.0


@pytest.mark.parametrize(
    ("readings", "where"),
    [
        ({"pressures": "1150/1120 kPa"}, "readings.pressures.0"),
        ({"pressures": "1150/1120 mm"}, "readings.pressures.0"),
        ({"pressures": "1150 kPa gauge"}, "readings.pressures"),
        ({"pressures": ["1150 kPa gauge", "nan kPa gauge"]}, "readings.pressures.1"),
        ({"pressures": "1150/9000 kPa gauge"}, "readings.pressures.1"),
        ({"pressures": "0/0 kPa gauge"}, "readings.pressures"),
        ({"pressures": EVEN, "wet": "1190/1200 kPa gauge"}, "readings.wet"),
        ({"pressures": EVEN, "minimum": "900 kPa"}, "readings.minimum"),
    ],
)
def test_bad_compression_readings_are_told(
    source: KnowledgeSource, readings: dict[str, TypedValue], where: str
) -> None:
    with pytest.raises(InputError) as raised:
        run(source, compression.MEASURE, readings)
    assert raised.value.issues[0].field == where


@pytest.mark.parametrize(("held", "percent"), [(78, 2.5), (72, 10.0), (68, 15.0), (60, 25.0)])
def test_the_losses_of_the_reference(held: float, percent: float) -> None:
    # FAA AC 43.13-1B, paragraph 8-14: 80 psi supply; the losses by hand.
    assert 100.0 * loss(held, 80.0) == pytest.approx(percent)


@pytest.mark.parametrize(("held", "diameter"), [(75, 0.709), (70, 0.854), (60, 1.045), (40, 1.333)])
def test_the_holes_of_the_reference(held: float, diameter: float) -> None:
    # Reference table: 0.040 in restrictor, equal coefficients, worked by hand.
    hole = leak_hole(held * PSI + AIR, 80 * PSI + AIR, FAA_BORE, AIR)
    assert 1e3 * hole == pytest.approx(diameter, abs=6e-4)


@settings(max_examples=40, deadline=None)
@given(st.floats(300e3, 800e3), st.floats(0.1, 0.95), st.floats(0.3e-3, 3e-3), st.floats(80e3, 105e3))
def test_the_hole_passes_what_the_restrictor_does(
    supply: float, share: float, bore: float, air: float
) -> None:
    # fluids 1.3.1, API 520 sizing with Kd 1, for restrictor and hole alike.
    held = share * supply

    def area_for(flow: float, upstream: float, downstream: float) -> float:
        return API520_A_g(m=flow, T=293.15, Z=1.0, MW=28.9647, k=1.4, P1=upstream, P2=downstream, Kd=1.0)

    hole = leak_hole(held + air, supply + air, bore, air)
    flow = 1e-3 * (bore * bore) / area_for(1e-3, supply + air, held + air)
    expected = area_for(flow, held + air, air)
    assert hole * hole == pytest.approx(expected, rel=2e-3)
    assert leak_hole(0.9 * held + air, supply + air, bore, air) > hole
    assert leak_hole(held + air, supply + air, 2.0 * bore, air) == pytest.approx(2.0 * hole)


@settings(max_examples=40, deadline=None)
@given(st.floats(0.0, 80.0), st.floats(0.5, 3.0))
def test_the_loss_is_a_share(held: float, scale: float) -> None:
    assert 0.0 <= loss(held, 80.0) <= 1.0
    assert loss(scale * held, scale * 80.0) == pytest.approx(loss(held, 80.0), abs=1e-12)


SEALED = {"leak_down_into_crankcase": "absent", "leak_down_into_exhaust": "absent"}


@pytest.mark.parametrize(
    ("held", "place", "expected"),
    [
        ("78/77/60/78", "exhaust", {"leak_down_into_exhaust": "present"}),
        ("78/77/60/78", "inlet", {"leak_down_into_inlet": "present"}),
        ("78/77/60/78", "oil_filler", {"leak_down_into_crankcase": "present"}),
        # Bubbles count at any loss, and never are cleared.
        (
            "78/77/79.5/78",
            "coolant",
            SEALED | {"leak_down_into_coolant": "present", "leak_down_into_inlet": "absent"},
        ),
        ("78/77/68/78", "coolant", {"leak_down_into_coolant": "present"}),
        # No finding has the gasket between two cylinders, or silence.
        ("78/77/60/78", "neighbour", {}),
        ("78/77/60/78", "nowhere", {}),
        ("78/77/60/78", None, {}),
        # Worn, and neither there nor clear.
        ("78/77/68/78", "exhaust", {}),
        ("78/77/76/78", None, SEALED | {"leak_down_into_inlet": "absent"}),
        ("78/77/76/78", "oil_filler", SEALED | {"leak_down_into_inlet": "absent"}),
        # Air heard at a valve is not cleared by a small loss.
        ("78/77/76/78", "inlet", SEALED),
        # One cylinder clears no engine; 9.5 % is within its doubt of a tenth.
        ("78", None, {}),
        ("78/77/72.4/78", None, {}),
        ("78/77/0/78", None, {}),
    ],
)
def test_what_leak_down_says(
    source: KnowledgeSource, triage: Triage, held: str, place: str | None, expected: dict[str, str]
) -> None:
    readings = {"supply": "80 psi gauge", "held": f"{held} psi gauge"}
    answer = run(source, leak_down.MEASURE, readings | ({"escapes_at": place} if place else {}))
    assert states(answer) == expected
    after = derived(answer, triage)
    for finding in ("leak_down_into_crankcase", "leak_down_into_exhaust", "leak_down_into_inlet"):
        assert after.get(finding, expected.get(finding)) == expected.get(finding)


def test_a_cylinder_that_holds_nothing_has_no_hole(source: KnowledgeSource) -> None:
    readings = {"supply": "80 psi gauge", "held": "78/0 psi gauge", "restrictor": "0.040 in"}
    answer = run(source, leak_down.MEASURE, readings)
    assert values(answer)["worst"] == pytest.approx(100.0)
    assert not any(name.startswith("hole") for name in values(answer))
    assert any("valve stands open" in text for text in answer.says)


def test_the_hole_is_told_only_for_a_known_restrictor(source: KnowledgeSource) -> None:
    readings = {"supply": "80 psi gauge", "held": "60 psi gauge"}
    assert "hole.0" not in values(run(source, leak_down.MEASURE, readings))
    wider = run(source, leak_down.MEASURE, readings | {"restrictor": "0.060 in"})
    assert values(wider)["hole.0"] == pytest.approx(1.5 * 1.045, rel=2e-3)
    assert any("never testers" in text for text in wider.caveats)


def test_a_quarter_lost_at_the_exhaust_moves_the_valve_up_and_soundness_down(
    source: KnowledgeSource, triage: Triage
) -> None:
    def moved(held: str, place: str | None) -> float:
        readings = {"supply": "80 psi gauge", "held": held} | ({"escapes_at": place} if place else {})
        facts = run(source, leak_down.MEASURE, readings).facts
        request = TriageRequest(findings=facts.findings, measurements=facts.measurements)
        after = triage.answer(request, Options(causes=1000))
        valve = next(c for c in after.causes or () if c.id == "valve_leaks")
        return valve.probability / valve.prior

    assert moved("78/77/58/78 psi gauge", "exhaust") > 5.0
    assert moved("78/77/77/78 psi gauge", None) < 1.0


@pytest.mark.parametrize(
    ("readings", "where"),
    [
        ({"supply": "80 psi", "held": "78 psi gauge"}, "readings.supply"),
        ({"supply": "80 psi gauge", "held": "78 psi"}, "readings.held.0"),
        ({"supply": "80 psi gauge", "held": "85 psi gauge"}, "readings.held"),
        ({"supply": "80 psi gauge", "held": "-3 psi gauge"}, "readings.held.0"),
        ({"supply": "80 psi gauge", "held": "nan psi gauge"}, "readings.held.0"),
        ({"supply": "80 psi gauge", "held": "78 psi gauge", "restrictor": "0.04 psi"}, "readings.restrictor"),
        ({"supply": "80 psi gauge", "held": "78 psi gauge", "escapes_at": "roof"}, "readings.escapes_at"),
        ({"supply": "500 psi gauge", "held": "78 psi gauge"}, "readings.supply"),
    ],
)
def test_bad_leak_down_readings_are_told(
    source: KnowledgeSource, readings: dict[str, TypedValue], where: str
) -> None:
    with pytest.raises(InputError) as raised:
        run(source, leak_down.MEASURE, readings)
    assert raised.value.issues[0].field == where


def test_no_tool_is_left_on_the_crank(source: KnowledgeSource) -> None:
    answer = run(source, leak_down.MEASURE, dict(leak_down.MEASURE.example))
    wordings = " ".join(caution.wording for caution in answer.cautions)
    assert "bars off the crank bolt" in wordings
    assert math.isfinite(values(answer)["worst"])
