"""What a stretch of words says of the state of a finding, learnt from phrasings of both states."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from engine.listening.leaning import DenialWords
from engine.listening.senses import Phrasing, Sense
from engine.listening.states import StateOdds, StateSigns
from engine.listening.wording import split_clauses, split_words
from engine.model import KnownState, WordGroup

DENIALS = DenialWords.of(
    WordGroup.model_validate({"label": "Words", "role": role, "words": words, "source": "practice"})
    for role, words in (("denies", ["wont", "isnt"]), ("denies_rest", ["no"]), ("all_well", ["fine"]))
)


def sense(finding: str, state: KnownState, *texts: str) -> Sense:
    said = []
    for text in texts:
        words = split_words(text)
        stems = frozenset(word.stem for word in words)
        said.append(Phrasing(words, words, stems, DENIALS.of_phrasing(text, words)))
    return Sense(finding, state, tuple(said))


SENSES = (
    sense("hard_start", "present", "engine won't start", "it won't start hot", "cranks for an age"),
    sense("hard_start", "absent", "engine starts first time", "starts at once"),
    sense("smoke", "present", "engine smokes", "clouds of smoke"),
    sense("smoke", "absent", "engine has no smoke", "clear behind"),
    sense("bare", "present", "brakes squeal"),
)
ODDS = StateOdds(SENSES)


def signs(finding: str, text: str, alike: float = 0.0) -> StateSigns:
    words = split_words(text)
    telling = {w.stem: 1.0 for s in SENSES if s.finding == finding for p in s.phrasings for w in p.words}
    clauses = split_clauses(text, words, DENIALS.turns)
    return ODDS.signs(finding, telling, words, DENIALS.leaning(text, words, clauses), clauses, alike)


@pytest.mark.parametrize(
    ("finding", "text", "state"),
    [
        ("smoke", "it smokes", "present"),
        ("smoke", "there is no smoke", "absent"),
        ("smoke", "smoke isnt there", "absent"),
        ("smoke", "clear behind", "absent"),
        # What ought to be, denied: the trouble is there.
        ("hard_start", "it won't start", "present"),
        ("hard_start", "it starts", "absent"),
        ("hard_start", "cranks and cranks", "present"),
        # The denial of a part counts by what its own clause tells.
        ("smoke", "it smokes, no paint", "present"),
        # A finding whose absence nobody has written: only denials and well-being speak against it.
        ("bare", "brakes squeal", "present"),
        ("bare", "no squeal", "absent"),
        ("bare", "brakes are fine", "absent"),
    ],
)
def test_the_state_of_a_stretch(finding: str, text: str, state: KnownState) -> None:
    assert ("absent" if signs(finding, text).log_odds_of_absence > 0.0 else "present") == state


def test_what_the_signs_are() -> None:
    # "start" stands, denied, in 2 of 3 phrasings of presence and in none of absence.
    lack = signs("hard_start", "it won't start")
    assert lack.own > 0.5 and lack.denied == 1.0 and lack.lack == pytest.approx(1.0) and lack.well == 0.0
    assert signs("hard_start", "it starts").own < -0.5
    assert signs("smoke", "no smoke").lack == 0.0
    assert signs("bare", "brakes are fine").well == 1.0


@given(st.text(st.characters(codec="ascii"), max_size=80), st.sampled_from(["hard_start", "smoke", "bare"]))
def test_signs_keep_to_their_ranges(text: str, finding: str) -> None:
    said = signs(finding, text, alike=0.25)
    assert -1.0 <= said.own <= 1.0 and said.loudest >= 0.0 and said.alike == 0.25
    assert all(0.0 <= share <= 1.0 + 1e-9 for share in (said.denied, said.lack, said.well))
    assert math.isfinite(said.log_odds_of_absence)


def test_words_that_no_phrasing_of_the_finding_has_say_nothing() -> None:
    said = signs("smoke", "won't go to the moon")
    assert (said.own, said.denied, said.lack, said.well) == (0.0, 0.0, 0.0, 0.0)


def test_a_knowledge_base_without_phrasings_of_absence_hears_denials_still() -> None:
    odds = StateOdds(SENSES[:1])
    words = split_words("it won't start")
    clauses = split_clauses("it won't start", words, DENIALS.turns)
    said = odds.signs(
        "hard_start", {"start": 1.0}, words, DENIALS.of_phrasing("it won't start", words), clauses, 0.0
    )
    assert (said.own, said.denied) == (0.0, 1.0)
