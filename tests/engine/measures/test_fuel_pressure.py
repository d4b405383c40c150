"""Fuel pressure against the manifold: slope, loss, and a lost reference told from a supply that gives out."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.answer import TriageAnswer
from engine.case import TriageRequest
from engine.errors import InputError
from engine.loading import KnowledgeSource, default_root, load_source
from engine.measures.answer import MeasureAnswer
from engine.measures.fuel_pressure import MEASURE, differences
from engine.measures.run import TypedValue, run
from engine.triage import Options, Triage

ABOUT = {
    "fuel_pressure_falls_at_load",
    "fuel_pressure_flat_with_boost",
    "fuel_pressure_low_at_idle",
    "fuel_pressure_high_at_idle",
}


@pytest.fixture(scope="module")
def source() -> KnowledgeSource:
    return load_source(default_root())


def readings(rail: str, manifold: str, taken: str = "running", **more: str) -> dict[str, TypedValue]:
    return {"rail": f"{rail} kPa gauge", "manifold": f"{manifold} kPa gauge", "taken": taken, **more}


def states(answer: MeasureAnswer) -> dict[str, str]:
    return {finding.id: finding.state for finding in answer.facts.findings}


def value(answer: MeasureAnswer, name: str) -> float:
    return next(r.value for r in answer.results if r.name == name)


def asked(triage: Triage, answer: MeasureAnswer) -> TriageAnswer:
    request = TriageRequest(
        vehicle={"injection": "port", "induction": "turbocharged"},
        findings=answer.facts.findings,
        measurements=answer.facts.measurements,
    )
    return triage.answer(request, Options(causes=1000))


def test_the_example(source: KnowledgeSource) -> None:
    # reference.md section 9: 300 kPa unreferenced at 100 kPa boost, 500 cc/min fall to 408.25.
    answer = run(source, MEASURE, dict(MEASURE.example))
    assert value(answer, "slope") == 0.0
    assert value(answer, "loaded") == 200.0
    assert 500.0 * value(answer, "flow_share") == pytest.approx(408.25, rel=1e-5)
    assert states(answer) == {"fuel_pressure_flat_with_boost": "present"}


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(-80.0, 150.0), min_size=2, max_size=6),
    st.floats(0.0, 1.2),
    st.floats(250.0, 400.0),
)
def test_a_straight_line_comes_back(
    source: KnowledgeSource, manifold: list[float], rise: float, base: float
) -> None:
    manifold = sorted({round(m, 1) for m in manifold})
    if len(manifold) < 2 or manifold[-1] - manifold[0] < 31.0:
        return
    rail = [base + rise * m for m in manifold]
    if any(r - m < 1.0 for r, m in zip(rail, manifold, strict=True)):
        return
    answer = run(
        source,
        MEASURE,
        {
            "rail": [f"{r:.6f} kPa gauge" for r in rail],
            "manifold": [f"{m:.1f} kPa gauge" for m in manifold],
            "taken": "running",
        },
    )
    assert value(answer, "slope") == pytest.approx(rise, abs=1e-4)
    expected = (1.0 - rise) * (manifold[-1] - manifold[0])
    assert value(answer, "loss") == pytest.approx(expected, abs=1e-2)


def test_the_slope_agrees_with_the_library(source: KnowledgeSource) -> None:
    stats = pytest.importorskip("scipy.stats")
    manifold, rail = (-60.0, -20.0, 0.0, 40.0, 110.0), (241.0, 278.0, 303.0, 338.0, 409.0)
    answer = run(source, MEASURE, readings("241/278/303/338/409", "-60/-20/0/40/110"))
    assert value(answer, "slope") == pytest.approx(stats.linregress(manifold, rail).slope, rel=1e-5)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.floats(2e5, 6e5), st.floats(-8e4, 2e5)), min_size=1), st.floats(9e4, 1.1e5))
def test_gauge_or_absolute_makes_no_difference(pairs: list[tuple[float, float]], atmosphere: float) -> None:
    rail, manifold = [r for r, _ in pairs], [m for _, m in pairs]
    absolute = differences([r + atmosphere for r in rail], [m + atmosphere for m in manifold])
    assert differences(rail, manifold) == pytest.approx(absolute, abs=1e-6)


@pytest.mark.parametrize(
    ("typed", "expected"),
    [
        # Follows and holds.
        (
            readings("240/300/400", "-60/0/100"),
            {"fuel_pressure_falls_at_load": "absent", "fuel_pressure_flat_with_boost": "absent"},
        ),
        # Level from idle to boost: no reference.
        (readings("300/300/300", "-60/0/100"), {"fuel_pressure_flat_with_boost": "present"}),
        # Follows without boost, gives out on it: the hand pump tells which, not this.
        (readings("240/300/310", "-60/0/100"), {"fuel_pressure_falls_at_load": "present"}),
        # Falls below where it was: no regulator does that.
        (readings("300/250", "0/100"), {"fuel_pressure_falls_at_load": "present"}),
        # Follows in part.
        (readings("300/370", "0/100"), {}),
        (readings("300/360", "0/100"), {"fuel_pressure_falls_at_load": "present"}),
        # 10 kPa lost with gauges good to 5 kPa is not surely within 15 kPa; with good ones it is.
        (readings("240/300/390", "-60/0/100"), {"fuel_pressure_flat_with_boost": "absent"}),
        (
            {
                "rail": ["240 +/- 1 kPa gauge", "390 +/- 1 kPa gauge"],
                "manifold": ["-60 +/- 1 kPa gauge", "100 +/- 1 kPa gauge"],
                "taken": "running",
            },
            {"fuel_pressure_falls_at_load": "absent", "fuel_pressure_flat_with_boost": "absent"},
        ),
        # Little boost clears no supply; no boost clears no reference either.
        (readings("240/300/330", "-60/0/30"), {"fuel_pressure_flat_with_boost": "absent"}),
        (readings("240/300", "-60/0"), {}),
        # A hand pump loads nothing: it clears the reference alone.
        (readings("300/350/400", "0/50/100", "hand_pump"), {"fuel_pressure_flat_with_boost": "absent"}),
        (readings("300/300/300", "0/50/100", "hand_pump"), {"fuel_pressure_flat_with_boost": "present"}),
        # The maker's base pressure.
        (
            readings("180/300", "-60/60", base="300 kPa"),
            {
                "fuel_pressure_flat_with_boost": "absent",
                "fuel_pressure_falls_at_load": "absent",
                "fuel_pressure_low_at_idle": "present",
                "fuel_pressure_high_at_idle": "absent",
            },
        ),
        (
            readings("300/360", "-60/0", base="300 kPa"),
            {"fuel_pressure_low_at_idle": "absent", "fuel_pressure_high_at_idle": "present"},
        ),
        # Without a reference it is high at idle by the vacuum, which is no second fault.
        (
            readings("300/300/300", "-60/0/100", base="300 kPa"),
            {"fuel_pressure_flat_with_boost": "present", "fuel_pressure_low_at_idle": "absent"},
        ),
    ],
)
def test_what_follows(
    source: KnowledgeSource, triage: Triage, typed: dict[str, TypedValue], expected: dict[str, str]
) -> None:
    answer = run(source, MEASURE, typed)
    assert states(answer) == expected
    told = asked(triage, answer)
    assert told.conflicts == []
    assert {d.finding: d.state for d in told.derived or () if d.finding in ABOUT}.items() <= expected.items()


def test_the_rules_judge_idle_pressure_only_without_a_makers_figure(
    source: KnowledgeSource, triage: Triage
) -> None:
    low = readings("120/180/280", "-60/0/100", idle_speed="850 rpm")
    told = asked(triage, run(source, MEASURE, low))
    assert ("fuel_pressure_low_at_idle", "present") in {(d.finding, d.state) for d in told.derived or ()}
    meant = run(source, MEASURE, low | {"base": "180 kPa"})
    assert states(meant)["fuel_pressure_low_at_idle"] == "absent"
    told = asked(triage, meant)
    assert told.conflicts == []
    assert not [d for d in told.derived or () if d.finding == "fuel_pressure_low_at_idle"]
    pumped = run(source, MEASURE, low | {"taken": "hand_pump"})
    assert not pumped.facts.measurements


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.floats(120.0, 700.0), st.floats(-80.0, 115.0)), min_size=2, max_size=5),
    st.sampled_from(["running", "hand_pump"]),
    st.none() | st.floats(150.0, 450.0),
    st.none() | st.floats(600.0, 2000.0),
)
def test_whatever_is_read_the_rules_never_contradict_it(
    source: KnowledgeSource,
    triage: Triage,
    pairs: list[tuple[float, float]],
    taken: str,
    base: float | None,
    speed: float | None,
) -> None:
    typed: dict[str, TypedValue] = {
        "rail": [f"{r:.1f} kPa gauge" for r, _ in pairs],
        "manifold": [f"{m:.1f} kPa gauge" for _, m in pairs],
        "taken": taken,
    }
    if base is not None:
        typed["base"] = f"{base:.1f} kPa"
    if speed is not None:
        typed["idle_speed"] = f"{speed:.0f} rpm"
    try:
        answer = run(source, MEASURE, typed)
    except InputError as error:
        assert error.issues[0].field in ("readings.rail", "readings.manifold")
        return
    request = TriageRequest(
        vehicle={"injection": "port"}, findings=answer.facts.findings, measurements=answer.facts.measurements
    )
    told = triage.answer(request, Options(parts=frozenset({"derived"})))
    assert told.conflicts == []
    assert answer.says
    # Nothing about the supply at load is cleared by a rule that is not cleared here.
    here = {f.id for f in answer.facts.findings if f.state == "absent"}
    assert {d.finding for d in told.derived or () if d.state == "absent" and d.finding in ABOUT} <= here


def part(told: TriageAnswer, cause: str) -> tuple[float, float]:
    found = next(c for c in told.causes or () if c.id == cause)
    return found.probability, found.prior


def test_a_lost_reference_and_a_weak_supply_point_at_different_causes(
    source: KnowledgeSource, triage: Triage
) -> None:
    flat = asked(triage, run(source, MEASURE, readings("300/300/300", "-60/0/100")))
    probability, prior = part(flat, "regulator_reference_fault")
    assert probability > 10 * prior
    assert flat.verdict.verdict == "stop"
    falls = asked(triage, run(source, MEASURE, readings("240/300/310", "-60/0/100")))
    for cause in ("fuel_pump_weak", "fuel_filter_blocked"):
        probability, prior = part(falls, cause)
        assert probability > 5 * prior
    assert falls.verdict.verdict == "mend_first"
    sound = asked(triage, run(source, MEASURE, readings("240/300/400", "-60/0/100")))
    for cause in ("regulator_reference_fault", "fuel_pump_weak", "fuel_filter_blocked"):
        probability, prior = part(sound, cause)
        assert probability < prior


@pytest.mark.parametrize(
    ("typed", "where"),
    [
        ({"rail": "300/400 kPa gauge", "manifold": "0/100 kPa gauge"}, "readings.taken"),
        ({"rail": "300/400 kPa", "manifold": "0/100 kPa gauge", "taken": "running"}, "readings.rail.0"),
        (readings("300/nan", "0/100"), "readings.rail.1"),
        (readings("300/3000", "0/100"), "readings.rail.1"),
        ({"rail": "300/400 cc gauge", "manifold": "0/100 kPa gauge", "taken": "running"}, "readings.rail.0"),
        (readings("300", "0/100"), "readings.rail"),
        (readings("300/350/400", "0/100"), "readings.manifold"),
        (readings("300/310", "0/10"), "readings.manifold"),
        (readings("300/90", "0/100"), "readings.rail"),
    ],
)
def test_bad_readings_are_told(source: KnowledgeSource, typed: dict[str, TypedValue], where: str) -> None:
    with pytest.raises(InputError) as raised:
        run(source, MEASURE, typed)
    assert raised.value.issues[0].field == where


def test_a_steep_rise_is_told(source: KnowledgeSource) -> None:
    answer = run(source, MEASURE, readings("240/300/480", "-60/0/100"))
    assert any("more than one for one" in line for line in answer.says)


def test_a_vacuum_and_an_absolute_pressure_are_taken(source: KnowledgeSource) -> None:
    typed: dict[str, TypedValue] = {
        "rail": "240/400 kPa gauge",
        "manifold": ["17.718 inHg vacuum", "201.325 kPa abs"],
        "taken": "running",
    }
    answer = run(source, MEASURE, typed)
    assert value(answer, "slope") == pytest.approx(1.0, abs=1e-3)
    assert any("Air pressure" in caveat for caveat in answer.caveats)
