"""Which channel a column is, by its name: exactly as the knowledge base has it, else by likeness."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

from rapidfuzz import fuzz, process

from engine.logs.words import BARE_UNITS, QUALIFIERS, SAME, UNIT_WORDS
from engine.model import Channel

PREFIX = "logged_"
TIME = "time"
LEAST_LIKENESS = 0.88
CANDIDATE_LIKENESS = 0.70
MOST_CANDIDATES = 3
SHORTEST_LIKE = 4
"""Shorter names are known or not: one letter more or less is another name."""

BRACKETED = re.compile(r"^(?P<name>.*?)\s*[\[(]\s*(?P<unit>[^\[\]()]{0,24}(?:\([^()]{1,10}\))?)\s*[\])]\s*$")
AFTER_COMMA = re.compile(r"^(?P<name>[^,;:/]+)[,;:/]\s*(?P<unit>[^,;:\s]{1,12})$")
BEHIND = re.compile(r"^(?P<name>.+?)(?:[,;:/_ ]\s*)(?P<unit>[A-Za-z°%µ]{1,6}(?:/[A-Za-z]{1,3}2?)?)$")
UNIT_TAIL = re.compile(
    r"(([ _]\(?|\()(?P<letter>a|g)\)?|[ _]?\(?(?P<word>abs|absolute|gauge|gage|rel|relative)\)?)$"
)
"""What stands behind a unit of pressure to say what it is counted from."""
CLOCK_FORM = re.compile(r"^[hms:. y/d\-t]{4,}$")
"""A time's form in place of its unit, as hh:mm:ss."""
ABSOLUTE_WORDS = re.compile(r"\b(abs|absolute|absolut|absolue|assoluta|map|bara|psia|kpaa)\b")
GAUGE_WORDS = re.compile(r"\b(gauge|gage|rel|relative|relativ|boost|überdruck|barg|psig|kpag)\b")


@dataclass(frozen=True)
class Named:
    """The name of a column without its unit, and the unit if the name carries one."""

    name: str
    unit: str


@dataclass(frozen=True)
class Match:
    """A channel that a column may be."""

    channel: str
    likeness: float


WORD = re.compile(r"^[^\W\d_]{2,}([ _-][^\W_]+)*$")


def is_unit(text: str) -> bool:
    """Whether a text is a unit as loggers write it, with or without a word for gauge or absolute.

    >>> is_unit("kPa abs"), is_unit("Oil")
    (True, False)
    """
    lower = text.strip().lower()
    return lower in UNIT_WORDS or UNIT_TAIL.sub("", lower) in UNIT_WORDS or bool(CLOCK_FORM.match(lower))


def split_unit(header: str) -> Named:
    """Return a header as name and unit.

    >>> split_unit("Manifold Pressure [kPa]")
    Named(name='Manifold Pressure', unit='kPa')
    >>> split_unit("oil_pressure_kPa")
    Named(name='oil_pressure', unit='kPa')

    Words in brackets that are no unit belong to the name:

    >>> split_unit("Temperature (Oil)")
    Named(name='Temperature (Oil)', unit='')
    """
    text = header.strip()
    if (found := BRACKETED.match(text)) and found["name"]:
        unit = found["unit"].strip()
        if is_unit(unit) or not WORD.match(unit):
            return Named(found["name"], unit)
        return Named(text, "")
    if (found := AFTER_COMMA.match(text)) and is_unit(found["unit"]):
        return Named(found["name"].strip(), found["unit"])
    found = BEHIND.match(text)
    if found and found["unit"].lower() in BARE_UNITS and found["unit"].lower() != found["name"].lower():
        return Named(found["name"].strip(), found["unit"])
    return Named(text, "")


@lru_cache(maxsize=8192)
def fold_name(text: str) -> str:
    """Return a name in small letters, words apart, without signs and accents, short forms written out.

    >>> fold_name("EngineSpeed_RPM")
    'engine speed rpm'
    >>> fold_name("Oil Press.2")
    'oil pressure 2'
    """
    apart = re.sub(r"(?<=[a-z0-9])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])", " ", text)
    apart = re.sub(r"(?<=[^\W\d_]{3})(?=\d)", " ", apart)
    plain = unicodedata.normalize("NFKD", apart.casefold())
    letters = "".join(sign for sign in plain if not unicodedata.combining(sign))
    return " ".join(SAME.get(word, word) for word in re.findall(r"[^\W_]+", letters))


