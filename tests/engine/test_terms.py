"""TF-IDF vectors and their cosine: held against scikit-learn's, which knows nothing of ours."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import chain
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from sklearn.feature_extraction.text import TfidfVectorizer

from engine.knowledge import Knowledge
from engine.listening.terms import Floats, TermIndex, Terms, letter_terms, word_terms
from engine.listening.wording import SameWords, Word, split_words

Texts = list[list[str]]

CLOSE = 1e-5
BETWEEN = "\t"
"""What divides the terms of a text that goes to scikit-learn: a plain wording holds blanks itself."""

# Few letters, so that texts share terms; one of two bytes, one that folds to two.
SOME_WORDS = st.text("abcé9ß", min_size=1, max_size=7)
SOME_TEXTS = st.lists(st.lists(SOME_WORDS, max_size=9), min_size=1, max_size=8)


def words_reference() -> TfidfVectorizer:
    """Return scikit-learn's stems with bigrams, made of its own n-grams and not of `word_terms`."""
    return TfidfVectorizer(
        tokenizer=lambda text: [term for term in text.split(BETWEEN) if term],
        token_pattern=None,
        ngram_range=(1, 2),
        lowercase=False,
        sublinear_tf=True,
    )


def letters_reference() -> TfidfVectorizer:
    """Return scikit-learn's runs of letters within words."""
    return TfidfVectorizer(analyzer="char_wb", ngram_range=(3, 5), lowercase=False, sublinear_tf=True)


def by_reference(vectorizer: TfidfVectorizer, between: str, rows: Texts, asked: Texts) -> NDArray[Any] | None:
    """Return scikit-learn's cosines of `asked` with `rows`, or None where it has no term to go by."""
    try:
        known = vectorizer.fit_transform([between.join(row) for row in rows])
    except ValueError as error:
        assert "empty vocabulary" in str(error)
        return None
    found: NDArray[Any] = (vectorizer.transform([between.join(text) for text in asked]) @ known.T).toarray()
    return found


def agree(ours: Floats, theirs: NDArray[Any] | None) -> None:
    if theirs is None:
        assert not ours.any()
    else:
        np.testing.assert_allclose(ours, theirs, rtol=0.0, atol=CLOSE)


@pytest.fixture(scope="module")
def said(knowledge: Knowledge) -> list[tuple[Word, ...]]:
    """Every fifth phrasing of the knowledge base, as the listener reads it."""
    source = knowledge.source
    same = SameWords(source.word_groups.values())
    texts = chain.from_iterable((*f.heard_as, *f.heard_when_absent) for f in source.findings.values())
    return [same.plain(split_words(text)) for text in list(texts)[::5]]


def test_real_phrasings_by_words(said: list[tuple[Word, ...]]) -> None:
    texts = [[word.stem for word in words] for words in said]
    rows, asked = texts[::2], texts[1::2]
    ours = TermIndex(word_terms, rows).likeness(asked)
    assert ours.shape == (len(asked), len(rows))
    assert np.count_nonzero(ours) > 10 * len(rows)
    agree(ours, by_reference(words_reference(), BETWEEN, rows, asked))


def test_real_phrasings_by_letters(said: list[tuple[Word, ...]]) -> None:
    texts = [[word.folded for word in words] for words in said]
    rows, asked = texts[::2], texts[1::2]
    ours = TermIndex(letter_terms, rows).likeness(asked)
    assert np.count_nonzero(ours) > 10 * len(rows)
    agree(ours, by_reference(letters_reference(), " ", rows, asked))


@settings(deadline=None)
@given(SOME_TEXTS, SOME_TEXTS)
def test_any_words(rows: Texts, asked: Texts) -> None:
    agree(TermIndex(word_terms, rows).likeness(asked), by_reference(words_reference(), BETWEEN, rows, asked))


@settings(deadline=None)
@given(SOME_TEXTS, SOME_TEXTS)
def test_any_letters(rows: Texts, asked: Texts) -> None:
    agree(TermIndex(letter_terms, rows).likeness(asked), by_reference(letters_reference(), " ", rows, asked))


@given(st.lists(SOME_WORDS, max_size=6))
def test_runs_of_letters_are_those_of_scikit_learn(words: list[str]) -> None:
    """Equal for any word with a letter, also for one shorter than the run, which both take once, whole.

    They differ for an empty word alone: ours gives its two blanks, theirs sees no word. None ever comes.
    """
    theirs = letters_reference().build_analyzer()(" ".join(words))
    assert sorted(letter_terms(words)) == sorted(theirs)
    assert list(letter_terms([""])) == ["  "]
    assert letters_reference().build_analyzer()("") == []


def test_words_that_stand_for_nothing_are_passed_over() -> None:
    assert list(word_terms(["blow off valv", "", "", "leak"])) == [
        "blow off valv",
        "leak",
        "blow off valv leak",
    ]
    assert list(word_terms(["", ""])) == []


@pytest.mark.parametrize("terms", [word_terms, letter_terms])
@given(texts=SOME_TEXTS)
def test_a_text_is_as_like_itself_as_can_be_and_likeness_is_mutual(terms: Terms, texts: Texts) -> None:
    found = TermIndex(terms, texts).likeness(texts)
    for i, text in enumerate(texts):
        assert found[i, i] == pytest.approx(1.0 if text else 0.0, abs=CLOSE)
    assert found == pytest.approx(found.T, abs=CLOSE)
    assert found.min() >= 0.0
    assert found.max() <= 1.0 + CLOSE


@pytest.mark.parametrize("terms", [word_terms, letter_terms])
@given(rows=SOME_TEXTS, text=st.lists(SOME_WORDS, max_size=6), strange=st.lists(st.text("xyz", min_size=3)))
def test_unknown_terms_count_for_nothing(
    terms: Terms, rows: Texts, text: Sequence[str], strange: Sequence[str]
) -> None:
    index = TermIndex(terms, rows)
    plain, more, alone, nothing = index.likeness([text, [*text, *strange], strange, []])
    assert more == pytest.approx(plain, abs=CLOSE)
    assert not alone.any()
    assert not nothing.any()


def test_nothing_to_compare_with() -> None:
    assert TermIndex(word_terms, []).likeness([["oil"]]).shape == (1, 0)
    assert TermIndex(word_terms, [["oil"]]).likeness([]).shape == (0, 1)
    assert not TermIndex(word_terms, [[], []]).likeness([["oil"]]).any()


def test_a_rare_term_weighs_more_than_a_common_one() -> None:
    rows = [["oil", "hiss"], ["oil", "knock"], ["oil", "smoke"]]
    found = TermIndex(word_terms, rows).likeness([["oil"], ["hiss"]])
    assert found[1, 0] > found[0, 0] > 0.0
