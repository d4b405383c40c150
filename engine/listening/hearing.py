"""What a caller said -> findings with their states, vehicle facts and trouble codes."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from engine.listening.leaning import DenialWords, Leaning
from engine.listening.senses import senses_of
from engine.listening.spelling import Spelling
from engine.listening.states import StateOdds, StateSigns
from engine.listening.vehicle_words import HeardVehicle, VehicleWords
from engine.listening.weighing import Candidate, Weigher
from engine.listening.wording import Clause, SameWords, Word, split_clauses, split_words
from engine.loading import KnowledgeSource
from engine.model import CODE_PATTERN, KnownState

LEAST_SCORE = 0.001
MOST_NEAREST = 3
SAME_WORDS = 0.5
CODE = re.compile(rf"\b{CODE_PATTERN.strip('^$')}\b", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class HeardFinding:
    """One finding that may be meant.

    `score` (0 to 1) is about the share of findings with this score that were meant. `first` and `last` number
    the words of the stretch that it was heard in; `words` are those among them that speak for it. Where a
    likelier finding is heard in the same words, it is named in `rival_of`: seldom are both meant.
    """

    finding: str
    state: KnownState
    score: float
    first: int
    last: int
    words: tuple[int, ...]
    rival_of: str | None = None


@dataclass(frozen=True, slots=True)
class Heard:
    """All that was heard in a text; `nearest` are the best of what is not likely enough to be meant."""

    text: str
    words: tuple[Word, ...]
    findings: tuple[HeardFinding, ...]
    nearest: tuple[HeardFinding, ...]
    vehicle: tuple[HeardVehicle, ...]
    trouble_codes: tuple[str, ...]

    def said(self, first: int, last: int) -> str:
        """Return the stretch of the text that these words stand in, as it was typed."""
        return self.text[self.words[first].start : self.words[last - 1].end]


class Listener:
    """The phrasings of a knowledge base, built once; `listen` may be called from several threads."""

    def __init__(self, source: KnowledgeSource) -> None:
        self._denials = DenialWords.of(source.word_groups.values())
        self._same = SameWords(source.word_groups.values())
        senses = list(senses_of(source, self._denials, self._same))
        self._weigher = Weigher(senses)
        self._states = StateOdds(senses)
        self._spelling = Spelling(said.spelt for sense in senses for said in sense.phrasings)
        self._vehicle = VehicleWords(source.vehicle_facts, self._denials)

    def listen(self, text: str, most: int = 10) -> Heard:
        """Return what is heard in `text`: at most `most` findings, the likeliest first."""
        said = split_words(text)
        words = self._same.plain(self._spelling.mend(said))
        clauses = split_clauses(text, words, self._denials.turns)
        leaning = self._denials.leaning(text, words, clauses)
        candidates = self._weigher.candidates(words, clauses)
        heard = sorted((c for c in candidates if c.heard and c.score >= LEAST_SCORE), key=lambda c: -c.score)
        near = [candidate for candidate in candidates if candidate not in heard]

        def told(some: Sequence[Candidate]) -> list[HeardFinding]:
            return [self._heard(candidate, words, clauses, leaning) for candidate in some]

        return Heard(
            text=text,
            words=words,
            findings=tuple(_with_rivals(told(heard[:most]))),
            nearest=tuple(told(near[:MOST_NEAREST])),
            vehicle=tuple(self._vehicle.heard(said, leaning)),
            trouble_codes=tuple(dict.fromkeys(code.upper() for code in CODE.findall(text))),
        )

    def candidates(self, text: str) -> list[tuple[str, Candidate]]:
        """Return each finding that is anything like the text with its weights, the likeliest first."""
        words = self._same.plain(self._spelling.mend(split_words(text)))
        senses = self._weigher.index.senses
        found = self._weigher.candidates(words, split_clauses(text, words, self._denials.turns))
        return [(senses[candidate.sense].finding or "", candidate) for candidate in found]

    def signs(self, text: str) -> dict[str, StateSigns]:
        """Return for each finding that is anything like the text what speaks for its state there."""
        words = self._same.plain(self._spelling.mend(split_words(text)))
        clauses = split_clauses(text, words, self._denials.turns)
        leaning = self._denials.leaning(text, words, clauses)
        senses = self._weigher.index.senses
        found = self._weigher.candidates(words, clauses)
        return {senses[c.sense].finding or "": self._signs(c, words, clauses, leaning) for c in found}

    def _signs(
        self, candidate: Candidate, words: tuple[Word, ...], clauses: Sequence[Clause], leaning: Leaning
    ) -> StateSigns:
        span = candidate.span
        inside = [
            Clause(max(c.first, span.first), min(c.last, span.last), c.sentence)
            for c in clauses
            if c.first < span.last and c.last > span.first
        ]
        finding, telling = self._weigher.told_by(candidate.sense)
        return self._states.signs(finding, telling, words, leaning, inside, candidate.healthier)

    def _heard(
        self, candidate: Candidate, words: tuple[Word, ...], clauses: Sequence[Clause], leaning: Leaning
    ) -> HeardFinding:
        index, span = self._weigher.index, candidate.span
        sense = index.senses[candidate.sense]
        assert sense.finding is not None
        signs = self._signs(candidate, words, clauses, leaning)
        state: KnownState = "absent" if signs.log_odds_of_absence > 0.0 else "present"
        numbers = range(span.first, span.last)
        telling: list[int] = []
        for i in numbers:
            # A word without a stem belongs to the wording that the word before it stands for.
            belongs = not words[i].stem and telling[-1:] == [i - 1]
            if belongs or index.speaks_for(candidate.sense, words[i]):
                telling.append(i)
        return HeardFinding(
            sense.finding, state, candidate.score, span.first, span.last, tuple(telling or numbers)
        )


def _with_rivals(found: Sequence[HeardFinding]) -> list[HeardFinding]:
    """Mark the findings that are heard in words which a likelier one has already."""
    told: list[HeardFinding] = []
    for finding in found:
        own = set(finding.words)
        rivals = (
            other.finding
            for other in told
            if other.rival_of is None and len(own & set(other.words)) >= SAME_WORDS * len(own)
        )
        told.append(replace(finding, rival_of=next(rivals, None)))
    return told
