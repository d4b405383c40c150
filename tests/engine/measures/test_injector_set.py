"""Injector set: lambda of each cylinder, what the common sensor hides, matching, and what follows."""

from __future__ import annotations

from itertools import combinations
from statistics import fmean, harmonic_mean

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.case import TriageRequest
from engine.errors import InputError
from engine.loading import KnowledgeSource, default_root, load_source
from engine.measures.answer import MeasureAnswer
from engine.measures.injector_set import MEASURE, best_set, closed_loop, open_loop, spread
from engine.measures.run import TypedValue, run
from engine.triage import Options, Triage

FLOWS = st.lists(st.floats(200.0, 2000.0), min_size=2, max_size=12)


@pytest.fixture(scope="module")
def source() -> KnowledgeSource:
    return load_source(default_root())


def states(answer: MeasureAnswer) -> dict[str, str]:
    return {finding.id: finding.state for finding in answer.facts.findings}


def values(answer: MeasureAnswer, name: str) -> list[float]:
    return [r.value for r in answer.results if r.name == name or r.name.startswith(f"{name}.")]


def test_published_values() -> None:
    # reference.md section 9: one of four at -8 %, equal air, target 0.80.
    flows = (1000.0, 1000.0, 1000.0, 920.0)
    assert open_loop(flows, 0.80, 1000.0)[3] == pytest.approx(0.8696, abs=5e-5)
    assert closed_loop(flows, 0.80)[3] == pytest.approx(0.8522, abs=5e-5)
    assert closed_loop(flows, 0.80)[0] == pytest.approx(0.7840, abs=5e-5)


@settings(max_examples=100, deadline=None)
@given(FLOWS, st.floats(0.65, 1.1))
def test_the_common_sensor_at_its_target_hides_the_rest(flows: list[float], target: float) -> None:
    each = closed_loop(flows, target)
    # All the air over all the fuel: with equal air the sensor shows the harmonic mean.
    assert harmonic_mean(each) == pytest.approx(target)
    assert max(each) >= target * (1 - 1e-12)
    assert max(each) == each[flows.index(min(flows))]
    # One pulse for all: the ratios are those without a trim.
    free = open_loop(flows, target, fmean(flows))
    assert free == pytest.approx(each)


@settings(max_examples=100, deadline=None)
@given(FLOWS, st.floats(0.1, 10.0))
def test_spread_has_no_unit(flows: list[float], scale: float) -> None:
    assert 0.0 <= spread(flows) < 1.0
    assert spread([scale * f for f in flows]) == pytest.approx(spread(flows))


@settings(max_examples=100, deadline=None)
@given(st.lists(st.floats(200.0, 2000.0), min_size=2, max_size=9), st.data())
def test_no_set_is_closer_than_the_best(flows: list[float], data: st.DataObject) -> None:
    number = data.draw(st.integers(2, len(flows)))
    chosen = best_set(flows, number)
    assert len(set(chosen)) == number
    assert chosen == tuple(sorted(chosen))
    least = min(spread(some) for some in combinations(flows, number))
    assert spread([flows[i] for i in chosen]) == pytest.approx(least, abs=1e-12)


def test_the_example(source: KnowledgeSource) -> None:
    answer = run(source, MEASURE, dict(MEASURE.example))
    assert values(answer, "open_loop")[3] == pytest.approx(0.8696, abs=1e-4)
    assert values(answer, "closed_loop")[3] == pytest.approx(0.8522, abs=1e-4)
    assert values(answer, "sensor_open_loop") == [pytest.approx(0.80 / 0.98, abs=1e-5)]
    assert values(answer, "trim") == [pytest.approx(100 * (1 / 0.98 - 1), abs=1e-3)]
    assert any("Injector 4 flows least" in line for line in answer.says)


def test_spares_are_matched_and_named(source: KnowledgeSource) -> None:
    answer = run(source, MEASURE, {"flows": "1000/970/1010/990/1005/930 cc/min", "cylinders": "4"})
    assert answer.says[0].startswith("Best matched: injectors 1, 3, 4, 5; leave out 2, 6.")
    assert values(answer, "spread") == [pytest.approx(100 * (1 - 990 / 1010), abs=1e-3)]
    assert values(answer, "spread_all") == [pytest.approx(100 * (1 - 930 / 1010), abs=1e-3)]
    # Cylinder 4 of the set is injector 5; the leanest is injector 4.
    assert any("Injector 4 flows least" in line for line in answer.says)


