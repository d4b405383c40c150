"""Words keep their place, clauses divide them, spans lie inside, and the longest run is found."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from engine.knowledge import Knowledge
from engine.listening.wording import (
    LONG_CLAUSE,
    MAX_LETTERS,
    MAX_WORDS,
    Run,
    Runs,
    SameWords,
    Span,
    spans_of,
    split_clauses,
    split_words,
)
from engine.model import WordGroup
from engine.phrasing import fold

ANY_TEXT = st.text(st.characters())
"""Any code points at all, lone surrogates among them."""

TYPED = st.text("aBc9 .,'!?()-\n", max_size=80).filter(lambda text: "''" not in text)
"""What a keyboard gives in a hurry; two apostrophes in a row part words for the listener, not for `fold`."""

TURNS = Runs([("but",), ("apart", "from")])
SAID = st.lists(
    st.sampled_from(["oil", "but", "apart", "from", "and", "hiss", ". ", ", ", "? ", " - ", "\n"]),
    max_size=60,
).map(" ".join)
RUNS = st.sets(st.lists(st.sampled_from("abc"), min_size=1, max_size=4).map(tuple), max_size=8)


def same(*words: str, role: str = "same_meaning") -> WordGroup:
    return WordGroup.model_validate(
        {"label": "Words for it", "role": role, "words": words, "source": "common_practice"}
    )


def cut(text: str, turns: Runs = TURNS) -> list[str]:
    """Return the clauses of a text as they were typed."""
    words = split_words(text)
    return [text[words[c.first].start : words[c.last - 1].end] for c in split_clauses(text, words, turns)]


@given(ANY_TEXT)
def test_words_keep_their_place_and_nothing_is_lost(text: str) -> None:
    words = split_words(text)
    at = 0
    for word in words:
        said = text[word.start : word.end]
        assert at <= word.start < word.end <= len(text)
        assert not re.search(r"[^\W_]", text[at : word.start]), "letters between the words"
        # Folded again, for a capital letter may fold to a letter and a mark, as the dotted I does.
        assert fold(said)[:MAX_LETTERS].startswith(fold(word.folded))
        if len(said.casefold()) <= MAX_LETTERS:
            assert fold(said) == fold(word.folded)
        at = word.end
    assert not re.search(r"[^\W_]", text[at:])


@given(TYPED)
def test_words_are_those_of_the_folded_text(text: str) -> None:
    assert [word.folded for word in split_words(text)] == fold(text).split()


def test_apostrophes_and_case_make_no_other_word() -> None:
    for text in ("won't", "Won’t", "WON`T", "wont", "won´t"):
        assert [word.folded for word in split_words(text)] == ["wont"]
    assert [word.folded for word in split_words("oil_cap 'ello P0299!")] == ["oil", "cap", "ello", "p0299"]


def test_too_many_words_and_too_many_letters_are_cut() -> None:
    assert len(split_words("oil " * (MAX_WORDS + 5))) == MAX_WORDS
    (word,) = split_words("x" * 1000)
    assert len(word.folded) == MAX_LETTERS
    assert word.end == 1000


@given(st.one_of(ANY_TEXT, TYPED, SAID))
def test_clauses_divide_the_words_and_spans_lie_within(text: str) -> None:
    words = split_words(text)
    clauses = split_clauses(text, words, TURNS)
    assert [i for c in clauses for i in range(c.first, c.last)] == list(range(len(words)))
    assert all(c.first < c.last for c in clauses)
    assert [c.sentence for c in clauses] == sorted(c.sentence for c in clauses)
    spans = spans_of(clauses)
    assert len(set(spans)) == len(spans)
    assert spans == sorted(spans, key=lambda span: (span.first, span.last))
    assert all(0 <= span.first < span.last <= len(words) for span in spans)
    assert {Span(c.first, c.last) for c in clauses} <= set(spans)


@pytest.mark.parametrize(
    ("text", "clauses"),
    [
        ("It hisses, no smoke", ["It hisses", "no smoke"]),
        ("no smoke but it hisses", ["no smoke", "but it hisses"]),
        ("all fine apart from a hiss", ["all fine", "apart from a hiss"]),
        ("it moved apart and hisses", ["it moved apart", "and hisses"]),
        ("oil - hot - hisses", ["oil", "hot", "hisses"]),
        ("blow-off valve", ["blow-off valve"]),
        ("pinking? no", ["pinking", "no"]),
        ("oil\nhiss…smoke", ["oil", "hiss", "smoke"]),
        ("but it hisses", ["but it hisses"]),
        ("...", []),
        ("", []),
    ],
)
def test_where_a_clause_ends(text: str, clauses: list[str]) -> None:
    assert cut(text) == clauses


def test_sentences_are_counted_and_two_clauses_are_one_span_unless_two_sentences_lie_between() -> None:
    text = "oil, hiss. smoke! "
    words = split_words(text)
    clauses = split_clauses(text, words, TURNS)
    assert [clause.sentence for clause in clauses] == [0, 0, 1]
    assert Span(0, 3) in spans_of(clauses)
    text = "oil. hiss? smoke"
    words = split_words(text)
    spans = spans_of(split_clauses(text, words, TURNS))
    assert Span(0, 2) in spans
    assert Span(0, 3) not in spans


@given(st.integers(LONG_CLAUSE + 1, 200))
def test_every_word_of_a_clause_without_a_stop_is_in_a_shorter_span(count: int) -> None:
    text = "oil " * count
    words = split_words(text)
    short = [s for s in spans_of(split_clauses(text, words, TURNS)) if s.last - s.first <= LONG_CLAUSE]
    assert {i for span in short for i in range(span.first, span.last)} == set(range(count))


@given(RUNS, st.lists(st.sampled_from("abcd"), min_size=1, max_size=10), st.data())
def test_the_longest_run_is_found(runs: set[Run], words: list[str], data: st.DataObject) -> None:
    first = data.draw(st.integers(0, len(words) - 1))
    last = data.draw(st.integers(first + 1, len(words)))
    fitting = [n for n in range(1, last - first + 1) if tuple(words[first : first + n]) in runs]
    assert Runs(runs).at(words, first, last) == max(fitting, default=0)


def test_an_empty_run_is_none() -> None:
    assert Runs([()]).at(["oil"], 0, 1) == 0


def test_wordings_of_one_meaning_have_the_stem_of_the_plain_one_and_keep_their_places() -> None:
    plain = SameWords([same("blow off valve", "dump valve"), same("turbo", "turbocharger", "snail")]).plain
    text = "Blow-off valve, dump valves: turbo and snails"
    said = split_words(text)
    told = plain(said)
    assert [word.stem for word in told] == [
        "blow off valv",
        "",
        "",
        "blow off valv",
        "",
        "turbo",
        "and",
        "turbo",
    ]
    assert [(w.folded, w.start, w.end) for w in told] == [(w.folded, w.start, w.end) for w in said]


def test_the_longer_wording_wins_and_other_roles_say_nothing_here() -> None:
    plain = SameWords(
        [same("heat", "hot"), same("spark", "hot spot"), same("smoke", "oil", role="small_talk")]
    ).plain
    assert [word.stem for word in plain(split_words("hot spot, hot oil"))] == ["spark", "", "heat", "oil"]


@given(st.one_of(ANY_TEXT, SAID))
def test_plain_words_are_as_many_and_plain_already(text: str) -> None:
    words = split_words(text)
    plain = SameWords([same("oil hiss", "hiss"), same("smoke", "from oil")]).plain
    told = plain(words)
    assert len(told) == len(words)
    assert SameWords([]).plain(words) == words
    assert all(word.stem for word in words)
    for before, after in zip(words, told, strict=True):
        assert (before.folded, before.start, before.end) == (after.folded, after.start, after.end)


def test_every_wording_of_the_knowledge_base_means_the_plain_one(knowledge: Knowledge) -> None:
    groups = knowledge.source.word_groups
    plain = SameWords(groups.values()).plain
    other, all_of_them = [], 0
    for group_id, group in groups.items():
        if group.role != "same_meaning":
            continue
        told = [[w.stem for w in plain(split_words(words)) if w.stem] for words in group.words]
        assert all(len(stems) == 1 for stems in told), group_id
        other += [words for words, stems in zip(group.words, told, strict=True) if stems != told[0]]
        all_of_them += len(told)
    # Stems that two groups claim, as of an accelerator and accelerating: the group that came first has them.
    assert len(other) <= all_of_them / 200, other
