"""Cases on both databases: nothing lost, nothing overwritten, every answer as it was given."""

from __future__ import annotations

import json
import random
import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Any

import pytest
from sqlalchemy import func, select

from api.access import ANYBODY
from api.case_models import Confirmed, NewCase, Outcome, Person, Withdrawal
from api.cases import Asked, Cases, StaleError
from api.once import KeyReusedError
from api.storage.database import Database
from api.storage.tables import TABLES, CaseRow, DecisionRow, PersonRow
from engine.answer import KbStamp, TriageAnswer
from engine.case import TriageRequest
from engine.errors import InputError, UnknownEntryError
from engine.knowledge import Knowledge
from engine.triage import Triage
from tests.storage.making import BLOWS, FACTS, UNGUARDED, fill, observation, once, open_case, told

WRITERS = 16


@pytest.fixture
def cases(database: Database, triage: Triage) -> Cases:
    return Cases(database, triage)


def test_the_answer_of_a_case_is_that_of_its_facts_asked_at_once(cases: Cases, triage: Triage) -> None:
    case = open_case(cases)
    cases.observe(case, observation(BLOWS), UNGUARDED)
    facts = TriageRequest.model_validate({**FACTS, "findings": FACTS["findings"] + BLOWS["findings"]})
    assert cases.answer(case) == triage.answer(facts).model_dump_json(exclude_none=True).encode()
    assert cases.read(case)[0].facts == facts


def test_every_answer_stays_as_it_was_given(cases: Cases) -> None:
    opened = cases.open(NewCase(observation=observation()), UNGUARDED)
    case = told(opened)["case"]["id"]
    given = [json.dumps(told(opened)["answer"])]
    given.append(json.dumps(told(cases.observe(case, observation(BLOWS), UNGUARDED))["answer"]))
    back = Withdrawal(observation=2, reason="another car")
    given.append(json.dumps(told(cases.withdraw(case, back, UNGUARDED))["answer"]))
    cases.attach(case, Outcome(), UNGUARDED)
    given.append(given[-1])
    for number, answer in enumerate(given, 1):
        kept = cases.answer(case, number)
        assert json.dumps(json.loads(kept)) == answer
        assert cases.answer(case, number) == kept
        TriageAnswer.model_validate_json(kept)
    assert given[0] == given[2] != given[1], "what is withdrawn counts as if it had never been said"
    assert cases.answer(case, 0) != cases.answer(case, 1)
    history = cases.read(case)[0].history
    assert [entry.kind for entry in history] == ["observation", "observation", "withdrawal", "outcome"]
    assert history[1].withdrawn_by == 3 and history[1].facts is not None
    assert history[2].reason == "another car"


def test_a_new_knowledge_base_answers_now_and_leaves_what_was_given(
    database: Database, triage: Triage, knowledge: Knowledge
) -> None:
    case = open_case(Cases(database, triage))
    before = Cases(database, triage).answer(case, 1)
    newer = Triage(knowledge)
    newer.stamp = KbStamp(version="9.0.0", revision="f" * 16, content_hash="f" * 64)
    cases = Cases(database, newer)
    now = cases.answer(case)
    assert json.loads(now)["kb"]["content_hash"] == "f" * 64
    assert cases.answer(case) == now
    assert cases.answer(case, 1) == before
    decision = json.loads(cases.decision(json.loads(before)["decision_id"]))
    assert decision["answer"] == json.loads(before)
    assert decision["kb"]["content_hash"] == triage.stamp.content_hash


def test_facts_that_a_newer_knowledge_base_has_lost_are_told_and_can_be_withdrawn(
    database: Database, triage: Triage, knowledge: Knowledge
) -> None:
    case = open_case(Cases(database, triage))
    findings = {i: f for i, f in knowledge.source.findings.items() if i != "tank_bubbles_under_boost"}
    newer = Triage(replace(knowledge, source=replace(knowledge.source, findings=findings)))
    cases = Cases(database, newer)
    with pytest.raises(InputError, match=r"case\.facts\.findings\.0\.id") as caught:
        cases.observe(case, observation(BLOWS), UNGUARDED)
    assert caught.value.issues[0].value == "tank_bubbles_under_boost"
    cases.withdraw(case, Withdrawal(observation=1, reason="no longer known"), UNGUARDED)
    cases.observe(case, observation(BLOWS), UNGUARDED)


