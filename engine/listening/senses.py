"""What a stretch of words may mean: every sense of the knowledge base, and how alike words are to each.

A sense is one finding in one state, with all the phrasings that callers have for it; small talk is a sense
that means nothing. Callers hardly ever repeat one phrasing, they mix the words of several, so a sense is
as likely as its three nearest phrasings together with all of its phrasings taken as one text.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from rapidfuzz import fuzz, process

from engine.listening.leaning import DenialWords, Leaning
from engine.listening.terms import Floats, TermIndex, letter_terms, word_terms
from engine.listening.wording import SameWords, Word, split_words
from engine.loading import KnowledgeSource
from engine.model import KnownState

NEAREST = 3
FUZZY_FROM, FUZZY_RATIO = 5, 80.0

EVERYWHERE = 0.1
"""A stem in more than this share of the senses tells nothing about any."""

MOST_IN_SENSE = 24


@dataclass(frozen=True, slots=True)
class Phrasing:
    """One way to say something, as it was spelt and in plain words, and which of its words are denied."""

    spelt: tuple[Word, ...]
    words: tuple[Word, ...]
    stems: frozenset[str]
    leaning: Leaning


@dataclass(frozen=True, slots=True)
class Sense:
    """Phrasings that mean one thing; `finding` is None for small talk."""

    finding: str | None
    state: KnownState
    phrasings: tuple[Phrasing, ...]


def senses_of(source: KnowledgeSource, denials: DenialWords, same: SameWords) -> Iterator[Sense]:
    """Yield the senses of a knowledge base: askable findings, present and absent, and small talk."""

    def phrasings(texts: Iterable[str]) -> tuple[Phrasing, ...]:
        return tuple(_phrasing(text, denials, same) for text in texts)

    for finding_id, finding in source.findings.items():
        if not finding.heard_as:
            continue
        said = (*finding.heard_as, finding.label, finding.question)
        yield Sense(finding_id, "present", phrasings(said))
        if finding.heard_when_absent:
            yield Sense(finding_id, "absent", phrasings(finding.heard_when_absent))
    for group in source.word_groups.values():
        if group.role == "small_talk":
            for start in range(0, len(group.words), MOST_IN_SENSE):
                lines = group.words[start : start + MOST_IN_SENSE]
                yield Sense(None, "present", phrasings(lines))


class SenseIndex:
    """All senses, ready to be compared with what is said."""

    def __init__(self, senses: Sequence[Sense]) -> None:
        self.senses = tuple(senses)
        rows = [phrasing.words for sense in self.senses for phrasing in sense.phrasings]
        self._phrasings = _Both.of(rows)
        owner = [number for number, sense in enumerate(self.senses) for _ in sense.phrasings]
        self._wholes = self._phrasings.pooled(owner)
        counts = _senses_with(self.senses)
        self._everywhere = {stem for stem, n in counts.items() if n > EVERYWHERE * len(self.senses)}
        self.telling = [_telling(sense, counts, len(self.senses)) for sense in self.senses]
        most = max((len(sense.phrasings) for sense in self.senses), default=0)
        # Rows of each sense side by side, the missing ones pointing at a column of zeros behind the last row.
        self._row = np.full((len(self.senses), max(most, NEAREST)), len(rows), dtype=np.intp)
        first = 0
        for i, sense in enumerate(self.senses):
            self._row[i, : len(sense.phrasings)] = range(first, first + len(sense.phrasings))
            first += len(sense.phrasings)

    def likeness(self, spans: Sequence[tuple[Word, ...]]) -> Floats:
        """Return how alike each of N spans is to each of S senses [N, S], 0 to 4."""
        alike = self._phrasings.likeness(spans)
        padded = np.concatenate([alike, np.zeros((len(spans), 1), dtype=np.float32)], axis=1)[:, self._row]
        padded.partition(padded.shape[2] - NEAREST, axis=2)
        nearest = padded[:, :, -NEAREST:].mean(axis=2)
        found: Floats = nearest + self._wholes.likeness(spans)
        return found

    def speaks_for(self, sense: int, word: Word) -> bool:
        """Tell whether a word, or nearly that word, is in the phrasings of a sense and says something."""
        if not word.stem or word.stem in self._everywhere:
            return False
        own = self.telling[sense]
        if word.stem in own:
            return True
        return len(word.folded) >= FUZZY_FROM and bool(
            process.extractOne(word.stem, own.keys(), scorer=fuzz.ratio, score_cutoff=FUZZY_RATIO)
        )


class _Both:
    """Likeness by words and by letters, added."""

    def __init__(self, words: TermIndex, letters: TermIndex) -> None:
        self._words = words
        self._letters = letters

    @classmethod
    def of(cls, texts: Sequence[tuple[Word, ...]]) -> _Both:
        return cls(
            TermIndex(word_terms, ([word.stem for word in text] for text in texts)),
            TermIndex(letter_terms, ([word.folded for word in text] for text in texts)),
        )

    def pooled(self, owner: Sequence[int]) -> _Both:
        return _Both(self._words.pooled(owner), self._letters.pooled(owner))

    def likeness(self, texts: Sequence[tuple[Word, ...]]) -> Floats:
        by_words = self._words.likeness([[word.stem for word in text] for text in texts])
        by_letters = self._letters.likeness([[word.folded for word in text] for text in texts])
        return by_words + by_letters


def _phrasing(text: str, denials: DenialWords, same: SameWords) -> Phrasing:
    spelt = split_words(text)
    words = same.plain(spelt)
    stems = frozenset(word.stem for word in words if word.stem)
    return Phrasing(spelt, words, stems, denials.of_phrasing(text, words))


def _senses_with(senses: Sequence[Sense]) -> Counter[str]:
    counts: Counter[str] = Counter()
    for sense in senses:
        counts.update(frozenset().union(*(said.stems for said in sense.phrasings)))
    return counts


def _telling(sense: Sense, senses_with: Counter[str], senses: int) -> dict[str, float]:
    """Return how much each stem tells of a sense: how many of its phrasings and how few others have it."""
    count: Counter[str] = Counter()
    for said in sense.phrasings:
        serving = zip(said.words, said.leaning.serving, strict=True)
        count.update({word.stem for word, serves in serving if word.stem and not serves})
    return {
        stem: n / len(sense.phrasings) * math.log(senses / senses_with[stem]) for stem, n in count.items()
    }
