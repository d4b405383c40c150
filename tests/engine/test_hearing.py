"""What is heard in any text at all, and in the knowledge base's own wordings."""

from __future__ import annotations

import itertools
import random
import re
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from engine.answer import KbStamp
from engine.knowledge import Knowledge
from engine.listening.answer import MAX_TEXT, OPENING_QUESTION, PhrasesAnswer, tell_heard
from engine.listening.hearing import MOST_NEAREST, Heard, HeardFinding, Listener
from engine.loading import KnowledgeSource
from engine.model import KnownState

STAMP = KbStamp(version="0.0.0", revision="0", content_hash="0")

# Shares that must be kept however the weights are tuned; what is reached stands beside each.
LEAST_HEARD = 0.99  # 1.000 of the own phrasings
LEAST_RIGHT_STATE = 0.96  # 0.982 of those heard
LEAST_BOTH_HEARD = 0.97  # 1.000 of two phrasings said one after the other
MOST_SMALL_TALK = 0.02  # 0.004 of the lines of small talk

SLOW = settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))

SCRAPS = (
    "turbo", "oil", "no", "doesn't", "hiss", "on boost", "smoke", "but", "and", "fine", "P0299", "e85",
    "knocks", "?", ".", ",", "\n", "don’t know", "😀", "\x00", "ةكر", "1.2", "bar",
)  # fmt: skip
TEXTS = st.one_of(st.text(st.characters(), max_size=200), st.lists(st.sampled_from(SCRAPS)).map(" ".join))


@pytest.fixture(scope="module")
def source(knowledge: Knowledge) -> KnowledgeSource:
    return knowledge.source


@pytest.fixture(scope="module")
def listener(source: KnowledgeSource) -> Listener:
    return Listener(source)


@dataclass(frozen=True)
class Own:
    """A phrasing of the knowledge base, what it means, and what is heard in it."""

    finding: str
    state: KnownState
    phrasing: str
    heard: tuple[HeardFinding, ...]


@pytest.fixture(scope="module")
def own(source: KnowledgeSource, listener: Listener) -> list[Own]:
    """Every phrasing of every finding, each listened to by itself for at most five findings."""
    said: list[tuple[str, KnownState, str]] = []
    for finding, entry in source.findings.items():
        said += [(finding, "present", phrasing) for phrasing in entry.heard_as]
        said += [(finding, "absent", phrasing) for phrasing in entry.heard_when_absent]
    return [Own(*one, listener.listen(one[2], 5).findings) for one in said]


def held(heard: Heard, text: str, most: int) -> None:
    """Assert what holds of anything that was heard."""
    assert heard.text == text
    assert len(heard.findings) <= most
    scores = [finding.score for finding in heard.findings]
    assert scores == sorted(scores, reverse=True)
    names = [finding.finding for finding in (*heard.findings, *heard.nearest)]
    assert len(set(names)) == len(names)
    assert len(heard.nearest) <= MOST_NEAREST
    for i, finding in enumerate(heard.findings):
        assert finding.rival_of is None or finding.rival_of in names[:i]
    for finding in (*heard.findings, *heard.nearest):
        assert 0.0 <= finding.score <= 1.0
        assert 0 <= finding.first < finding.last <= len(heard.words)
        assert finding.words
        assert set(finding.words) <= set(range(finding.first, finding.last))
        assert heard.said(finding.first, finding.last) in text
    for fact in heard.vehicle:
        assert 0 <= fact.first < fact.last <= len(heard.words)
    assert len({fact.fact for fact in heard.vehicle}) == len(heard.vehicle)


@SLOW
@given(text=TEXTS, most=st.integers(1, 50))
def test_any_text_is_heard(listener: Listener, source: KnowledgeSource, text: str, most: int) -> None:
    heard = listener.listen(text, most)
    held(heard, text, most)
    assert listener.listen(text, most) == heard
    answer = tell_heard(source, STAMP, heard)
    assert answer.nothing_matched == (not answer.findings)
    assert bool(answer.ask) == answer.nothing_matched
    if answer.nothing_matched:
        assert answer.ask == (answer.nearest[0].question if answer.nearest else OPENING_QUESTION)
    for part in (*answer.findings, *answer.vehicle):
        assert text[part.start : part.end] == part.said
        assert part.said.strip()
    for finding in answer.findings:
        assert all(word in finding.said for word in finding.words)


