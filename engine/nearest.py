"""Known words that somebody may have meant."""

from __future__ import annotations

from collections.abc import Iterable

from rapidfuzz import fuzz

HOPELESS_BELOW = 60.0
MAX_WORD = 200


def nearest(word: str, known: Iterable[str], limit: int = 3) -> tuple[str, ...]:
    """Return at most `limit` of the `known` words that are most like `word`, the best first.

    Equally good ones come in alphabetical order, so that the answer does not depend on the order of
    `known`. Words that are not alike at all are left out, so the answer may be empty.
    """
    asked = _folded(word[:MAX_WORD])
    scored = ((_score(asked, candidate), candidate) for candidate in set(known))
    likely = sorted((-score, candidate) for score, candidate in scored if score >= HOPELESS_BELOW)
    return tuple(candidate for _, candidate in likely[: max(limit, 0)])


def _folded(word: str) -> str:
    return "_".join(word.casefold().replace("-", "_").split())


def _score(asked: str, candidate: str) -> float:
    # Ids are words joined in an order that is easily mixed up: "leak_fuel_seen" means "fuel_leak_seen".
    letters = fuzz.ratio(asked, candidate)
    words = fuzz.token_sort_ratio(asked.replace("_", " "), candidate.replace("_", " "))
    return max(letters, words - 1.0)
