"""How a phrase is folded, so that spellings of it are equal."""

from __future__ import annotations

import re

APOSTROPHES = re.compile(r"['’`´]")
_NOT_WORDS = re.compile(r"[\W_]+")


def fold(phrase: str) -> str:
    """Return a phrase without case, punctuation and spare spaces."""
    return _NOT_WORDS.sub(" ", APOSTROPHES.sub("", phrase.casefold())).strip()
