"""The whole way from facts to an answer, with the shipped knowledge base."""

from __future__ import annotations

import dataclasses
import shutil
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from engine.case import TriageRequest
from engine.errors import InputError, KnowledgeError
from engine.knowledge import Knowledge, compile_knowledge, load
from engine.triage import ALL_PARTS, Options, Triage
from tests.engine.clips_reference import ClipsReference
from tests.engine.networks import agrum_posterior

SHARED = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def request(**facts: object) -> TriageRequest:
    return TriageRequest.model_validate(facts)


@st.composite
def requests(draw: st.DrawFn, knowledge: Knowledge, most: int = 12) -> TriageRequest:
    """Random facts over the shipped knowledge base."""
    source = knowledge.source
    found = draw(st.lists(st.sampled_from(knowledge.finding_ids), max_size=most, unique=True))
    findings = [{"id": f, "state": draw(st.sampled_from(["present", "absent", "unknown"]))} for f in found]
    vehicle: dict[str, object] = {}
    for name in draw(st.lists(st.sampled_from(sorted(source.vehicle_facts)), max_size=6, unique=True)):
        fact = source.vehicle_facts[name]
        if fact.type == "choice":
            vehicle[name] = draw(st.sampled_from(sorted(fact.choices)))
        elif fact.type == "yes_no":
            vehicle[name] = draw(st.booleans())
        else:
            vehicle[name] = draw(st.floats(fact.minimum or 0.0, fact.maximum or 1.0))
    measurements = []
    for name in draw(st.lists(st.sampled_from(sorted(source.quantities)), max_size=4)):
        quantity = source.quantities[name]
        value = draw(st.floats(quantity.minimum, quantity.maximum))
        measurements.append({"quantity": name, "value": value, "unit": quantity.unit})
    return request(findings=findings, vehicle=vehicle, measurements=measurements)


@pytest.fixture(scope="module")
def both(knowledge: Knowledge) -> tuple[Triage, Triage]:
    """Triage with the default chainer and with the compiled one."""
    return Triage(knowledge), Triage(compile_knowledge(knowledge.source, "compiled"))


@SHARED
@given(data=st.data())
def test_both_chainers_give_byte_equal_answers(both: tuple[Triage, Triage], data: st.DataObject) -> None:
    facts = data.draw(requests(both[0].knowledge))
    one, other = (service.answer(facts).model_dump_json() for service in both)
    assert one == other


@SHARED
@given(data=st.data())
def test_an_answer_holds_together(triage: Triage, data: st.DataObject) -> None:
    facts = data.draw(requests(triage.knowledge))
    answer = triage.answer(facts)
    assert answer.model_dump_json() == triage.answer(facts).model_dump_json()
    levels = {"run": 0, "run_with_advice": 1, "mend_first": 2, "stop": 3}
    for hold in answer.holds:
        assert levels[answer.verdict.verdict] >= levels[hold.verdict]
    assert answer.causes is not None
    probabilities = [cause.probability for cause in answer.causes]
    assert probabilities == sorted(probabilities, reverse=True)
    assert sum(answer.verdict.worst_consequence.values()) == pytest.approx(1.0)
    known = {f.id for f in facts.findings}
    assert answer.next_questions is not None
    for question in answer.next_questions:
        assert question.finding not in known
        assert "call" in triage.knowledge.source.findings[question.finding].found_at
    fired = {step.rule for step in answer.trace or ()}
    for step in answer.trace or ():
        for support in step.rests_on:
            if support.origin.startswith("rules."):
                assert support.origin.removeprefix("rules.") in fired
    excluded = {e.cause for e in answer.excluded or ()}
    assert not excluded & {cause.id for cause in answer.causes}
    forbidden = {a for r in fired for a in triage.knowledge.source.rules[r].then.forbid}
    for test in answer.next_tests or ():
        assert not forbidden & set(test.involves)
        assert set(test.cautions) <= {c.id for c in answer.cautions or ()}


