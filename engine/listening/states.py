"""Is what was said of a finding that it is there, or that it is not: log-odds learnt from the phrasings.

Every phrasing is an example of its finding's state, so each stem, denied or not, speaks for the state whose
phrasings have it oftener: "start" denied for the trouble of an engine that will not start, "smoke" denied for
the absence of smoke. A finding has few phrasings, so its rates are drawn a little towards those of all
findings, and those towards the rate at which phrasings of either state were written.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from engine.listening.leaning import Leaning
from engine.listening.senses import Sense
from engine.listening.wording import Clause, Word
from engine.model import KnownState

BORROWED = 0.1
"""Phrasings with a stem that a finding borrows, divided as those of all findings are."""

SMOOTHING = 2.0
"""Phrasings with a stem that all findings borrow, divided as all phrasings are."""

RARER = 4.0
"""A denial in phrasings of presence is by chance if it is so much rarer there than in those of absence."""

SATURATION = 4.0
"""Nats of a clause that count for 76 % of what any number could: the words of a clause repeat each other."""

OWN, LOUDEST, DENIED, LACK, WELL, ALIKE, ABSENT_FROM = 1.98, 0.30, 5.39, 6.85, 7.79, 3.52, 0.48
"""Weights of the signs and where absence begins, fitted by ``python -m tests.phrases.fitting``."""

Token = tuple[str, bool]
"""A stem, and whether it is denied."""


@dataclass(frozen=True, slots=True)
class StateSigns:
    """What a stretch of words says of a finding's state, each the mean over its clauses.

    `own` (-1 to 1) is the log-odds of presence of the finding's own stems, saturating; `loudest` (nats) that
    of the stem which speaks most for presence; `denied` and `well` (0 to 1) are the shares that hold a
    denial, or say that what they name is well; `lack` is the share that phrasings of presence deny too
    ("won't start"); `alike` is how much more alike the phrasings of absence are than those of presence.
    What was asked and answered with a no counts the other way round; `straight` (-1 to 1) is the share that
    was not, less the share that was.
    """

    own: float
    loudest: float
    denied: float
    lack: float
    well: float
    alike: float
    straight: float

    @property
    def log_odds_of_absence(self) -> float:
        """Log-odds (nats) that the finding is said to be absent."""
        present = OWN * self.own + LOUDEST * self.loudest + LACK * self.lack
        absent = DENIED * self.denied + WELL * self.well + ALIKE * self.alike
        return absent - present - ABSENT_FROM * self.straight


@dataclass
class _Counts:
    texts: int = 0
    tokens: Counter[Token] = field(default_factory=Counter)

    def add(self, tokens: Iterable[Token]) -> None:
        self.texts += 1
        self.tokens.update(tokens)


class StateOdds:
    """How often each stem stands in phrasings of either state, of each finding and of all."""

    def __init__(self, senses: Sequence[Sense]) -> None:
        self._all: dict[KnownState, _Counts] = {"present": _Counts(), "absent": _Counts()}
        self._of: dict[str, dict[KnownState, _Counts]] = {}
        for sense in senses:
            if sense.finding is None:
                continue
            own = self._of.setdefault(sense.finding, {"present": _Counts(), "absent": _Counts()})
            for said in sense.phrasings:
                clause = Clause(0, len(said.words), 0)
                tokens = _tokens(said.words, said.leaning, clause)
                own[sense.state].add(tokens)
                self._all[sense.state].add(tokens)

    def signs(
        self,
        finding: str,
        telling: Mapping[str, float],
        words: Sequence[Word],
        leaning: Leaning,
        clauses: Iterable[Clause],
        alike: float,
    ) -> StateSigns:
        """Return what a stretch says of the state of `finding`.

        `telling` is how much each stem tells of the finding; the stems without one are left out, and each
        clause counts by what its stems tell: what is meant stands in one clause, the others are around it.
        """
        own = loudest = denied = lack = well = straight = total = 0.0
        for clause in clauses:
            said = [token for token in _tokens(words, leaning, clause) if token[0] in telling]
            told = sum(telling[stem] for stem, _ in said)
            odds = [self._odds(finding, token) for token in said]
            inside = slice(clause.first, clause.last)
            total += told
            so = -1.0 if any(leaning.refused[inside]) else 1.0
            straight += told * so
            own += told * so * math.tanh(sum(odds) / SATURATION)
            loudest += told * so * max(odds, default=0.0)
            denied += told * so * any(leaning.denied[inside])
            lack += so * sum(telling[t[0]] for t in said if self._is_lack(finding, t))
            well += told * so * any(leaning.well[inside])
        if not total:
            return StateSigns(0.0, 0.0, 0.0, 0.0, 0.0, alike, 1.0)
        m = 1.0 / total
        return StateSigns(
            m * own, m * loudest, m * denied, m * lack, m * well, m * straight * alike, m * straight
        )

    def _is_lack(self, finding: str, token: Token) -> bool:
        """Tell whether the token is denied, and phrasings of the trouble itself deny it."""
        present, absent = self._of[finding]["present"], self._of[finding]["absent"]
        by_chance = absent.tokens[token] * present.texts / (RARER * max(absent.texts, 1))
        return token[1] and present.tokens[token] > by_chance

    def _odds(self, finding: str, token: Token) -> float:
        """Return the log of how much oftener `token` is in phrasings of presence than in those of absence."""
        every, own = self._all, self._of[finding]
        if not all(counts.texts for counts in every.values()):
            return 0.0
        texts = every["present"].texts + every["absent"].texts
        rate = _rate(every, token, SMOOTHING * every["present"].texts / texts, SMOOTHING)
        if not all(counts.texts for counts in own.values()):
            return math.log(rate)
        present = own["present"].texts * rate
        return math.log(_rate(own, token, BORROWED * present / (present + own["absent"].texts), BORROWED))


def _rate(counts: Mapping[KnownState, _Counts], token: Token, of_present: float, of_both: float) -> float:
    """Return the ratio of a token's rates, with so many texts more that have it: of presence, of both."""
    present, absent = counts["present"], counts["absent"]
    has = present.tokens[token] + of_present, absent.tokens[token] + of_both - of_present
    return has[0] / has[1] * absent.texts / present.texts


def _tokens(words: Sequence[Word], leaning: Leaning, clause: Clause) -> list[Token]:
    """Return the different tokens of a clause; the words that only say that something is denied are none."""
    numbers = range(clause.first, clause.last)
    spoken = (i for i in numbers if words[i].stem and not leaning.serving[i])
    return list(dict.fromkeys((words[i].stem, leaning.denied[i]) for i in spoken))
