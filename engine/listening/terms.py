"""How alike texts are by the terms they share: TF-IDF vectors and their cosine.

A term counts once more for each tenfold it is rarer among the indexed texts: weight (1 + ln tf) *
(1 + ln((1 + n) / (1 + df))), rows scaled to length 1 (Salton and Buckley 1988, "Term-weighting approaches in
automatic text retrieval", with the smoothing that general-purpose libraries use). Two kinds of terms carry
what callers do: stems of words with their pairs, for what is meant, and runs of three to five letters, for
what is misspelt.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from functools import lru_cache
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
        yield from _runs(word)


@lru_cache(maxsize=50_000)
def _runs(word: str) -> tuple[str, ...]:
    padded = f" {word} "
    runs: list[str] = []
    for size in range(SHORTEST_RUN, LONGEST_RUN + 1):
        if len(padded) <= size:
            runs.append(padded)
            break
        runs += [padded[i : i + size] for i in range(len(padded) - size + 1)]
    return tuple(runs)


class TermIndex:
    """TF-IDF vectors of texts that stay, to be compared with texts that come."""

    def __init__(self, terms: Terms, texts: Iterable[Sequence[str]]) -> None:
        self._terms = terms
        self._column: dict[str, int] = {}
        starts, columns = [0], []
        number = self._column.setdefault
        for text in texts:
            columns += [number(term, len(self._column)) for term in terms(text)]
            starts.append(len(columns))
        self._index(_counted(starts, columns, len(self._column)))

    def pooled(self, owner: Sequence[int]) -> TermIndex:
        """Return the index of longer texts: row i of this one is part of text ``owner[i]`` of the other."""
        shape = (max(owner, default=-1) + 1, len(owner))
        ones = np.ones(len(owner), dtype=np.float32)
        whole = TermIndex(self._terms, ())
        whole._column = self._column
        whole._index((csr_array((ones, (owner, range(len(owner)))), shape=shape) @ self._counts).tocsr())
        return whole

    def _index(self, counts: csr_array) -> None:
        self._counts = counts
        df = np.bincount(counts.indices, minlength=len(self._column))
        self._idf = (1.0 + np.log((1.0 + counts.shape[0]) / (1.0 + df))).astype(np.float32)
        self._rows = self._weighed(counts).T.tocsr()

    def likeness(self, texts: Iterable[Sequence[str]]) -> Floats:
        """Return the cosine [T, R] of each of T texts with each of the R indexed ones, 0 to 1.

        A term that no indexed text has counts for nothing, neither for nor against.
        """
        starts, columns = [0], []
        for text in texts:
            columns += [self._column[term] for term in self._terms(text) if term in self._column]
            starts.append(len(columns))
        counts = _counted(starts, columns, len(self._column))
        found: Floats = (self._weighed(counts) @ self._rows).toarray()
        return found

    def _weighed(self, counts: csr_array) -> csr_array:
        """Return the counts as TF-IDF weights, each row of length 1."""
        weights = (1.0 + np.log(counts.data)) * self._idf[counts.indices]
        rows = np.repeat(np.arange(counts.shape[0]), np.diff(counts.indptr))
        lengths = np.sqrt(np.bincount(rows, weights * weights, minlength=counts.shape[0]))
        scaled = (weights / lengths[rows]).astype(np.float32)
        return csr_array((scaled, counts.indices, counts.indptr), shape=counts.shape)


def _counted(starts: list[int], columns: list[int], width: int) -> csr_array:
    """Return how often each column stands in each row."""
    ones = np.ones(len(columns), dtype=np.float32)
    counts = csr_array((ones, np.array(columns, np.int32), starts), shape=(len(starts) - 1, width))
    counts.sum_duplicates()
    return counts