@SHARED
@given(data=st.data())
def test_a_part_is_the_same_alone_and_in_the_whole(triage: Triage, data: st.DataObject) -> None:
    facts = data.draw(requests(triage.knowledge, 6))
    part = data.draw(st.sampled_from(sorted(ALL_PARTS - {"cautions"})))
    whole = triage.answer(facts).model_dump()
    alone = triage.answer(facts, Options(frozenset([part]))).model_dump()
    assert alone[part] == whole[part]
    for always in ("verdict", "holds", "conflicts", "kb"):
        assert alone[always] == whole[always]
    for other in ALL_PARTS - {part}:
        assert alone[other] is None


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_posterior_of_the_shipped_knowledge_base_equals_pyagrum(triage: Triage, data: st.DataObject) -> None:
    """Findings of up to nine causes: pyAgrum's cliques grow with the causes of a finding."""
    knowledge = triage.knowledge
    few = [
        f
        for f in knowledge.finding_ids
        if 0 < len(knowledge.network.parents[knowledge.finding_index[f]]) <= 9
    ]
    found = data.draw(st.lists(st.sampled_from(few), min_size=1, max_size=7, unique=True))
    split = data.draw(st.integers(1, len(found)))
    facts = request(
        findings=[{"id": f, "state": "present" if i < split else "absent"} for i, f in enumerate(found)]
    )
    answer = triage.answer(facts, Options(frozenset(["causes", "derived", "excluded"]), causes=500))
    states = {f.id: f.state for f in facts.findings} | {d.finding: d.state for d in answer.derived or ()}
    present = [knowledge.finding_index[f] for f, s in states.items() if s == "present"]
    absent = [knowledge.finding_index[f] for f, s in states.items() if s == "absent"]
    if answer.method.exact and not answer.excluded:
        marginal, _ = agrum_posterior(knowledge.network, present, absent)
        told = {c.id: c.probability for c in answer.causes or ()}
        ours = np.array([told.get(c, 0.0) for c in knowledge.cause_ids])
        shown = np.array([c in told for c in knowledge.cause_ids])
        assert np.abs(ours - marginal)[shown].max() <= 1e-9


@pytest.fixture(scope="module")
def clips(knowledge: Knowledge) -> ClipsReference:
    """The shipped rules in CLIPS."""
    return ClipsReference(knowledge.table)


@SHARED
@given(data=st.data())
def test_the_shipped_rules_chain_as_clips_says(
    both: tuple[Triage, Triage], clips: ClipsReference, data: st.DataObject
) -> None:
    atoms = len(both[0].knowledge.atoms)
    held = data.draw(st.sets(st.integers(0, atoms - 1), max_size=40))
    wanted = clips.close(held)
    for service in both:
        assert service.knowledge.chainer.close(held) == wanted


def test_a_rule_that_no_chainer_can_take_is_refused_with_its_line(
    knowledge: Knowledge, tmp_path: Path
) -> None:
    pytest.importorskip("durable")
    folder = tmp_path / "kb"
    shutil.copytree(knowledge.source.root, folder)
    rules = folder / "rules" / "fuel.yaml"
    asked = "".join(f"    - {{finding: {f}}}\n" for f in knowledge.finding_ids[:60])
    head = rules.read_text(encoding="utf-8").rstrip()
    line = head.count("\n") + 3
    rules.write_text(
        f"{head}\n\nzz_far_too_wide:\n  label: Needs sixty findings\n  when:\n{asked}  then:\n"
        "    caution: [petrol_fire]\n  because: Nothing real.\n  source: common_practice\n",
        encoding="utf-8",
    )
    with pytest.raises(KnowledgeError) as raised:
        load(folder)
    assert any(p.file.endswith("rules/fuel.yaml") and p.line >= line for p in raised.value.problems), str(
        raised.value
    )


def test_unknown_never_counts_as_absent(triage: Triage) -> None:
    findings = sorted(triage.knowledge.source.findings)
    nothing = triage.answer(request())
    unknown = triage.answer(request(findings=[{"id": f, "state": "unknown"} for f in findings]))
    assert unknown.causes == nothing.causes
    assert unknown.verdict.expected_loss_minutes == nothing.verdict.expected_loss_minutes
    assert unknown.trace == nothing.trace
    assert unknown.next_questions == []


def test_nothing_known_says_so(triage: Triage) -> None:
    answer = triage.answer(request())
    assert answer.verdict.verdict in {"run", "run_with_advice"}
    assert any("Nothing is known" in reason for reason in answer.verdict.reasons)
    assert answer.next_questions


