"""Facts of a case from its entries: the last word counts, a withdrawal leaves no trace."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from engine.case import FindingReport, MeasurementReport, TriageRequest
from engine.casefile import Observed, Withdrawn, facts_at
from engine.errors import InputError

NAMES = st.sampled_from(["a", "b", "c"])
STATES = st.sampled_from(["present", "absent", "unknown"])


@st.composite
def some_facts(draw: st.DrawFn) -> TriageRequest:
    names = draw(st.lists(NAMES, unique=True))
    return TriageRequest(
        vehicle=draw(st.dictionaries(NAMES, st.sampled_from([True, False, 1.5, "x", None]))),
        findings=[FindingReport(id=name, state=draw(STATES)) for name in names],
        measurements=[
            MeasurementReport(quantity=draw(NAMES), value=float(i), unit="psi", at={"c": 1.0 * i % 2})
            for i in range(draw(st.integers(0, 3)))
        ],
        trouble_codes=draw(st.lists(st.sampled_from(["P0299", "p0299", "P0171"]), max_size=3)),
    )


@st.composite
def histories(draw: st.DrawFn) -> list[Observed | Withdrawn]:
    entries: list[Observed | Withdrawn] = []
    for number in range(1, draw(st.integers(0, 8)) + 1):
        observed = [e.number for e in entries if isinstance(e, Observed)]
        if bool(observed) and draw(st.booleans()):
            entries.append(Withdrawn(number, draw(st.sampled_from(observed))))
        else:
            entries.append(Observed(number, draw(some_facts())))
    return entries


def by_hand(entries: list[Observed | Withdrawn]) -> tuple[dict[str, Any], dict[str, Any], set[str]]:
    """The same, by the words of the documentation, one question at a time."""
    gone = {e.observation for e in entries if isinstance(e, Withdrawn)}
    said = [e.facts for e in entries if isinstance(e, Observed) and e.number not in gone]
    vehicle = {}
    findings = {}
    for name in ("a", "b", "c"):
        values = [facts.vehicle[name] for facts in said if name in facts.vehicle]
        if values and values[-1] is not None:
            vehicle[name] = values[-1]
        states = [f.state for facts in said for f in facts.findings if f.id == name]
        if states:
            findings[name] = states[-1]
    return vehicle, findings, {code.upper() for facts in said for code in facts.trouble_codes}


@given(entries=histories())
def test_the_last_word_counts(entries: list[Observed | Withdrawn]) -> None:
    vehicle, findings, codes = by_hand(entries)
    facts = facts_at(entries)
    assert dict(facts.vehicle) == vehicle
    assert {f.id: f.state for f in facts.findings} == findings
    assert {code.upper() for code in facts.trouble_codes} == codes
    assert len(facts.trouble_codes) == len(codes)


@given(entries=histories())
def test_what_stood_at_an_entry_hangs_on_nothing_that_came_later(entries: list[Observed | Withdrawn]) -> None:
    for count in range(len(entries) + 1):
        assert facts_at(entries, count) == facts_at(entries[:count])


@given(entries=histories(), more=some_facts())
def test_a_withdrawal_leaves_the_case_as_it_was(
    entries: list[Observed | Withdrawn], more: TriageRequest
) -> None:
    number = len(entries) + 1
    added = [*entries, Observed(number, more), Withdrawn(number + 1, number)]
    assert facts_at(added) == facts_at(entries)


def test_a_reading_under_other_conditions_is_another_reading() -> None:
    def reading(value: float, at: float) -> TriageRequest:
        said = MeasurementReport(
            quantity="oil_pressure", value=value, unit="psi", at={"engine_speed_rpm": at}
        )
        return TriageRequest(measurements=[said])

    entries = [Observed(1, reading(20, 800)), Observed(2, reading(60, 5000)), Observed(3, reading(18, 800))]
    kept = {r.at["engine_speed_rpm"]: r.value for r in facts_at(entries).measurements}
    assert kept == {800: 18, 5000: 60}


def test_a_case_holds_no_more_than_a_request_may() -> None:
    def codes(first: int) -> TriageRequest:
        return TriageRequest(trouble_codes=[f"P{n:04d}" for n in range(first, first + 150)])

    facts_at([Observed(1, codes(0)), Observed(2, codes(10))])
    with pytest.raises(InputError) as caught:
        facts_at([Observed(1, codes(0)), Observed(2, codes(200))])
    assert caught.value.issues[0].field == "trouble_codes"
    assert caught.value.issues[0].accepted == ("at most 200",)
