"""What somebody said, as words with their place, and the spans of it that may each mean something.

A clause ends at punctuation, at a word at which the sense turns ("but", "until") and at a joining word
("and", "plus"). One symptom may be said in one clause or over two, amid a long story or by itself, so what
is looked up are spans: each clause, each clause with the next one, and windows over a clause that goes on
without a stop.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import islice

import snowballstemmer

from engine.model import WordGroup
from engine.phrasing import APOSTROPHES, fold

WORD = re.compile(r"[^\W_]+(?:['’`´][^\W_]+)*")
STOP = re.compile(r"""[.!?;:,()\n\r–—…/"]|\s-\s""")
SENTENCE_END = re.compile(r"[.!?\n\r]")
JOINTS = frozenset({"and", "plus", "also", "n", "an", "then"})
LONG_CLAUSE = 16
WINDOW, STRIDE = 12, 4
MOST_SPANS = 1_000
MAX_WORDS = 5_000
MAX_LETTERS = 40

Run = tuple[str, ...]
"""Folded words in a row."""

_stemmer = snowballstemmer.stemmer("english")


@lru_cache(maxsize=50_000)
def stem(word: str) -> str:
    """Return the stem of a folded word (Porter's English stemmer, version 2)."""
    return str(_stemmer.stemWord(word))


@dataclass(frozen=True, slots=True)
class Word:
    """One word: folded (no case, no apostrophes), its stem, and where it stands in what was said.

    The stem is empty where the word only belongs to a wording that the word before it stands for.
    """

    folded: str
    stem: str
    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Clause:
    """Words that belong together, by their numbers: `first` inclusive, `last` exclusive."""

    first: int
    last: int
    sentence: int


@dataclass(frozen=True, slots=True)
class Span:
    """A run of words that is looked up as one, `first` inclusive, `last` exclusive."""

    first: int
    last: int


class Runs:
    """Words in a row to be found where they begin, the longest first."""

    def __init__(self, runs: Iterable[Run]) -> None:
        self._beginning: dict[str, list[Run]] = {}
        for run in sorted(set(runs), key=lambda run: (-len(run), run)):
            if run:
                self._beginning.setdefault(run[0], []).append(run)

    def at(self, words: Sequence[str], first: int, last: int) -> int:
        """Return how many of ``words[first:last]`` the longest run takes that begins there, else 0."""
        for run in self._beginning.get(words[first], ()):
            if len(run) <= last - first and tuple(words[first : first + len(run)]) == run:
                return len(run)
        return 0

    def begin_with(self, word: str) -> bool:
        """Tell whether any run begins with this word: most words begin none."""
        return word in self._beginning


class SameWords:
    """Wordings that mean the same wherever they stand: "dump valve" and "blow off valve"."""

    def __init__(self, groups: Iterable[WordGroup]) -> None:
        self._plain: dict[Run, str] = {}
        for group in groups:
            if group.role == "same_meaning":
                runs = [tuple(map(stem, fold(words).split())) for words in group.words]
                for run in runs:
                    self._plain.setdefault(run, " ".join(runs[0]))
        self._runs = Runs(self._plain)

    def plain(self, words: Sequence[Word]) -> tuple[Word, ...]:
        """Return the words with the stem of the plain wording; further words of a wording get none."""
        stems = [word.stem for word in words]
        told = list(words)
        at = 0
        while at < len(stems):
            length = self._runs.at(stems, at, len(stems)) if self._runs.begin_with(stems[at]) else 0
            if length:
                told[at] = replace(words[at], stem=self._plain[tuple(stems[at : at + length])])
                for i in range(at + 1, at + length):
                    told[i] = replace(words[i], stem="")
            at += max(length, 1)
        return tuple(told)


def split_words(text: str) -> tuple[Word, ...]:
    """Return the words of a text in their order, at most `MAX_WORDS`."""
    words: list[Word] = []
    for match in WORD.finditer(text):
        folded = APOSTROPHES.sub("", match.group().casefold())[:MAX_LETTERS]
        words.append(Word(folded, stem(folded), match.start(), match.end()))
        if len(words) == MAX_WORDS:
            break
    return tuple(words)


def split_clauses(text: str, words: tuple[Word, ...], turns: Runs) -> list[Clause]:
    """Return the clauses of `words`; `turns` are the words that a clause is cut before."""
    clauses: list[Clause] = []
    folded = [word.folded for word in words]
    first = sentence = 0
    for i, word in enumerate(words):
        between = text[words[i - 1].end : word.start] if i else ""
        # "1.2 bar" and "5,500 rpm" are one number each.
        number = between in {".", ","} and folded[i - 1].isdigit() and word.folded[0].isdigit()
        stop = not number and STOP.search(between) is not None
        turn = turns.begin_with(word.folded) and turns.at(folded, i, len(words))
        if i > first and (stop or word.folded in JOINTS or turn):
            clauses.append(Clause(first, i, sentence))
            first = i
        if not number and SENTENCE_END.search(between):
            sentence += 1
    if words:
        clauses.append(Clause(first, len(words), sentence))
    return clauses


def spans_of(clauses: Sequence[Clause]) -> list[Span]:
    """Return the spans to look up, each once, in the order of where they begin.

    Where they would be more than `MOST_SPANS`, as in a long list of single words, they are windows instead:
    the time that a text takes is bounded by its length, not by how it is cut.
    """
    found = dict.fromkeys(islice(_spans(clauses), 2 * MOST_SPANS))
    if len(found) > MOST_SPANS:
        found = dict.fromkeys(_windows(0, clauses[-1].last))
    return sorted(found, key=lambda span: (span.first, span.last))


def _windows(first: int, last: int) -> Iterator[Span]:
    for start in range(first, max(last - WINDOW + STRIDE, first + 1), STRIDE):
        yield Span(start, min(start + WINDOW, last))


def _spans(clauses: Sequence[Clause]) -> Iterator[Span]:
    for i, clause in enumerate(clauses):
        yield Span(clause.first, clause.last)
        if clause.last - clause.first > LONG_CLAUSE:
            yield from _windows(clause.first, clause.last)
        for reach in (1, 2):
            if i + reach < len(clauses) and clauses[i + reach].sentence - clause.sentence <= 1:
                end = clauses[i + reach].last
                if end - clause.first <= 2 * LONG_CLAUSE:
                    yield Span(clause.first, end)