def test_entries_that_are_too_much_together_are_told(cases: Cases) -> None:
    case = open_case(cases, {"trouble_codes": [f"P{n:04d}" for n in range(100, 250)]})
    more = observation({"trouble_codes": [f"P{n:04d}" for n in range(300, 400)]})
    with pytest.raises(InputError, match=r"case\.facts\.trouble_codes: .*at most 200"):
        cases.observe(case, more, UNGUARDED)
    cases.withdraw(case, Withdrawal(observation=1, reason="x"), UNGUARDED)
    cases.observe(case, more, UNGUARDED)


def test_every_verdict_can_be_shown_again_with_its_trace(cases: Cases) -> None:
    case = open_case(cases)
    answer = json.loads(cases.answer(case))
    shown = json.loads(cases.decision(answer["decision_id"]))
    assert shown["answer"] == answer and answer["trace"]
    assert shown["facts"]["findings"] == FACTS["findings"]
    assert shown["kb"] == answer["kb"]
    assert shown["given_to"] == [{"case": case, "entry": 1}]
    with pytest.raises(UnknownEntryError):
        cases.decision("0" * 24)


def test_equal_answers_are_kept_once(cases: Cases, database: Database) -> None:
    for _ in range(5):
        open_case(cases)
    with database.reading() as session:
        assert session.scalar(select(func.count()).select_from(DecisionRow)) == 1


def test_an_outcome_settles_and_an_observation_opens_again(cases: Cases) -> None:
    case = open_case(cases)
    cases.attach(case, Outcome(causes=[Confirmed(cause="purge_valve_passes_boost")]), UNGUARDED)
    assert cases.read(case)[0].state == "settled"
    cases.attach(case, Outcome(was_run=False), UNGUARDED)
    outcome = cases.read(case)[0].outcome
    assert outcome is not None and outcome.causes == [] and outcome.was_run is False
    cases.observe(case, observation(BLOWS), UNGUARDED)
    assert cases.read(case)[0].state == "open"


@pytest.mark.parametrize(
    ("confirmed", "field", "near"),
    [
        ({"cause": "purge_valve_passes_bost"}, "causes.0.cause", "purge_valve_passes_boost"),
        (
            {"cause": "purge_valve_passes_boost", "confirmed_by": "purge_line_blowtest"},
            "causes.0.confirmed_by",
            "purge_line_blow_test",
        ),
        (
            {"cause": "purge_valve_passes_boost", "mended_by": "replace_purge_valv"},
            "causes.0.mended_by",
            "replace_purge_valve",
        ),
    ],
)
def test_an_outcome_names_what_the_knowledge_base_knows(
    cases: Cases, confirmed: dict[str, str], field: str, near: str
) -> None:
    case = open_case(cases)
    with pytest.raises(InputError) as caught:
        cases.attach(case, Outcome.model_validate({"causes": [confirmed]}), UNGUARDED)
    assert caught.value.issues[0].field == field
    assert near in caught.value.issues[0].accepted
    assert cases.read(case)[0].entries == 1


def test_only_an_observation_that_counts_can_be_withdrawn(cases: Cases) -> None:
    case = open_case(cases)
    cases.withdraw(case, Withdrawal(observation=1, reason="x"), UNGUARDED)
    for number in (1, 2, 7):
        with pytest.raises(InputError):
            cases.withdraw(case, Withdrawal(observation=number, reason="x"), UNGUARDED)
    assert cases.read(case)[0].entries == 2


def test_a_stale_tag_changes_nothing(cases: Cases) -> None:
    case = open_case(cases)
    _, seen = cases.read(case)
    cases.observe(case, observation(BLOWS), Asked(ANYBODY, None, seen))
    for change in (
        lambda asked: cases.observe(case, observation(BLOWS), asked),
        lambda asked: cases.withdraw(case, Withdrawal(observation=1, reason="x"), asked),
        lambda asked: cases.attach(case, Outcome(), asked),
        lambda asked: cases.put_person(case, Person(name="x"), asked),
        lambda asked: cases.erase_person(case, asked),
    ):
        with pytest.raises(StaleError) as caught:
            change(Asked(ANYBODY, None, seen))
        assert caught.value.etag == cases.read(case)[1]
    assert cases.read(case)[0].entries == 2
    cases.attach(case, Outcome(), Asked(ANYBODY, None, f'W/"x", {cases.read(case)[1]}'))
    cases.attach(case, Outcome(), Asked(ANYBODY, None, "*"))