def names_of(channels: Mapping[str, Channel]) -> dict[str, str]:
    """Return folded name -> channel (short id); the first channel in the file keeps a name."""
    found: dict[str, str] = {}
    for channel_id, channel in channels.items():
        short = channel_id.removeprefix(PREFIX)
        for name in (short.replace("_", " "), *channel.called):
            found.setdefault(fold_name(name), short)
    return found


def match_columns(names: Sequence[str], known: Mapping[str, str]) -> list[list[Match]]:
    """Return for each column the channels that it may be, the likeliest first.

    A name that is known stands at 1; else likeness is that of the words in any order.
    """
    return [_matches(fold_name(name), known) for name in names]


REFERENCES = frozenset({"absolute", "gauge", "rel", "relative"})
FIRST_LIKENESS = 0.97
"""Of a name that is known but for a 1 behind it, as of the first of two, or a word for its reference."""


def _matches(folded: str, known: Mapping[str, str]) -> list[Match]:
    if not folded:
        return []
    best: dict[str, float] = {}
    if folded in known:
        best[known[folded]] = 1.0
    plain = " ".join(word for word in folded.split() if word not in REFERENCES)
    for other in (folded.removesuffix(" 1").removesuffix(" bank"), plain, plain.removesuffix(" 1")):
        if other != folded and other in known:
            best.setdefault(known[other], FIRST_LIKENESS)
    words = set(folded.split())
    marks = {word for word in words if word in QUALIFIERS or word.isdigit()}
    alike = process.extract(
        folded,
        known.keys() if len(folded) >= SHORTEST_LIKE else (),
        scorer=fuzz.token_sort_ratio,
        score_cutoff=100.0 * CANDIDATE_LIKENESS,
        limit=None,
    )
    for name, score, _ in alike:
        likeness, channel = score / 100.0, known[name]
        if len(name) < SHORTEST_LIKE:
            continue
        if marks != {word for word in name.split() if word in QUALIFIERS or word.isdigit()}:
            likeness = min(likeness, LEAST_LIKENESS - 0.01)
        if best.get(channel, 0.0) < likeness:
            best[channel] = min(likeness, 0.99)
    ranked = sorted(best.items(), key=lambda item: -item[1])
    return [Match(channel, round(likeness, 3)) for channel, likeness in ranked[: MOST_CANDIDATES + 1]]


def sibling_of(name: str, known: Mapping[str, str]) -> str | None:
    """Return the channel that a name with a number behind it is another sensor of.

    >>> sibling_of("Lambda bank 2", {"lambda": "lambda"})
    'lambda'
    """
    words = fold_name(name).split()
    while words and (words[-1].isdigit() or words[-1] == "bank"):
        words.pop()
    return known.get(" ".join(words))


def named(header: str, unit: str, known: Mapping[str, str]) -> Named:
    """Return the name and the unit of a column: cut where the rest is a known name, whole if that is one.

    A unit that stands by itself in the file goes before one in the header.
    """
    cut = split_unit(header)
    if fold_name(header) in known and fold_name(cut.name) not in known:
        return Named(header, unit)
    return Named(cut.name, unit or cut.unit)


def assign(matches: Sequence[Sequence[Match]], empty: frozenset[int] = frozenset()) -> dict[int, Match]:
    """Return column -> channel, each channel once: the surest first, then the first column in the file.

    Columns that are `empty` come after all others.
    """
    pairs = sorted(
        (
            (i not in empty, match.likeness, -i, match)
            for i, found in enumerate(matches)
            for match in found[:1]
        ),
        key=lambda pair: pair[:3],
        reverse=True,
    )
    taken: dict[int, Match] = {}
    used: set[str] = set()
    for _, likeness, minus_i, match in pairs:
        if likeness >= LEAST_LIKENESS and match.channel not in used:
            taken[-minus_i] = match
            used.add(match.channel)
    return taken


def reference_said(name: str, unit: str) -> str | None:
    """Return "gauge" or "absolute" if the name or the unit of a column says it, else None."""
    tail = UNIT_TAIL.search(unit.strip().lower())
    letter = {"a": "absolute", "g": "gauge"}.get((tail["letter"] or "") if tail else "", "")
    text = f"{fold_name(name)} {fold_name(unit)} {unit.lower()} {letter}"
    absolute, gauge = ABSOLUTE_WORDS.search(text), GAUGE_WORDS.search(text)
    if absolute and not gauge:
        return "absolute"
    if gauge and not absolute:
        return "gauge"
    return None
