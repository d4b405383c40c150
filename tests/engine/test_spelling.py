"""Words that nobody knows, taken for those they were meant to be."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from engine.listening.spelling import MOST_MENDED, Spelling
from engine.listening.wording import Word, split_words

TEXTS = ("coolant bubbles under boost", "the coolant smells", "bubbles and boost", "it smells", "once seldom")
SPELLING = Spelling(split_words(text) for text in TEXTS)


def stems(text: str) -> list[str]:
    return [word.stem for word in SPELLING.mend(split_words(text))]


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("coolent", "coolant"),
        ("colant", "coolant"),
        ("coolnat", "coolant"),
        ("bubbels", "bubbl"),
        ("bosst", "boost"),
        # Known, though rare: nobody's slip.
        ("seldom", "seldom"),
        # A word met once is nothing to mend towards.
        ("seldim", "seldim"),
        # Too short, too far off, or begun otherwise.
        ("bst", "bst"),
        ("cooperative", "cooper"),
        ("moolant", "moolant"),
    ],
)
def test_a_slip_of_the_finger(typed: str, meant: str) -> None:
    assert stems(typed) == [meant]


@given(st.text(max_size=60))
def test_only_stems_change(text: str) -> None:
    words = split_words(text)
    told = SPELLING.mend(words)
    assert [(w.folded, w.start, w.end) for w in told] == [(w.folded, w.start, w.end) for w in words]
    assert SPELLING.mend(told) == told


def test_a_text_of_nothing_but_unknown_words_is_mended_in_part() -> None:
    told = stems("coolent " * (MOST_MENDED + 5))
    assert told.count("coolant") == MOST_MENDED and len(told) == MOST_MENDED + 5


def test_an_empty_knowledge_base_mends_nothing() -> None:
    words = (Word("coolent", "coolent", 0, 7),)
    assert Spelling([]).mend(words) == words
