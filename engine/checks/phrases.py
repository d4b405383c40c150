"""What callers say, and trouble codes: each should lead to one finding only."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from rapidfuzz import fuzz, process

from engine.checks.report import Path, error, warning
from engine.errors import Problem
from engine.loading import KnowledgeSource
from engine.phrasing import fold

FEWEST_PHRASES, MOST_PHRASES = 6, 32
NEARLY_SAME = 95.0
CHUNK = 512


def count_of_phrases(source: KnowledgeSource) -> Iterator[Problem]:
    """Findings that are asked on a call with too few phrasings, and any with more than anybody reviews."""
    for finding_id, finding in source.findings.items():
        count = len(finding.heard_as)
        if "call" in finding.found_at and count < FEWEST_PHRASES:
            message = f"{count} phrasings, fewer than {FEWEST_PHRASES}"
            yield error(source, "findings", finding_id, ("heard_as",), message)
        elif count > MOST_PHRASES:
            message = f"{count} phrasings, more than {MOST_PHRASES}"
            yield warning(source, "findings", finding_id, ("heard_as",), message)


def same(source: KnowledgeSource) -> Iterator[Problem]:
    """Phrases that stand for two findings, or twice for one."""
    first: dict[str, tuple[str, Path]] = {}
    for finding_id, path, phrase in _phrases(source):
        if phrase not in first:
            first[phrase] = finding_id, path
            continue
        other, other_path = first[phrase]
        file, line = source.place("findings", other, *other_path)
        message = f"{phrase!r} stands for {other} as well, at {file}:{line}"
        if other == finding_id:
            message = f"{phrase!r} stands here twice, first at {file}:{line}"
            yield warning(source, "findings", finding_id, path, message)
        else:
            yield error(source, "findings", finding_id, path, message)


def nearly_same(source: KnowledgeSource) -> Iterator[Problem]:
    """Phrases of two findings that a slip of the pen would make equal."""
    phrases = list(_phrases(source))
    texts = [phrase for _, _, phrase in phrases]
    for start in range(0, len(texts), CHUNK):
        # One chunk against all: the whole square would take memory with the square of the phrases.
        scores = process.cdist(
            texts[start : start + CHUNK], texts, scorer=fuzz.ratio, score_cutoff=NEARLY_SAME, dtype=np.float32
        )
        for row, column in np.argwhere(scores >= NEARLY_SAME):
            first, second = int(column), start + int(row)
            if first >= second or texts[first] == texts[second] or phrases[first][0] == phrases[second][0]:
                continue
            finding_id, path, phrase = phrases[second]
            other, other_path, other_phrase = phrases[first]
            file, line = source.place("findings", other, *other_path)
            message = f"{phrase!r} is nearly {other_phrase!r} of {other} at {file}:{line}"
            yield warning(source, "findings", finding_id, path, message)


def shared_codes(source: KnowledgeSource) -> Iterator[Problem]:
    """Trouble codes that are claimed by two findings."""
    first: dict[str, str] = {}
    for finding_id, finding in source.findings.items():
        for i, code in enumerate(finding.codes):
            other = first.setdefault(code, finding_id)
            if other != finding_id:
                file, line = source.place("findings", other, "codes")
                message = f"{code} is claimed by {other} as well, at {file}:{line}"
                yield error(source, "findings", finding_id, ("codes", i), message)


def untitled_codes(source: KnowledgeSource) -> Iterator[Problem]:
    """Codes of findings that have no title."""
    for finding_id, finding in source.findings.items():
        for i, code in enumerate(finding.codes):
            if code.lower() not in source.trouble_codes:
                message = f"{code} has no title in trouble_codes.yaml"
                yield error(source, "findings", finding_id, ("codes", i), message)


def _phrases(source: KnowledgeSource) -> Iterator[tuple[str, Path, str]]:
    for finding_id, finding in source.findings.items():
        for name in ("heard_as", "heard_when_absent"):
            for i, phrase in enumerate(getattr(finding, name)):
                yield finding_id, (name, i), fold(phrase)