def test_sixteen_writers_lose_nothing(cases: Cases, database: Database, triage: Triage) -> None:
    """Half of them through another process' view of the same database, with queues of its own."""
    case = open_case(cases)
    others = Cases(Database(str(database.url)), triage)
    begin = threading.Barrier(WRITERS)

    def write(writer: int) -> list[int]:
        begin.wait()
        return [
            told((cases, others)[writer % 2].observe(case, observation(who=f"{writer} {n}"), UNGUARDED))[
                "entry"
            ]
            for n in range(4)
        ]

    with ThreadPoolExecutor(WRITERS) as pool:
        numbers = [number for numbers in pool.map(write, range(WRITERS)) for number in numbers]
    others.database.close()
    view = cases.read(case)[0]
    assert sorted(numbers) == list(range(2, 2 + WRITERS * 4))
    assert [entry.number for entry in view.history] == list(range(1, 2 + WRITERS * 4))
    assert {entry.who for entry in view.history[1:]} == {f"{w} {n}" for w in range(WRITERS) for n in range(4)}
    assert view.revision == 1 + WRITERS * 4
    assert view.entries == 1 + WRITERS * 4


def test_of_sixteen_with_the_same_tag_one_wins(cases: Cases) -> None:
    case = open_case(cases)
    for _ in range(3):
        _, seen = cases.read(case)
        begin = threading.Barrier(WRITERS)

        def write(writer: int, seen: str = seen, begin: threading.Barrier = begin) -> bool:
            begin.wait()
            try:
                cases.observe(case, observation(BLOWS), Asked(ANYBODY, None, seen))
            except StaleError:
                return False
            return True

        with ThreadPoolExecutor(WRITERS) as pool:
            assert sum(pool.map(write, range(WRITERS))) == 1
    assert cases.read(case)[0].entries == 4


def test_a_retry_is_answered_as_the_first_call_and_done_once(cases: Cases) -> None:
    begin = threading.Barrier(WRITERS)
    new = NewCase(observation=observation())

    def call(_: int) -> tuple[int, dict[str, str], bytes]:
        begin.wait()
        reply = cases.open(new, once("k1"))
        return reply.status, reply.headers, reply.body

    with ThreadPoolExecutor(WRITERS) as pool:
        replies = list(pool.map(call, range(WRITERS)))
    assert all(reply == replies[0] for reply in replies)
    assert len(cases.list(100).cases) == 1
    case = json.loads(replies[0][2])["case"]["id"]

    def add(_: int) -> bytes:
        begin.wait()
        return cases.observe(case, observation(BLOWS), once("k2")).body

    with ThreadPoolExecutor(WRITERS) as pool:
        assert len(set(pool.map(add, range(WRITERS)))) == 1
    assert cases.read(case)[0].entries == 2


def test_a_retry_after_later_changes_is_answered_as_the_first_call(cases: Cases) -> None:
    case = open_case(cases)
    first = cases.observe(case, observation(BLOWS), once("k"))
    cases.attach(case, Outcome(), UNGUARDED)
    again = replace(once("k"), if_match='"r1"')
    assert cases.observe(case, observation(BLOWS), again) == first, "a stale tag does not spoil a retry"


def test_the_same_key_with_something_else_is_refused(cases: Cases) -> None:
    case = open_case(cases)
    cases.observe(case, observation(BLOWS), once("k", "one"))
    with pytest.raises(KeyReusedError):
        cases.observe(case, observation(), once("k", "two"))
    with pytest.raises(KeyReusedError):
        cases.open(NewCase(), once("k", "three"))
    assert cases.read(case)[0].entries == 2


def test_a_refused_call_does_not_use_up_its_key(cases: Cases) -> None:
    case = open_case(cases)
    with pytest.raises(InputError):
        cases.withdraw(case, Withdrawal(observation=9, reason="x"), once("k", "wrong"))
    cases.withdraw(case, Withdrawal(observation=1, reason="x"), once("k", "right"))


def test_a_clock_that_is_set_back_changes_no_order(database: Database, triage: Triage) -> None:
    times = iter([10**15, 5 * 10**14, 4 * 10**14, 4 * 10**14, *range(3 * 10**14, 0, -(10**12))])
    cases = Cases(database, triage, clock=lambda: next(times))
    case = open_case(cases)
    cases.observe(case, observation(BLOWS), UNGUARDED)
    first, second = cases.answer(case, 1), cases.answer(case)
    assert first != second
    cases.withdraw(case, Withdrawal(observation=2, reason="x"), UNGUARDED)
    later = open_case(cases)
    view = cases.read(case)[0]
    assert [entry.number for entry in view.history] == [1, 2, 3]
    assert view.history[0].at > view.history[1].at
    assert cases.answer(case, 2) == second and cases.answer(case, 1) == first
    assert cases.answer(case) == first
    assert [line.id for line in cases.list(10).cases] == [later, case]


