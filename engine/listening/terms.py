"""How alike texts are by the terms they share: TF-IDF vectors and their cosine.

A term counts once more for each tenfold it is rarer among the indexed texts: weight (1 + ln tf) *
(1 + ln((1 + n) / (1 + df))), rows scaled to length 1 (Salton and Buckley 1988, "Term-weighting approaches in
automatic text retrieval", with the smoothing that general-purpose libraries use). Two kinds of terms carry
what callers do: stems of words with their pairs, for what is meant, and runs of three to five letters, for
what is misspelt.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

Floats = NDArray[np.float32]
Terms = Callable[[Sequence[str]], Iterable[str]]

SHORTEST_RUN, LONGEST_RUN = 3, 5


def word_terms(stems: Sequence[str]) -> Iterable[str]:
    """Return the stems and each pair of neighbours; empty stems are passed over."""
    told = [stem for stem in stems if stem]
    yield from told
    for left, right in pairwise(told):
        yield f"{left} {right}"


def letter_terms(words: Sequence[str]) -> Iterable[str]:
    """Return the runs of letters within each word, with a blank at its ends; a short word once, whole."""
    for word in words:
        padded = f" {word} "
        for size in range(SHORTEST_RUN, LONGEST_RUN + 1):
            if len(padded) <= size:
                yield padded
                break
            for i in range(len(padded) - size + 1):
                yield padded[i : i + size]


class TermIndex:
    """TF-IDF vectors of texts that stay, to be compared with texts that come."""

    def __init__(self, terms: Terms, texts: Iterable[Sequence[str]]) -> None:
        self._terms = terms
        self._column: dict[str, int] = {}
        counts = [Counter(terms(text)) for text in texts]
        frequency: Counter[str] = Counter()
        for count in counts:
            frequency.update(count.keys())
        self._column = {term: i for i, term in enumerate(frequency)}
        df = np.fromiter(frequency.values(), dtype=np.float64, count=len(frequency))
        self._idf = 1.0 + np.log((1.0 + len(counts)) / (1.0 + df))
        self._rows = self._matrix(counts).T.tocsr()

    def likeness(self, texts: Iterable[Sequence[str]]) -> Floats:
        """Return the cosine [T, R] of each of T texts with each of the R indexed ones, 0 to 1.

        A term that no indexed text has counts for nothing, neither for nor against.
        """
        found: Floats = (self._matrix([Counter(self._terms(text)) for text in texts]) @ self._rows).toarray()
        return found

    def _matrix(self, counts: Sequence[Counter[str]]) -> csr_array:
        starts, columns, weights = [0], [], []
        for count in counts:
            known = [(self._column[term], n) for term, n in count.items() if term in self._column]
            row = [self._idf[column] * (1.0 + math.log(n)) for column, n in known]
            length = math.sqrt(sum(weight * weight for weight in row)) or 1.0
            columns += [column for column, _ in known]
            weights += [weight / length for weight in row]
            starts.append(len(columns))
        shape = (len(counts), len(self._column))
        return csr_array((np.array(weights, np.float32), np.array(columns, np.int32), starts), shape=shape)
