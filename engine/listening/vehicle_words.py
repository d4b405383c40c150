"""Vehicle facts in what is said: "twin turbo", "runs on e85", "catch can vented to air"."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from rapidfuzz import fuzz, process

from engine.listening.leaning import DenialWords, Leaning
from engine.listening.wording import Word, split_words
from engine.model import VehicleFact

MOST_BETWEEN = 2
SMALL_WORD = 4
FUZZY_FROM = 5
FUZZY_RATIO = 84.0


@dataclass(frozen=True, slots=True)
class Wording:
    """One way to say that a vehicle fact has a value."""

    fact: str
    value: str
    stems: tuple[str, ...]
    denies: bool


@dataclass(frozen=True, slots=True)
class HeardVehicle:
    """A vehicle fact, its value, and the words that said it: `first` inclusive, `last` exclusive."""

    fact: str
    value: str
    first: int
    last: int


class VehicleWords:
    """All wordings of vehicle facts, ready to be found in what is said."""

    def __init__(self, facts: Mapping[str, VehicleFact], denials: DenialWords) -> None:
        self._starting: dict[str, list[Wording]] = {}
        for wording in _wordings(facts, denials):
            self._starting.setdefault(wording.stems[0], []).append(wording)
        known = {stem for wordings in self._starting.values() for w in wordings for stem in w.stems}
        self._known = sorted(known)
        self._known_set = known

    def heard(self, words: Sequence[Word], leaning: Leaning) -> list[HeardVehicle]:
        """Return the facts said, each once, in the order of where they are said.

        Of two wordings for one fact the longer counts, for it says more ("twin charged" and "turbo"); of two
        as long, the later one, for people correct themselves. What is denied is not heard.
        """
        stems = [self._known_stem(word) for word in words]
        best: dict[str, tuple[int, HeardVehicle]] = {}
        for first, stem in enumerate(stems):
            for wording in self._starting.get(stem, ()):
                last = _end_of(wording.stems, stems, words, first)
                if last is None or (not wording.denies and _denied(leaning, first, last)):
                    continue
                found = HeardVehicle(wording.fact, wording.value, first, last)
                if wording.fact not in best or best[wording.fact][0] <= len(wording.stems):
                    best[wording.fact] = len(wording.stems), found
        return sorted((found for _, found in best.values()), key=lambda h: (h.first, h.fact))

    def _known_stem(self, word: Word) -> str:
        """Return the stem, or for a word that is not known one that differs by a slip of the finger."""
        if word.stem in self._known_set or len(word.folded) < FUZZY_FROM:
            return word.stem
        near = process.extractOne(word.stem, self._known, scorer=fuzz.ratio, score_cutoff=FUZZY_RATIO)
        return near[0] if near and near[0][0] == word.stem[0] else word.stem


def _wordings(facts: Mapping[str, VehicleFact], denials: DenialWords) -> Iterator[Wording]:
    for fact_id, fact in facts.items():
        for value, said in fact.heard_as.items():
            for text in said:
                words = split_words(text)
                if words:
                    denies = any(denials.of_phrasing(text, words).serving)
                    yield Wording(fact_id, value, tuple(word.stem for word in words), denies)


def _end_of(wording: tuple[str, ...], stems: Sequence[str], words: Sequence[Word], first: int) -> int | None:
    """Return where a wording that begins at `first` ends, or None if it is not said there."""
    at = first
    for stem in wording[1:]:
        for step in range(1, MOST_BETWEEN + 2):
            here = at + step
            between = words[at + 1 : here]
            if here >= len(words) or any(len(word.folded) > SMALL_WORD for word in between):
                return None
            if stems[here] == stem:
                at = here
                break
        else:
            return None
    return at + 1


def _denied(leaning: Leaning, first: int, last: int) -> bool:
    return 2 * sum(leaning.denied[first:last]) > last - first