@pytest.mark.parametrize(
    ("readings", "expected", "measured"),
    [
        ({"flows": "1000/1000/1000/920 cc/min"}, {"injector_flow_spread_high": "present"}, True),
        ({"flows": "1000/998/1002/1000 cc/min"}, {"injector_flow_spread_high": "absent"}, True),
        ({"flows": "1000/970/1010/990 cc/min"}, {}, True),
        # 1.9 % on a bench good to half a per cent is not surely within 2 %.
        ({"flows": "1000/981/990/995 cc/min"}, {}, False),
        # On a better bench it is.
        (
            {"flows": ["1000 +/- 0.1 cc/min", "981 +/- 0.1 cc/min", "990 cc/min +/- 0.1 cc/min"]},
            {"injector_flow_spread_high": "absent"},
            True,
        ),
        # The best set of a drawer is not in the engine.
        ({"flows": "1000/999/1001/1000/800 cc/min", "cylinders": "4"}, {}, False),
        # Where even that is uneven, whatever is fitted is.
        (
            {"flows": "1000/900/800/700/600 cc/min", "cylinders": "4"},
            {"injector_flow_spread_high": "present"},
            True,
        ),
    ],
)
def test_what_follows(
    source: KnowledgeSource,
    triage: Triage,
    readings: dict[str, TypedValue],
    expected: dict[str, str],
    measured: bool,
) -> None:
    answer = run(source, MEASURE, readings)
    assert states(answer) == expected
    assert bool(answer.facts.measurements) is measured
    request = TriageRequest(findings=answer.facts.findings, measurements=answer.facts.measurements)
    told = triage.answer(request, Options(parts=frozenset({"derived"})))
    assert told.conflicts == []
    derived = {d.finding: d.state for d in told.derived or () if d.finding == "injector_flow_spread_high"}
    assert derived.items() <= expected.items()


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(900.0, 1000.0), min_size=2, max_size=8), st.floats(0.0, 2.0))
def test_whatever_is_flowed_the_rules_never_contradict_it(
    source: KnowledgeSource, triage: Triage, flows: list[float], doubt: float
) -> None:
    answer = run(source, MEASURE, {"flows": [f"{f:.2f} cc/min +/- {doubt:.2f} %" for f in flows]})
    request = TriageRequest(findings=answer.facts.findings, measurements=answer.facts.measurements)
    told = triage.answer(request, Options(parts=frozenset({"derived"})))
    assert told.conflicts == []
    here = {(f.id, f.state) for f in answer.facts.findings}
    about = {(d.finding, d.state) for d in told.derived or () if d.finding == "injector_flow_spread_high"}
    assert about <= here


def test_a_bad_set_moves_mismatch_up_and_a_matched_one_down(source: KnowledgeSource, triage: Triage) -> None:
    def share(flows: str, cause: str) -> tuple[float, float, str]:
        answer = run(source, MEASURE, {"flows": flows})
        request = TriageRequest(findings=answer.facts.findings, measurements=answer.facts.measurements)
        told = triage.answer(request, Options(causes=1000))
        part = next(c for c in told.causes or () if c.id == cause)
        return part.probability, part.prior, told.verdict.verdict

    for cause in ("injectors_mismatched", "injector_clogged"):
        probability, prior, verdict = share("1000/1000/1000/920 cc/min", cause)
        assert probability > 10 * prior
        assert verdict == "mend_first"
        probability, prior, _ = share("1000/998/1002/1000 cc/min", cause)
        assert probability < prior


@pytest.mark.parametrize(
    ("readings", "where"),
    [
        ({}, "readings.flows"),
        ({"flows": "1000 cc/min"}, "readings.flows"),
        ({"flows": "1000/970 kPa"}, "readings.flows.0"),
        ({"flows": "1000/nan cc/min"}, "readings.flows.1"),
        ({"flows": "1000/5 cc/min"}, "readings.flows.1"),
        ({"flows": "1000/970 cc/min", "cylinders": "4"}, "readings.cylinders"),
        ({"flows": "1000/970 cc/min", "target": "12.5"}, "readings.target"),
    ],
)
def test_bad_readings_are_told(source: KnowledgeSource, readings: dict[str, TypedValue], where: str) -> None:
    with pytest.raises(InputError) as raised:
        run(source, MEASURE, readings)
    assert raised.value.issues[0].field == where