def test_pages_hold_every_case_once_while_others_are_opened(cases: Cases) -> None:
    made = [open_case(cases) for _ in range(7)]
    seen: list[str] = []
    after: str | None = None
    for _ in range(10):
        page = cases.list(2, after)
        seen += [line.id for line in page.cases]
        open_case(cases)
        after = page.next
        if after is None:
            break
    assert seen == made[::-1]
    with pytest.raises(InputError):
        cases.list(2, "0" * 24)


def test_lists_are_filtered(cases: Cases) -> None:
    case = open_case(cases)
    empty = told(cases.open(NewCase(reference="J-2"), UNGUARDED))["case"]["id"]
    cases.attach(empty, Outcome(), UNGUARDED)

    def found(**wanted: Any) -> list[str]:
        return [line.id for line in cases.list(10, **wanted).cases]

    assert found(state="open") == [case]
    assert found(state="settled") == [empty]
    assert found(verdict="mend_first") == [case]
    assert found(reference="J-2") == [empty]
    assert found(reference="j-2") == []
    changed = cases.read(case)[0].changed
    after = int(changed.timestamp() * 1_000_000)
    assert found(changed_since_us=after + 1) == [empty]
    assert found(changed_since_us=after - 1) == [empty, case]


def test_a_person_is_erased_and_the_case_stays(cases: Cases, database: Database) -> None:
    case = open_case(cases)
    cases.put_person(case, Person(name="R. Example", plate="EX 1"), UNGUARDED)
    assert cases.person(case)[0].name == "R. Example"
    cases.put_person(case, Person(telephone="000"), UNGUARDED)
    assert cases.person(case)[0] == Person(telephone="000")
    before = cases.read(case)[0]
    cases.erase_person(case, UNGUARDED)
    with pytest.raises(UnknownEntryError):
        cases.person(case)
    after = cases.read(case)[0]
    assert after.facts == before.facts and after.history == before.history
    with database.reading() as session:
        assert session.scalar(select(func.count()).select_from(PersonRow)) == 0


def test_no_person_is_in_any_other_table(database: Database, triage: Triage) -> None:
    fill(database, triage)
    with database.reading() as session:
        for table in TABLES:
            for row in session.execute(select(*table.__table__.columns)):
                assert table is PersonRow or "R. Example" not in repr(row)


def test_unknown_cases_are_told(cases: Cases) -> None:
    for call in (
        lambda: cases.read("0" * 24),
        lambda: cases.answer("0" * 24),
        lambda: cases.observe("0" * 24, observation(), UNGUARDED),
        lambda: cases.person("0" * 24),
    ):
        with pytest.raises(UnknownEntryError):
            call()


def test_random_histories_keep_every_answer(database: Database, triage: Triage) -> None:
    """Against a list in memory that is kept beside the database."""
    rng = random.Random(7)
    cases = Cases(database, triage)
    ids = ["tank_bubbles_under_boost", "fuel_smell_after_boost", "fuel_leak_seen"]
    for _ in range(4):
        case = open_case(cases, {})
        answers = [cases.answer(case, 1)]
        open_observations = [1]
        for _ in range(6):
            if open_observations and rng.random() < 0.3:
                number = open_observations.pop(rng.randrange(len(open_observations)))
                reply = cases.withdraw(case, Withdrawal(observation=number, reason="x"), UNGUARDED)
            else:
                state = rng.choice(["present", "absent", "unknown"])
                said = {"findings": [{"id": rng.choice(ids), "state": state}]}
                reply = cases.observe(case, observation(said), UNGUARDED)
                open_observations.append(told(reply)["entry"])
            head, _, tail = reply.body.partition(b'"answer":')
            answers.append(tail[:-1])
            assert head.startswith(b'{"case":')
        assert [cases.answer(case, n + 1) for n in range(len(answers))] == answers


def test_the_number_of_entries_is_kept_with_the_case(cases: Cases, database: Database) -> None:
    case = open_case(cases)
    cases.observe(case, observation(BLOWS), UNGUARDED)
    with database.reading() as session:
        row = session.scalar(select(CaseRow).where(CaseRow.id == case))
    assert row is not None and (row.entries, row.revision) == (2, 2)
