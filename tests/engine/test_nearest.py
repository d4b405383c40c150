from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from engine.nearest import nearest

KNOWN = ["fuel_leak_seen", "fuel_smell_in_bay", "oil_level_low", "oil_level_high", "knock_heard"]


def test_a_slip_finds_its_word_first() -> None:
    assert nearest("fuel_leek_seen", KNOWN)[0] == "fuel_leak_seen"
    assert nearest("Oil-Level Low", KNOWN)[0] == "oil_level_low"


def test_words_in_another_order_are_found() -> None:
    assert nearest("seen_fuel_leak", KNOWN)[0] == "fuel_leak_seen"


def test_hopeless_words_find_nothing() -> None:
    assert nearest("zzzzqqq", KNOWN) == ()
    assert nearest("", KNOWN) == ()
    assert nearest("fuel_leak_seen", []) == ()


def test_the_limit_is_kept() -> None:
    assert len(nearest("oil_level", KNOWN, limit=1)) == 1
    assert nearest("oil_level", KNOWN, limit=0) == ()


@given(st.text(max_size=30), st.lists(st.text(max_size=12), max_size=12), st.randoms())
def test_the_order_of_the_known_words_does_not_matter(
    word: str,
    known: list[str],
    random: st.randoms,  # type: ignore[valid-type]
) -> None:
    shuffled = list(known)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    found = nearest(word, known)
    assert found == nearest(word, shuffled)
    assert len(found) <= 3
    assert set(found) <= set(known)


@given(st.sampled_from(KNOWN))
def test_a_known_word_is_nearest_to_itself(word: str) -> None:
    assert nearest(word, KNOWN)[0] == word
