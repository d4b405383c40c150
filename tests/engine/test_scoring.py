"""Scores of a small knowledge base, against figures worked out by hand."""

from __future__ import annotations

import pytest

from engine.golden import read_golden
from engine.knowledge import compile_knowledge
from engine.playing import MOST_STEPS, best_step, first_answer
from engine.scoring import Score, TruthfulCar, score
from engine.triage import Triage
from tests.engine.kb_maker import KnowledgeMaker
from tests.engine.test_golden import WRITTEN

SMELL_ALONE = 0.003 * 0.8004 / (0.003 * 0.8004 + 0.997 * 0.002)
"""P(fuel_line_leaks | fuel_smell present): 0.5463, with 1 - 0.998 * 0.2 = 0.8004."""


@pytest.fixture
def small(kb: KnowledgeMaker) -> Triage:
    return Triage(compile_knowledge(kb.load(), "compiled"))


def scored(triage: Triage, *edits: tuple[str, str]) -> Score:
    text = WRITTEN
    for old, new in edits:
        assert old in text
        text = text.replace(old, new, 1)
    return score(triage, read_golden({"a.yaml": text}, triage.knowledge))


def test_a_case_that_is_answered_right(small: Triage) -> None:
    found = scored(small)
    assert found.misses == ()
    figures = found.figures
    rates = (figures.top_1, figures.top_3, figures.verdict, figures.next_step, figures.reachable)
    for rate in (*rates, figures.found):
        assert (rate.hits, rate.of) == (1, 1)
    assert (figures.dangerous.hits, figures.dangerous.of) == (0, 1)
    assert (figures.needless.of, figures.hold.of) == (0, 0)
    # One look at the lines, five minutes, and the leak is as good as certain.
    assert figures.steps is not None
    assert figures.minutes is not None
    assert (figures.steps.value, figures.minutes.value) == (1.0, 5.0)
    assert figures.brier is not None
    assert figures.brier.value == pytest.approx((1.0 - SMELL_ALONE) ** 2 + 0.005**2)
    (row,) = figures.reliability
    assert (row.count, row.observed) == (1, 1.0)
    assert row.predicted == pytest.approx(SMELL_ALONE)
    assert found.by_kind == {"easy": figures}
    assert found.by_file == {"a.yaml": figures}


def test_a_case_that_is_let_run_is_dangerous(small: Triage) -> None:
    sound = ("{id: fuel_smell, state: present}", "{id: fuel_smell, state: absent}")
    found = scored(small, sound)
    (miss,) = found.misses
    assert miss.verdict in {"run", "run_with_advice"}
    assert miss.wrong[:2] == ("dangerous", "verdict")
    assert found.figures.dangerous.hits == 1
    assert (miss.name, miss.file, miss.line) == ("reeks", "a.yaml", 1)


def test_a_case_that_is_kept_from_running_for_nothing(small: Triage) -> None:
    found = scored(small, ("verdict: [stop]", "verdict: [run, run_with_advice]"))
    assert (found.figures.needless.hits, found.figures.dangerous.of) == (1, 0)
    assert found.misses[0].wrong == ("needless", "verdict")
    may_be_kept = scored(small, ("verdict: [stop]", "verdict: [run_with_advice, stop]"))
    assert may_be_kept.figures.needless.of == may_be_kept.figures.dangerous.of == 0


def test_what_may_stand_first_counts_but_only_what_is_there_is_found(small: Triage) -> None:
    found = scored(small, ("truth: [fuel_line_leaks]", "truth: [pump_worn]"))
    (miss,) = found.misses
    # The leak excludes the worn pump by a rule, so it gets no place any more once the lines were looked at.
    assert miss.wrong == ("not_reachable", "not_found")
    assert miss.true_ranks == {"pump_worn": 2}
    assert miss.reached == 0.0
    both = scored(small, ("truth: [fuel_line_leaks]", "truth: [fuel_line_leaks, pump_worn]"))
    assert both.misses == ()


def test_a_true_cause_that_is_excluded_counts_as_not_believed_at_all(small: Triage) -> None:
    seen = ("{id: fuel_smell, state: present}", "{id: fuel_leak_seen, state: present}")
    found = scored(small, seen, ("truth: [fuel_line_leaks]", "truth: [pump_worn]"))
    assert found.misses[0].true_ranks == {"pump_worn": None}
    assert found.figures.brier is not None
    assert found.figures.brier.value > 1.0


def test_a_hold_that_must_be_raised(small: Triage) -> None:
    assert scored(small, ("truthful:", "hold: true\n  truthful:")).misses[0].wrong == ("hold",)
    seen = ("{id: fuel_smell, state: present}", "{id: fuel_leak_seen, state: present}")
    figures = scored(small, seen, ("truthful:", "hold: true\n  truthful:")).figures
    assert (figures.hold.hits, figures.hold.of) == (1, 1)


def test_what_is_not_listed_is_not_known_and_asked_or_tested_once(small: Triage) -> None:
    (miss,) = scored(small, ("  truthful: {fuel_leak_seen: present}\n", "")).misses
    assert miss.wrong == ("not_reachable", "not_found")
    assert miss.reached == pytest.approx(SMELL_ALONE)
    # Two tests, neither of which settles anything, and no other finding can be asked on a call.
    assert miss.steps == 2 < MOST_STEPS


def test_a_sensible_next_step_that_is_not_offered(small: Triage) -> None:
    known = "- {id: fuel_smell, state: present}"
    asked = (known, f"{known}\n      - {{id: fuel_leak_seen, state: absent}}")
    (miss,) = scored(small, asked).misses
    assert "next_step" in miss.wrong
    assert "look_at_lines" not in miss.offered


def test_the_step_worth_most_per_minute_is_taken(small: Triage) -> None:
    (case,) = read_golden({"a.yaml": WRITTEN}, small.knowledge)
    answer = first_answer(small, case.case)
    best = best_step(answer)
    assert best is not None
    assert best.worth_per_minute == max(
        step.worth_per_minute for step in [*(answer.next_questions or []), *(answer.next_tests or [])]
    )
    assert best_step(answer, {"look_at_lines", "gauge_on_rail"}) is None


def test_a_test_shows_only_what_is_listed() -> None:
    car = TruthfulCar({"a": "present", "c": "absent"}, {"test": ("a", "b")})
    assert car.tested("test") == {"a": "present"}
    assert (car.asked("b"), car.asked("c")) == ("unknown", "absent")
