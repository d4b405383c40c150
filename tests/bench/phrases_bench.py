"""The listener beside general-purpose libraries, on the same phrasings and the same held-apart lines.

Each library ranks all phrasings for the whole line; a finding has its best phrasing (SQLite: all of them as
one document). Nobody raises a threshold here: what is compared is the order alone.
"""

from __future__ import annotations

import re
import sqlite3
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import bm25s
import numpy as np
import wordllama
from numpy.typing import NDArray
from rapidfuzz import fuzz, process
from sklearn.feature_extraction.text import TfidfVectorizer

from engine.knowledge import load
from engine.listening.hearing import Listener
from engine.listening.wording import split_words
from engine.loading import KnowledgeSource
from tests.phrases.lines import HELD_APART, Line, read_lines

Scores = NDArray[np.float64]
Ranker = Callable[[str], Sequence[str]]


class Phrasings:
    """All phrasings of findings that are asked on a call, and whose they are."""

    def __init__(self, source: KnowledgeSource) -> None:
        self.findings = [i for i, finding in source.findings.items() if finding.heard_as]
        self.texts: list[str] = []
        self.owner: list[int] = []
        for number, finding_id in enumerate(self.findings):
            finding = source.findings[finding_id]
            for text in (*finding.heard_as, finding.label, finding.question):
                self.texts.append(text)
                self.owner.append(number)

    def order(self, scores: Scores) -> Sequence[str]:
        """Return the findings by their best phrasing."""
        best = np.full(len(self.findings), -np.inf)
        np.maximum.at(best, self.owner, scores)
        return [self.findings[i] for i in np.argsort(-best, kind="stable")]


def stems(text: str) -> list[str]:
    """Return the stems of a text, as the listener has them."""
    return [word.stem for word in split_words(text)]


def by_fts5(phrasings: Phrasings) -> Ranker:
    """SQLite's full-text index, Porter stemming, its bm25()."""
    base = sqlite3.connect(":memory:")
    base.execute("CREATE VIRTUAL TABLE said USING fts5(finding UNINDEXED, text, tokenize='porter')")
    for number, finding in enumerate(phrasings.findings):
        texts = [t for t, owner in zip(phrasings.texts, phrasings.owner, strict=True) if owner == number]
        base.execute("INSERT INTO said VALUES (?, ?)", (finding, ". ".join(texts)))

    def rank(line: str) -> Sequence[str]:
        words = " OR ".join(f'"{word}"' for word in re.findall(r"[a-z0-9]+", line.lower()))
        rows = base.execute(
            "SELECT finding FROM said WHERE said MATCH ? ORDER BY bm25(said)", (words or '""',)
        )
        return [row[0] for row in rows]

    return rank


def by_bm25(phrasings: Phrasings) -> Ranker:
    """BM25 over stems."""
    index = bm25s.BM25()
    index.index([stems(text) for text in phrasings.texts], show_progress=False)

    def rank(line: str) -> Sequence[str]:
        known = [stem for stem in stems(line) if stem in index.vocab_dict]
        return phrasings.order(index.get_scores(known) if known else np.zeros(len(phrasings.texts)))

    return rank


def by_tfidf(phrasings: Phrasings, **how: object) -> Ranker:
    """TF-IDF cosine by the vectorizer of a machine-learning toolkit."""
    vectorizer = TfidfVectorizer(sublinear_tf=True, **how)
    rows = vectorizer.fit_transform(phrasings.texts)
    return lambda line: phrasings.order((vectorizer.transform([line]) @ rows.T).toarray()[0])


def by_spelling(phrasings: Phrasings) -> Ranker:
    """Edit-distance likeness of sets of words."""

    def rank(line: str) -> Sequence[str]:
        scores = process.cdist([line.lower()], phrasings.texts, scorer=fuzz.token_set_ratio)[0]
        return phrasings.order(scores.astype(float))

    return rank


def by_embedding(phrasings: Phrasings) -> Ranker:
    """Cosine of mean word vectors (256 numbers) that ship inside their package; nothing is fetched."""
    folder = Path(wordllama.__file__).parent
    model = wordllama.WordLlama.load(cache_dir=folder, disable_download=True)
    rows = model.embed(phrasings.texts, norm=True)
    return lambda line: phrasings.order((model.embed([line], norm=True) @ rows.T)[0].astype(float))


def by_listener(source: KnowledgeSource) -> Ranker:
    """The listener, without its threshold."""
    listener = Listener(source)
    return lambda line: [finding for finding, _ in listener.candidates(line)]


def measure(rank: Ranker, lines: Sequence[Line]) -> tuple[float, float, float]:
    """Return recall@1, recall@5 and median ms; the other findings of a line are taken out (filtered rank)."""
    places: list[int] = []
    spent: list[float] = []
    for line in lines:
        begin = time.perf_counter()
        order = rank(line.says)
        spent.append(time.perf_counter() - begin)
        for finding in line.means:
            others = [f for f in order if f == finding or f not in line.means]
            places.append(others.index(finding) if finding in others else len(others))
    found = np.array(places)
    return float((found < 1).mean()), float((found < 5).mean()), 1e3 * float(np.median(spent))


def main() -> None:
    """Print the table."""
    source = load().source
    phrasings = Phrasings(source)
    lines = [line for line in read_lines(HELD_APART) if line.means]
    rankers: list[tuple[str, Ranker]] = [
        ("full-text index of SQLite (FTS5, porter)", by_fts5(phrasings)),
        ("BM25 over stems", by_bm25(phrasings)),
        ("TF-IDF over stems", by_tfidf(phrasings, analyzer=stems)),
        ("TF-IDF over letters", by_tfidf(phrasings, analyzer="char_wb", ngram_range=(3, 5))),
        ("fuzzy sets of words", by_spelling(phrasings)),
        ("word vectors in a package", by_embedding(phrasings)),
        ("the listener", by_listener(source)),
    ]
    print(f"\n{len(lines)} held-apart lines, {len(phrasings.texts)} phrasings: order alone, no threshold")
    print(f"{'':44}{'recall@1':>9}{'recall@5':>9}{'ms/line':>9}")
    for name, rank in rankers:
        first, five, ms = measure(rank, lines)
        print(f"{name:44}{first:9.1%}{five:9.1%}{ms:9.1f}")


if __name__ == "__main__":
    main()
