"""Everyday words that the listener treats alike, and what callers say of the car."""

from __future__ import annotations

from collections.abc import Iterator

from engine.checks.report import Path, error, warning
from engine.errors import Problem
from engine.loading import KnowledgeSource
from engine.nearest import nearest
from engine.phrasing import fold

MOST_WORDS_IN_RUN = 6


def words_in_two_groups(source: KnowledgeSource) -> Iterator[Problem]:
    """Words that two groups claim, or one group twice: which of them counts would be chance."""
    first: dict[tuple[bool, str], tuple[str, Path]] = {}
    for group_id, group in source.word_groups.items():
        for i, words in enumerate(group.words):
            path: Path = ("words", i)
            # A wording may both deny and be a plain word for something; small talk is compared with findings.
            key = group.role == "same_meaning", fold(words)
            if not key[1]:
                yield error(source, "word_groups", group_id, path, f"{words!r} holds no word")
                continue
            other, other_path = first.setdefault(key, (group_id, path))
            if (other, other_path) == (group_id, path):
                continue
            file, line = source.place("word_groups", other, *other_path)
            report = warning if other == group_id else error
            yield report(source, "word_groups", group_id, path, f"{words!r} stands already at {file}:{line}")


def runs_too_long(source: KnowledgeSource) -> Iterator[Problem]:
    """Wordings of so many words that nobody repeats them."""
    for group_id, group in source.word_groups.items():
        for i, words in enumerate(group.words):
            count = len(fold(words).split())
            if group.role != "small_talk" and count > MOST_WORDS_IN_RUN:
                message = f"{count} words, more than {MOST_WORDS_IN_RUN}: nobody says it just so"
                yield warning(source, "word_groups", group_id, ("words", i), message)


def vehicle_wordings(source: KnowledgeSource) -> Iterator[Problem]:
    """Wordings for a value that the vehicle fact does not have, or that stand for two values of one fact."""
    for fact_id, fact in source.vehicle_facts.items():
        first: dict[str, str] = {}
        for value, wordings in fact.heard_as.items():
            if value not in fact.choices:
                near = nearest(value, fact.choices)
                message = f"is no choice of this fact; nearest: {', '.join(near) or ', '.join(fact.choices)}"
                yield error(source, "vehicle_facts", fact_id, ("heard_as", value), message)
            for i, wording in enumerate(wordings):
                other = first.setdefault(fold(wording), value)
                if other != value:
                    message = f"{wording!r} stands for {other} as well"
                    yield error(source, "vehicle_facts", fact_id, ("heard_as", value, i), message)