@SLOW
@given(text=TEXTS, few=st.integers(1, 5))
def test_a_lower_limit_only_cuts_the_list(listener: Listener, text: str, few: int) -> None:
    all_of_them, some = listener.listen(text, 50), listener.listen(text, few)
    assert some.findings == all_of_them.findings[:few]
    assert (some.vehicle, some.trouble_codes) == (all_of_them.vehicle, all_of_them.trouble_codes)


@SLOW
@given(data=st.data())
def test_case_and_spare_marks_change_nothing(
    listener: Listener, source: KnowledgeSource, data: st.DataObject
) -> None:
    finding = data.draw(st.sampled_from([f for f in source.findings.values() if f.heard_as]))
    text = data.draw(st.sampled_from(finding.heard_as))
    plain = listener.listen(text).findings
    assert listener.listen(text.upper()).findings == plain
    assert listener.listen(f"  ...{text}!!  ").findings == plain


@pytest.mark.parametrize(
    "text", ["", " ", "?!", "\n\n", "😀", "\x00", "\N{RIGHT-TO-LEFT OVERRIDE}", "_", "'"]
)
def test_a_text_without_words_asks_the_opening_question(
    listener: Listener, source: KnowledgeSource, text: str
) -> None:
    answer = tell_heard(source, STAMP, listener.listen(text))
    assert answer == PhrasesAnswer(
        kb=STAMP,
        findings=[],
        vehicle=[],
        trouble_codes=[],
        nothing_matched=True,
        nearest=[],
        ask=OPENING_QUESTION,
    )


def test_own_phrasings_are_heard_among_the_first_five(own: list[Own]) -> None:
    lost = [one for one in own if one.finding not in {heard.finding for heard in one.heard}]
    assert len(own) > 5_000
    assert len(lost) <= (1.0 - LEAST_HEARD) * len(own), [(one.finding, one.phrasing) for one in lost[:20]]


def test_own_phrasings_are_heard_in_their_state(own: list[Own]) -> None:
    states = [(one, heard.state) for one in own for heard in one.heard if heard.finding == one.finding]
    wrong = [(one.finding, one.state, one.phrasing) for one, state in states if state != one.state]
    assert len(wrong) <= (1.0 - LEAST_RIGHT_STATE) * len(states), wrong[:20]


def test_every_askable_finding_is_heard_in_one_of_its_own_phrasings_before_all_others(own: list[Own]) -> None:
    askable = {one.finding for one in own}
    first = {one.finding for one in own if one.heard and one.heard[0].finding == one.finding}
    assert askable - first == set()


def test_two_complaints_one_after_the_other_are_both_heard(
    listener: Listener, source: KnowledgeSource
) -> None:
    draw = random.Random(20)
    said = [(f, phrasing) for f, entry in source.findings.items() for phrasing in entry.heard_as]
    both = tried = 0
    while tried < 200:
        (left, one), (right, other) = draw.sample(said, 2)
        # Of two systems, so that they are not two ways to say nearly one thing.
        if source.system_of["findings", left] == source.system_of["findings", right]:
            continue
        tried += 1
        found = {heard.finding for heard in listener.listen(f"{one}. {other}.", 10).findings}
        both += {left, right} <= found
    assert both >= LEAST_BOTH_HEARD * tried


def test_small_talk_raises_hardly_anything(listener: Listener, source: KnowledgeSource) -> None:
    lines = [
        line for group in source.word_groups.values() if group.role == "small_talk" for line in group.words
    ]
    raised = [line for line in lines if listener.listen(line).findings]
    assert len(lines) > 500
    assert len(raised) <= MOST_SMALL_TALK * len(lines), raised


