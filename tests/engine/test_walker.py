"""The walk round a car: what is on it, what is safe now, what an answer does."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from engine.case import FindingReport, TriageRequest
from engine.checks.points import NEED_NO_GUARD, activities_of
from engine.conditions import FindingAtom
from engine.errors import InputError
from engine.inspection.answer import Inspection, PointPart
from engine.inspection.entries import STAGES, CheckState
from engine.inspection.marks import Mark, PointAnswer, facts_together, findings_of, read_answer, with_answers
from engine.inspection.walker import NO_PARTS, Inspector
from engine.knowledge import Knowledge, compile_knowledge
from engine.model import VehicleFact
from engine.triage import Triage

FUEL = "fuel_dry_by_eye_and_nose"
SLOW = settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@pytest.fixture(scope="module")
def inspector(triage: Triage) -> Inspector:
    return Inspector(triage)


def points(walk: Inspection) -> list[PointPart]:
    return [point for stage in walk.stages for point in stage.points]


def mark(inspector: Inspector, point: str, answer: CheckState) -> Mark:
    return read_answer(inspector.source, PointAnswer(point=point, answer=answer))


def vehicle_values(fact: VehicleFact) -> st.SearchStrategy[str | bool | float]:
    if fact.type == "choice":
        return st.sampled_from(sorted(fact.choices))
    if fact.type == "yes_no":
        return st.booleans()
    return st.floats(fact.minimum or 0.0, fact.maximum or 1.0)


@st.composite
def cars(draw: st.DrawFn, knowledge: Knowledge) -> TriageRequest:
    """A car of which some facts are told and some findings known."""
    source = knowledge.source
    told = draw(st.lists(st.sampled_from(sorted(source.vehicle_facts)), unique=True, max_size=12))
    vehicle = {name: draw(vehicle_values(source.vehicle_facts[name])) for name in told}
    findings = draw(st.lists(st.sampled_from(sorted(source.findings)), unique=True, max_size=6))
    states = st.sampled_from(["present", "absent", "unknown"])
    return TriageRequest(
        vehicle=vehicle, findings=[FindingReport(id=f, state=draw(states)) for f in findings]
    )


def assert_safe_order(inspector: Inspector, walk: Inspection) -> None:
    told = points(walk)
    place = {point.id: i for i, point in enumerate(told)}
    for point in told:
        needed = activities_of(inspector.source, inspector.source.points[point.id]) - NEED_NO_GUARD
        for other in told:
            if other.id != point.id and set(other.guards) & needed:
                assert place[other.id] < place[point.id], f"{other.id} makes {point.id} safe"
                if point.state in ("open", "answered") and point.answer is None:
                    assert other.answer in ("good", "advise")
    assert [STAGES.index(stage.id) for stage in walk.stages] == sorted(
        STAGES.index(stage.id) for stage in walk.stages
    )


@SLOW
@given(data=st.data())
def test_no_step_before_its_safety_on_any_car_and_any_part_of_the_knowledge_base(
    knowledge: Knowledge, data: st.DataObject
) -> None:
    source = knowledge.source
    kept = data.draw(st.sets(st.sampled_from(sorted(source.points)), min_size=1))
    part = compile_knowledge(
        replace(source, points={i: p for i, p in source.points.items() if i in kept}), "compiled"
    )
    inspector = Inspector(Triage(part))
    car = data.draw(cars(knowledge))
    budget = data.draw(st.none() | st.integers(1, 90).map(float))
    marks: list[Mark] = []
    for _ in range(4):
        walk = inspector.inspect(car, marks, budget)
        assert_safe_order(inspector, walk)
        if budget is not None:
            assert walk.minutes <= budget
        ready = [point for point in points(walk) if point.state == "open"]
        if not ready:
            break
        for point in data.draw(st.lists(st.sampled_from(ready), unique_by=lambda p: p.id, max_size=5)):
            answer: CheckState = data.draw(st.sampled_from(["good", "good", "advise", "mend", "not_checked"]))
            marks.append(mark(inspector, point.id, answer))


def test_every_point_of_the_shipped_walk_can_be_reached_by_good_answers(inspector: Inspector) -> None:
    marks: list[Mark] = []
    while ready := [p for p in points(inspector.inspect(TriageRequest(), marks)) if p.state == "open"]:
        marks += [mark(inspector, point.id, "good") for point in ready]
    walk = inspector.inspect(TriageRequest(), marks)
    assert all(point.state == "answered" for point in points(walk))
    assert walk.ready
    assert walk.minutes == 0.0
    assert walk.verdict.verdict in ("run", "run_with_advice")


def test_a_car_that_nobody_looked_at_is_not_ready_whatever_the_verdict(inspector: Inspector) -> None:
    walk = inspector.inspect(TriageRequest())
    assert walk.verdict.verdict == "run_with_advice"
    assert not walk.ready
    assert FUEL in [p.id for p in points(walk)]


def test_a_guard_that_is_bad_withholds_what_it_guards_until_it_is_good_again(inspector: Inspector) -> None:
    guarded = set(inspector.source.points[FUEL].guards)

    def held(answer: CheckState) -> list[PointPart]:
        walk = inspector.inspect(TriageRequest(), [mark(inspector, FUEL, answer)])
        return [p for p in points(walk) if set(p.involves) & guarded and p.state == "withheld"]

    assert held("mend")
    assert all(point.because for point in held("mend"))
    assert {p.id for p in held("not_checked")} >= {
        p.id for p in points(inspector.inspect(TriageRequest())) if set(p.involves) & guarded
    }
    assert not held("good")


def test_one_answer_changes_the_verdict(inspector: Inspector) -> None:
    assert inspector.inspect(TriageRequest(), [mark(inspector, FUEL, "mend")]).verdict.verdict == "stop"
    mended = [mark(inspector, FUEL, "mend"), mark(inspector, FUEL, "good")]
    assert inspector.inspect(TriageRequest(), mended).verdict.verdict == "run_with_advice"


def test_a_finding_adds_points_and_a_vehicle_fact_leaves_points_out(inspector: Inspector) -> None:
    bare = {p.id for p in points(inspector.inspect(TriageRequest()))}
    added = [i for i, p in inspector.source.points.items() if p.added_when]
    assert added
    assert not bare & set(added)
    for point_id in added:
        for atoms in inspector.points[point_id].added_when:
            findings = [
                FindingReport(id=a.finding, state=a.state) for a in atoms if isinstance(a, FindingAtom)
            ]
            walk = inspector.inspect(TriageRequest(findings=findings))
            found = next(p for p in points(walk) if p.id == point_id)
            assert set(found.added_by) == {f.id for f in findings}
    naturally = inspector.inspect(TriageRequest(vehicle={"induction": "supercharged"}))
    assert naturally.left_out


def test_what_would_stop_the_job_is_known_before_it_is_looked_at(inspector: Inspector) -> None:
    assert inspector.would(FUEL) == "stop"


def test_good_at_one_point_does_not_take_back_what_another_shows(inspector: Inspector) -> None:
    shared = [
        (one, other, finding)
        for one, p in inspector.source.points.items()
        for other, q in inspector.source.points.items()
        if one != other
        for finding in p.sets.mend
        if p.sets.mend[finding] == "present" and q.sets.good.get(finding) == "absent"
    ]
    assert shared, "two points that look at the same finding"
    for one, other, finding in shared[:20]:
        bad, good = mark(inspector, one, "mend"), mark(inspector, other, "good")
        for facts in (
            with_answers(TriageRequest(), [bad, good]),
            facts_together([bad, good], []),
            facts_together([good, bad], []),
        ):
            assert {f.id: f.state for f in facts.findings}[finding] == "present"
        mended = with_answers(TriageRequest(), [bad, good, mark(inspector, one, "good")])
        assert {f.id: f.state for f in mended.findings}.get(finding) != "present"


def test_the_look_beats_the_telephone(inspector: Inspector) -> None:
    told = TriageRequest(findings=[FindingReport(id="fuel_smell_in_bay", state="present")])
    looked = with_answers(told, [mark(inspector, FUEL, "good")])
    assert [(f.id, f.state) for f in looked.findings if f.id == "fuel_smell_in_bay"] == [
        ("fuel_smell_in_bay", "absent")
    ]


@pytest.mark.parametrize(
    ("said", "field"),
    [
        ({"point": "fuel_dry_by_eye", "answer": "good"}, "point"),
        (
            {"point": FUEL, "answer": "mend", "findings": {"oil_level_low": "present"}},
            "findings.oil_level_low",
        ),
        (
            {"point": FUEL, "answer": "good", "findings": {"fuel_leak_seen": "present"}},
            "findings.fuel_leak_seen",
        ),
    ],
)
def test_an_answer_that_cannot_be_is_refused_by_field(
    inspector: Inspector, said: dict[str, object], field: str
) -> None:
    with pytest.raises(InputError) as refused:
        read_answer(inspector.source, PointAnswer.model_validate(said), "answers.0.")
    assert [issue.field for issue in refused.value.issues] == [f"answers.0.{field}"]
    assert refused.value.issues[0].accepted or field.endswith("fuel_leak_seen")


def test_what_an_owner_does_at_home_needs_no_lift_no_pressure_and_no_running_engine(
    inspector: Inspector,
) -> None:
    listed = inspector.inspect(TriageRequest()).before_you_come
    assert 3 <= len(listed) <= 8
    for check in listed:
        point = inspector.source.points[check.point]
        assert point.stage == "bonnet_cold"
        assert not activities_of(inspector.source, point)


def test_every_finding_of_a_point_is_a_finding(inspector: Inspector) -> None:
    for point in inspector.source.points.values():
        assert findings_of(point).keys() <= inspector.source.findings.keys()


def test_what_is_only_advised_lets_the_car_run_and_what_is_good_too(inspector: Inspector) -> None:
    for point_id, point in inspector.source.points.items():
        for sets in (point.sets.good, point.sets.advise):
            facts = TriageRequest(findings=[FindingReport(id=f, state=s) for f, s in sets.items()])
            verdict = inspector.triage.answer(facts, NO_PARTS).verdict.verdict
            assert verdict in ("run", "run_with_advice"), point_id


def test_two_hundred_points_are_planned(knowledge: Knowledge) -> None:
    source = knowledge.source
    many = {
        f"{point_id}_{copy}": point
        for copy in range(1 + 200 // len(source.points))
        for point_id, point in source.points.items()
    }
    places = {("points", i): source.system_of["points", i.rsplit("_", 1)[0]] for i in many}
    grown = replace(source, points=many, system_of={**source.system_of, **places})
    inspector = Inspector(Triage(compile_knowledge(grown, "compiled")))
    walk = inspector.inspect(TriageRequest())
    assert_safe_order(inspector, walk)
    short = inspector.inspect(TriageRequest(), [], 10.0)
    assert short.minutes <= 10.0
    assert len(points(short)) + len(short.left_for_later) == len(points(walk))