def test_a_turbo_cause_is_excluded_on_a_car_without_boost(triage: Triage) -> None:
    answer = triage.answer(request(vehicle={"induction": "naturally_aspirated"}))
    excluded = {e.cause: e for e in answer.excluded or ()}
    assert "turbo_seals_worn" in excluded
    assert excluded["turbo_seals_worn"].because


def test_a_fuel_leak_stops_and_forbids_what_would_light_it(triage: Triage) -> None:
    answer = triage.answer(
        request(findings=[{"id": "fuel_leak_seen", "state": "present"}]), Options(tests=50)
    )
    assert answer.verdict.verdict == "stop"
    assert answer.holds
    assert answer.verdict.basis == "hold"
    for test in answer.next_tests or ():
        assert not {"running", "hot_parts", "sparks", "rollers"} & set(test.involves), test.id
    assert any("forbidden" in reason for w in answer.withheld_tests or () for reason in w.because)
    assert "petrol_fire" in {c.id for c in answer.cautions or ()}


def test_the_inlet_is_not_pressurised_while_the_crankcase_vents_are_capped(triage: Triage) -> None:
    facts = [{"id": "hiss_under_boost", "state": "present"}, {"id": "boost_below_target", "state": "present"}]
    free = triage.answer(request(findings=facts), Options(tests=50))
    tests = {test.id: test for test in free.next_tests or ()}
    assert tests["inlet_pressure_test"].check_first
    capped = triage.answer(
        request(findings=[*facts, {"id": "crankcase_vents_capped", "state": "present"}]), Options(tests=50)
    )
    assert "inlet_pressure_test" not in {test.id for test in capped.next_tests or ()}
    withheld = {w.id: w.because for w in capped.withheld_tests or ()}
    assert any(withheld.get("inlet_pressure_test", ()))


def test_a_reading_becomes_a_finding_and_the_trace_names_it(triage: Triage) -> None:
    low = request(
        measurements=[
            {"quantity": "oil_pressure", "value": 24, "unit": "psi", "at": {"engine_speed_rpm": 5000}}
        ]
    )
    answer = triage.answer(low)
    assert "oil_pressure_low_at_speed" in {d.finding for d in answer.derived or ()}
    assert any(s.origin == "measurements.0" for step in answer.trace or () for s in step.rests_on)
    no_speed = request(measurements=[{"quantity": "oil_pressure", "value": 24, "unit": "psi"}])
    assert not triage.answer(no_speed).derived


def test_a_report_beats_a_derivation_and_the_conflict_is_told(triage: Triage) -> None:
    facts = request(
        findings=[{"id": "oil_pressure_low_at_speed", "state": "absent"}],
        measurements=[
            {"quantity": "oil_pressure", "value": 24, "unit": "psi", "at": {"engine_speed_rpm": 5000}}
        ],
    )
    (conflict,) = triage.answer(facts).conflicts
    assert conflict.used == "absent"
    assert conflict.finding == "oil_pressure_low_at_speed"


def test_decision_id_depends_on_facts_and_parts_only(triage: Triage) -> None:
    one = triage.answer(request(vehicle={"induction": "turbocharged"})).decision_id
    same = triage.answer(request(vehicle={"induction": "turbocharged"})).decision_id
    other = triage.answer(request(vehicle={"induction": "supercharged"})).decision_id
    part = triage.answer(
        request(vehicle={"induction": "turbocharged"}), Options(frozenset(["causes"]))
    ).decision_id
    assert one == same
    assert len({one, other, part}) == 3


def test_both_chainers_are_really_different(both: tuple[Triage, Triage]) -> None:
    names = {service.knowledge.chainer.name for service in both}
    assert "compiled" in names
    pytest.importorskip("durable")
    assert names == {"durable", "compiled"}


def test_facts_that_cannot_be_used_are_an_error(triage: Triage) -> None:
    with pytest.raises(InputError) as raised:
        triage.answer(request(findings=[{"id": "nope", "state": "present"}]))
    assert raised.value.issues[0].field == "findings.0.id"


def test_knowledge_never_changes(knowledge: Knowledge) -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        knowledge.cause_ids = ()  # type: ignore[misc]
    with pytest.raises(ValueError, match="read-only"):
        knowledge.network.prior[0] = 0.5