def test_every_own_wording_of_a_vehicle_fact_is_heard(listener: Listener, source: KnowledgeSource) -> None:
    lost = []
    for fact, entry in source.vehicle_facts.items():
        for value, wordings in entry.heard_as.items():
            for wording in wordings:
                heard = {h.fact: h.value for h in listener.listen(wording).vehicle}
                if heard.get(fact) != value:
                    lost.append((fact, value, wording, heard))
    assert lost == []


@pytest.mark.parametrize(
    ("text", "facts"),
    [
        ("It's a twin turbo on E85", {"induction": "turbocharged", "fuel": "ethanol_blend"}),
        ("turbcharged, with a manual gearbx", {"induction": "turbocharged", "gearbox": "manual"}),
        ("the whole car is twin charged", {"induction": "twin_charged"}),
        ("its a turbo, sorry, a supercharger", {"induction": "supercharged"}),
        ("its a turbo, not a supercharger", {"induction": "turbocharged"}),
        ("its not supercharged, its got one big turbo", {"induction": "turbocharged"}),
        ("its not supercharged, its turbo", {"induction": "turbocharged"}),
        ("it isn't on e85", {}),
        ("i dont have a supercharger", {}),
        ("had the cat removed, still rear wheel drive", {"catalyst": "removed", "driven_wheels": "rear"}),
        ("it was on e85, now its on pump fuel", {"fuel": "petrol"}),
        ("the weather is lovely", {}),
    ],
)
def test_vehicle_facts_among_other_words(listener: Listener, text: str, facts: dict[str, str]) -> None:
    heard = listener.listen(text)
    assert {fact.fact: fact.value for fact in heard.vehicle} == facts


@pytest.mark.parametrize(
    ("text", "codes"),
    [
        ("P0299 and p0087", ("P0299", "P0087")),
        ("code:B1234; U0100/C0035 twice, c0035", ("B1234", "U0100", "C0035")),
        ("p02ab", ("P02AB",)),
        # No code: a wrong letter, a wrong second place, too long, within a word.
        ("X0299 P4299 P02999 P029 AP0299 P0299B", ()),
        ("", ()),
    ],
)
def test_trouble_codes(listener: Listener, text: str, codes: tuple[str, ...]) -> None:
    assert listener.listen(text).trouble_codes == codes


@SLOW
@given(text=TEXTS, code=st.from_regex(r"\A[PCBU][0-3][0-9A-F]{3}\Z"))
def test_a_code_is_heard_in_whatever_is_around_it(listener: Listener, text: str, code: str) -> None:
    assert code in listener.listen(f"{text} {code.lower()} {text}").trouble_codes


def test_eight_threads_hear_the_same(listener: Listener, source: KnowledgeSource) -> None:
    said = [entry.heard_as[0] for entry in itertools.islice(source.findings.values(), 200) if entry.heard_as]
    texts = [f"{one}, {other}" for one, other in itertools.pairwise(said)][:60]
    alone = [listener.listen(text) for text in texts]
    with ThreadPoolExecutor(8) as pool:
        answers = list(pool.map(listener.listen, texts * 8))
    assert answers == alone * 8


def test_a_listener_built_anew_hears_the_same(listener: Listener, source: KnowledgeSource) -> None:
    text = "no smoke. it hisses on boost and the clutch slips, engine light came on"
    assert Listener(source).listen(text) == listener.listen(text)


@pytest.mark.parametrize("stops", [". ", ", ", " "])
def test_a_long_story_ends_in_time(listener: Listener, source: KnowledgeSource, stops: str) -> None:
    said = [phrasing for entry in source.findings.values() for phrasing in entry.heard_as]
    random.Random(3).shuffle(said)
    if stops == " ":
        said = [re.sub(r"\band\b|[^\w\s]", "", phrasing) for phrasing in said]
    text = stops.join(said)[:MAX_TEXT]
    # Time of this process, so that a busy machine does not count.
    start = time.process_time()
    heard = listener.listen(text)
    assert time.process_time() - start < 10.0
    held(heard, text, 10)
    assert len(heard.findings) == 10
