"""Is a symptom spoken of at all: naive Bayes over the words of a sentence.

Per word the log of how much oftener it is in phrasings of findings than in small talk; a sentence has the
mean over its different known words. The mean, not the sum: in a long story most words say nothing either way.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence

from engine.listening.wording import Word

SMOOTHING = 0.3
BOUND = 3.0


class SymptomOdds:
    """Log-odds of words, counted once per text."""

    def __init__(self, symptoms: Iterable[Sequence[Word]], small_talk: Iterable[Sequence[Word]]) -> None:
        told, texts = _count(symptoms)
        talked, talks = _count(small_talk)
        self._odds = {
            stem: math.log((told[stem] + SMOOTHING) / (texts + 2 * SMOOTHING))
            - math.log((talked[stem] + SMOOTHING) / (talks + 2 * SMOOTHING))
            for stem in told | talked
        }

    def mean(self, words: Sequence[Word]) -> float:
        """Return the mean log-odds (nats) of the different known words, bounded; 0 if none is known."""
        stems = {word.stem for word in words}
        odds = [self._odds[stem] for stem in stems if stem in self._odds]
        return max(-BOUND, min(BOUND, sum(odds) / len(odds))) if odds else 0.0


def _count(texts: Iterable[Sequence[Word]]) -> tuple[Counter[str], int]:
    counts: Counter[str] = Counter()
    number = 0
    for text in texts:
        counts.update({word.stem for word in text if word.stem})
        number += 1
    return counts, number
