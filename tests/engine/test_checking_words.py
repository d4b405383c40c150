"""The lints of everyday words and of phrasings fire where they should, and not on a near miss."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from engine.checking import check
from engine.checks import LINTS, words
from engine.loading import load_source
from engine.phrasing import fold
from tests.engine.kb_maker import KnowledgeMaker
from tests.engine.test_checking import SMELL, Case, apply, line_of

WORDS = "word_groups.yaml"
FACTS = "vehicle_facts.yaml"

GROUPS = """\
denials:
  label: Denials
  role: denies
  words:
    - doesn't
    - never
  source: practice
small_talk:
  label: Small talk
  role: small_talk
  words:
    - can i bring it in on thursday after work if that suits
    - lovely weather today
  source: practice
words_for_smell:
  label: Words for a smell
  role: same_meaning
  words:
    - smell
    - stench
  source: practice
"""


def group(group_id: str, role: str, *said: str) -> str:
    lines = "".join(f"    - {one}\n" for one in said)
    return f"{group_id}:\n  label: A group\n  role: {role}\n  words:\n{lines}  source: practice\n"


def phrases(*said: str, name: str = "heard_as") -> str:
    """Return phrasings that stand before where a finding is found."""
    return f"{name}:\n" + "".join(f"    - {one}\n" for one in said) + "  found_at: [gauge]"


ON_A_GAUGE = "found_at: [gauge]"
HEARD_AS = (
    "  heard_as:\n    petrol: [pump fuel, super]\n    methanol: [wood spirit]\n  source: practice\nboost"
)
NO_HEARD_AS = "  source: practice\nboost"

CASES = [
    Case(
        "words of two groups",
        [(WORDS, "", group("words_for_stink", "same_meaning", "stink", "STENCH!"))],
        WORDS,
        "STENCH!",
        "word_groups.words_for_stink.words.1: 'STENCH!' stands already at kb/word_groups.yaml:20",
        [(WORDS, "", group("words_for_stink", "same_meaning", "stink", "stenches"))],
    ),
    Case(
        "words of a denial and of what denies nothing",
        [(WORDS, "", group("no_denials", "does_not_deny", "Never"))],
        WORDS,
        "Never",
        "word_groups.no_denials.words.0: 'Never' stands already at kb/word_groups.yaml:6",
        [(WORDS, "", group("no_denials", "does_not_deny", "never mind"))],
    ),
    Case(
        "words of small talk and of a denial",
        [(WORDS, "", group("more_small_talk", "small_talk", "doesnt"))],
        WORDS,
        "- doesnt\n",
        "'doesnt' stands already at kb/word_groups.yaml:5",
        # A plain word for something may deny as well.
        [(WORDS, "", group("words_for_never", "same_meaning", "never", "at no time"))],
    ),
    Case(
        "words twice in one group",
        [(WORDS, "    - stench\n", "    - stench\n    - Smell\n")],
        WORDS,
        "Smell\n",
        "word_groups.words_for_smell.words.2: 'Smell' stands already at kb/word_groups.yaml:19",
        [(WORDS, "    - stench\n", "    - stench\n    - smells\n")],
        "warning",
    ),
    Case(
        "words without a word",
        [(WORDS, "    - stench\n", '    - "...!"\n')],
        WORDS,
        "...!",
        "word_groups.words_for_smell.words.1: '...!' holds no word",
        [(WORDS, "    - stench\n", '    - "...a!"\n')],
    ),
    Case(
        "wording that nobody repeats",
        [(WORDS, "    - stench\n", "    - it smells so bad it doesn't bear\n")],
        WORDS,
        "it smells so bad",
        "word_groups.words_for_smell.words.1: 7 words, more than 6",
        # Six words, and a line of small talk of any length.
        [
            (WORDS, "    - stench\n", "    - it smells so bad it doesn't\n"),
            (WORDS, "lovely weather today", "lovely weather today but they say it will rain again"),
        ],
        "warning",
    ),
    Case(
        "wording for a value that the fact has not",
        [(FACTS, NO_HEARD_AS, HEARD_AS.replace("methanol:", "metanol:"))],
        FACTS,
        "metanol:",
        "vehicle_facts.fuel.heard_as.metanol: is no choice of this fact; nearest: methanol",
        [(FACTS, NO_HEARD_AS, HEARD_AS)],
    ),
    Case(
        "wording for a value that is like none",
        [(FACTS, NO_HEARD_AS, HEARD_AS.replace("methanol:", "zzz:"))],
        FACTS,
        "zzz:",
        "is no choice of this fact; nearest: petrol, methanol",
    ),
    Case(
        "wordings of a number",
        [(FACTS, "type: number", "type: number\n  heard_as:\n    high: [lots of it]")],
        FACTS,
        "high:",
        "vehicle_facts.boost_target.heard_as.high: is no choice of this fact",
    ),
    Case(
        "wording for two values",
        [(FACTS, NO_HEARD_AS, HEARD_AS.replace("wood spirit", "Pump-fuel"))],
        FACTS,
        "methanol: [Pump-fuel",
        "vehicle_facts.fuel.heard_as.methanol.0: 'Pump-fuel' stands for petrol as well",
        [(FACTS, NO_HEARD_AS, HEARD_AS.replace("wood spirit", "pump fuels"))],
    ),
    Case(
        "healthy wording that is a complaint of another finding",
        [(SMELL, ON_A_GAUGE, phrases("My garage reeks", name="heard_when_absent"))],
        SMELL,
        "my garage reeks",
        "fuel_smell.heard_as.3: 'my garage reeks' stands for fuel_pressure_low as well",
        [(SMELL, ON_A_GAUGE, phrases("no smell in my garage", name="heard_when_absent"))],
    ),
    Case(
        "healthy wording that is a complaint of its own finding",
        [(SMELL, "found_at: [call]", "heard_when_absent:\n    - it HONKS of fuel\n  found_at: [call]")],
        SMELL,
        "it HONKS of fuel",
        "'it honks of fuel' stands here twice, first at kb/findings/fuel.yaml:9",
        level="warning",
    ),
]


@pytest.fixture
def kb(tmp_path: Path) -> KnowledgeMaker:
    return made(tmp_path)


def made(folder: Path) -> KnowledgeMaker:
    """Return the small knowledge base with groups of words."""
    maker = KnowledgeMaker(folder)
    maker.write(WORDS, GROUPS)
    return maker


def test_the_knowledge_base_that_is_spoilt_below_has_no_problem(kb: KnowledgeMaker) -> None:
    assert kb.problems() == []


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_fires(kb: KnowledgeMaker, case: Case) -> None:
    apply(kb, case.fires)
    problems = kb.problems()
    found = [problem for problem in problems if case.says in problem.message]
    assert found, [str(problem) for problem in problems]
    assert found[0].level == case.level
    assert found[0].file == f"kb/{case.file}"
    assert found[0].line == line_of(kb, case.file, case.at), str(found[0])
    assert len(problems) == 1, [str(problem) for problem in problems]


@pytest.mark.parametrize("case", [case for case in CASES if case.quiet], ids=lambda case: case.name)
def test_stays_quiet(kb: KnowledgeMaker, case: Case) -> None:
    apply(kb, case.quiet)
    assert [str(problem) for problem in kb.problems()] == []


def test_every_lint_of_words_is_fired_by_a_case(tmp_path: Path) -> None:
    silent = {lint for lint in LINTS if lint.__module__ == words.__name__}
    assert len(silent) >= 3
    for i, case in enumerate(CASES):
        kb = made(tmp_path / str(i))
        apply(kb, case.fires)
        source = kb.load()
        silent -= {lint for lint in silent if any(case.says in p.message for p in lint(source))}
    assert silent == set()


SAID = st.sampled_from(["smell", "Smell!", "pong", "doesn't", "doesnt", "whiff of it", "reek", "never"])
ROLES = st.sampled_from(["same_meaning", "denies", "denies_rest", "all_well", "turns"])


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.lists(st.tuples(ROLES, st.lists(SAID, min_size=1, max_size=3)), min_size=1, max_size=4))
def test_whatever_is_claimed_twice_is_told_and_nothing_else(
    tmp_path_factory: pytest.TempPathFactory, groups: list[tuple[str, list[str]]]
) -> None:
    kb = KnowledgeMaker(tmp_path_factory.mktemp("words"))
    kb.write(WORDS, "".join(group(f"g_{i}", role, *said) for i, (role, said) in enumerate(groups)))
    problems = check(load_source(kb.root))
    # Counted anew: one problem for each wording over the first, per kind of use and folded wording.
    claims = [(role == "same_meaning", fold(one)) for role, said in groups for one in said]
    assert len(problems) == len(claims) - len(set(claims))
    across = [{(role == "same_meaning", fold(one)) for one in said} for role, said in groups]
    twice = any(left & right for i, left in enumerate(across) for right in across[i + 1 :])
    assert any(problem.level == "error" for problem in problems) == twice
