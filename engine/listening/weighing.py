"""Which senses may be meant, where in the text, and how sure that is."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from engine.listening.odds import SymptomOdds
from engine.listening.senses import Sense, SenseIndex
from engine.listening.terms import Floats
from engine.listening.wording import Clause, Span, Word, spans_of

TALK, ODDS = 0.70, 0.40
SLOPE, BEHIND_SLOPE, OFFSET = 3.09, 5.04, 2.85
"""Weights of the score, fitted on the tuning set by ``python -m tests.phrases.fitting``."""

HEARD_FROM = 0.59
"""Weight from which a symptom is heard at all, fitted with them."""

HEALTHY_BEHIND = 0.25
"""A healthy wording is taken only if it is so much more like what is said than those of the trouble."""

ENOUGH_WORDS = 4.0
"""A span of this many words carries 63 % of what a long one could: a single word fits too much."""

CHUNK = 64
MOST_LOOKED_AT = 120


@dataclass(frozen=True, slots=True)
class Candidate:
    """A sense that may be meant in a span.

    `likeness` (0 to 8) is that of the span and of the sentences around it; `small_talk` is the greatest of
    small talk in the same words; `odds` (nats) says whether a symptom is spoken of in both; `healthier`
    is how much more alike the phrasings of absence are than those of presence. `behind` is how much less it
    weighs than the weightiest candidate in any of the same words, `loudest` the weight of the weightiest in
    the same sentences.
    """

    sense: int
    span: Span
    likeness: float
    small_talk: float
    odds: float
    healthier: float
    behind: float = 0.0
    loudest: float = 0.0

    @property
    def weight(self) -> float:
        """What speaks for it, less what speaks for small talk."""
        return self.likeness - TALK * self.small_talk + ODDS * self.odds

    @property
    def heard(self) -> bool:
        """Whether a symptom is spoken of in its sentences."""
        return self.loudest >= HEARD_FROM

    @property
    def score(self) -> float:
        """About the share of candidates like this one that were meant, 0 to 1."""
        return 1.0 / (1.0 + math.exp(OFFSET + BEHIND_SLOPE * math.sqrt(self.behind) - SLOPE * self.weight))


class Weigher:
    """The senses of a knowledge base, ready to be weighed against what is said."""

    def __init__(self, senses: Sequence[Sense]) -> None:
        self.index = SenseIndex(senses)
        self._small_talk = np.array([sense.finding is None for sense in senses], dtype=np.bool_)
        self._healthy = np.array([sense.state == "absent" for sense in senses], dtype=np.float32)
        number = {(sense.finding, sense.state): i for i, sense in enumerate(senses)}
        self._presence = [number[sense.finding, "present"] for sense in senses]
        # A finding that has no phrasings of its absence is never healthier.
        self._absence = [
            number.get((sense.finding, "absent"), number[sense.finding, "present"]) for sense in senses
        ]
        self._odds = SymptomOdds(
            (said.words for sense in senses if sense.finding for said in sense.phrasings),
            (said.words for sense in senses if not sense.finding for said in sense.phrasings),
        )

    def candidates(self, words: tuple[Word, ...], clauses: Sequence[Clause]) -> list[Candidate]:
        """Return the likeliest sense of each finding that is anything like what is said, the best first."""
        if not words:
            return []
        spans = spans_of(clauses)
        sentence = _sentences(clauses)
        best = self._best(words, sentence, spans)
        found: dict[str, Candidate] = {}
        preferred = best.likeness - HEALTHY_BEHIND * self._healthy
        for sense in np.argsort(-preferred, kind="stable")[:MOST_LOOKED_AT].tolist():
            finding = self.index.senses[sense].finding
            if finding is None or finding in found:
                continue
            span = spans[int(best.span[sense])]
            # A long story around a symptom must not drown it, nor must one word speak for the story.
            stretches = (span, _around(sentence, span))
            odds = sum(self._odds.mean(words[part.first : part.last]) for part in stretches) / len(stretches)
            likeness, talk = float(best.likeness[sense]), float(best.small_talk[sense])
            healthier = float(best.likeness[self._absence[sense]] - best.likeness[self._presence[sense]])
            found[finding] = Candidate(sense, span, likeness, talk, odds, healthier)
        return _with_distance(sorted(found.values(), key=lambda candidate: -candidate.weight), sentence)

    def told_by(self, sense: int) -> tuple[str, dict[str, float]]:
        """Return the finding that a sense is of, and how much each stem tells of it in either state."""
        finding, telling = self.index.senses[sense].finding, self.index.telling
        assert finding is not None
        present, absent = telling[self._presence[sense]], telling[self._absence[sense]]
        return finding, {
            stem: max(present.get(stem, 0.0), absent.get(stem, 0.0)) for stem in present | absent
        }

    def _best(self, words: tuple[Word, ...], sentence: Sequence[Span], spans: Sequence[Span]) -> _Best:
        count = len(self.index.senses)
        best = _Best(np.full(count, -1.0, np.float32), np.zeros(count, np.intp), np.zeros(count, np.float32))
        for start in range(0, len(spans), CHUNK):
            chunk = spans[start : start + CHUNK]
            around = [_around(sentence, span) for span in chunk]
            number = {span: i for i, span in enumerate(dict.fromkeys(around))}
            enough = [[1.0 - math.exp((span.first - span.last) / ENOUGH_WORDS)] for span in chunk]
            total = self._likeness(words, chunk) * np.array(enough, np.float32)
            total += self._likeness(words, tuple(number))[[number[span] for span in around]]
            talk = total[:, self._small_talk].max(axis=1, initial=0.0)
            winner = total.argmax(axis=0)
            greatest = total[winner, range(count)]
            better = greatest > best.likeness
            best.likeness[better] = greatest[better]
            best.span[better] = winner[better] + start
            best.small_talk[better] = talk[winner][better]
        return best

    def _likeness(self, words: tuple[Word, ...], spans: Sequence[Span]) -> Floats:
        return self.index.likeness([words[span.first : span.last] for span in spans])


@dataclass(frozen=True)
class _Best:
    """Per sense [S]: its greatest likeness over the spans, the span that gave it, small talk's there."""

    likeness: Floats
    span: NDArray[np.intp]
    small_talk: Floats


def _with_distance(candidates: Sequence[Candidate], sentence: Sequence[Span]) -> list[Candidate]:
    """Set how far each is behind, and the loudest around it; `candidates` come the weightiest first."""
    told: list[Candidate] = []
    around = [_around(sentence, candidate.span) for candidate in candidates]
    for candidate, sentences in zip(candidates, around, strict=True):
        ahead = next((c for c in told if _share(c.span, candidate.span)), candidate)
        loud = next((c for c, s in zip(told, around, strict=False) if _share(s, sentences)), candidate)
        behind = ahead.weight - candidate.weight
        told.append(replace(candidate, behind=behind, loudest=loud.weight))
    return told


def _share(one: Span, other: Span) -> bool:
    return one.first < other.last and one.last > other.first


def _sentences(clauses: Sequence[Clause]) -> list[Span]:
    """Return the sentence that each word stands in, by the number of the word."""
    bounds: dict[int, Span] = {}
    for clause in clauses:
        before = bounds.get(clause.sentence)
        bounds[clause.sentence] = Span(before.first if before else clause.first, clause.last)
    return [bounds[clause.sentence] for clause in clauses for _ in range(clause.first, clause.last)]


def _around(sentence: Sequence[Span], span: Span) -> Span:
    """Return the sentences that a span lies in: what else is said there tells what it means."""
    return Span(sentence[span.first].first, sentence[span.last - 1].last)
