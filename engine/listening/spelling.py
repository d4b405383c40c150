"""Words that nobody knows, taken for the known word they were probably meant to be.

By Damerau and Levenshtein's distance in its restricted form (optimal string alignment), as a share of the
longer word's length: one letter too many, too few, wrong or swapped is one slip. Slips seldom touch the first
letter, so only stems that begin alike are compared, which also keeps the search short.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace

from rapidfuzz import process
from rapidfuzz.distance import OSA

from engine.listening.wording import Word

SHORTEST = 4
ALIKE = 0.74
KNOWN_FROM = 2
MOST_MENDED = 200


class Spelling:
    """The stems of a knowledge base's phrasings; those of a single one may be slips themselves."""

    def __init__(self, texts: Iterable[Sequence[Word]]) -> None:
        counts = Counter(stem for text in texts for stem in {word.stem for word in text})
        self._known = frozenset(counts)
        self._beginning: dict[str, list[str]] = {}
        for stem, count in sorted(counts.items()):
            if count >= KNOWN_FROM and len(stem) >= SHORTEST - 1:
                self._beginning.setdefault(stem[0], []).append(stem)

    def mend(self, words: Sequence[Word]) -> tuple[Word, ...]:
        """Return the words with the stems of what they were probably meant to be.

        Only the first `MOST_MENDED` unknown words are looked at: a text with more is no speech.
        """
        told = list(words)
        unknown = (i for i, word in enumerate(words) if word.stem not in self._known)
        for _, i in zip(range(MOST_MENDED), unknown, strict=False):
            near = self._nearest(words[i].stem) if len(words[i].folded) >= SHORTEST else None
            if near is not None:
                told[i] = replace(words[i], stem=near)
        return tuple(told)

    def _nearest(self, stem: str) -> str | None:
        known = self._beginning.get(stem[:1], ())
        found = process.extractOne(stem, known, scorer=OSA.normalized_similarity, score_cutoff=ALIKE)
        return found[0] if found else None
