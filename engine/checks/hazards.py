"""Work that can hurt someone without its caution, and faults that can without a word about it."""

from __future__ import annotations

import re
from collections.abc import Iterator

from engine.checks.report import leaves, problem, warning
from engine.errors import Problem
from engine.loading import KnowledgeSource
from engine.model import FindingIs, Fix, Test

MUST_BE_COVERED = frozenset({"pressurising", "open_fuel", "hot_parts", "running", "lifting", "rollers"})
CAPPED = "crankcase_vents_capped"
RISKY_WORDS = re.compile(
    r"(?i)\b(rais(e|ed)\s(the\s)?car|car\s(is\s)?raised|lift\sthe\scar|pressuris\w*|pump\sup|compressed\sair"
    r"|(open|loosen|disconnect)\sthe\sfuel|engine\shot|hot\sengine|weld\w*)\b"
)
MEET_THE_CRANKCASE = frozenset({"airpath", "crankcase"})
"""Systems in which test pressure can reach the crankcase."""


def uncovered_activities(source: KnowledgeSource) -> Iterator[Problem]:
    """Activities that no caution of their own test or fix covers."""
    work: list[tuple[str, str, Test | Fix]] = [("tests", i, test) for i, test in source.tests.items()]
    work += [("fixes", i, fix) for i, fix in source.fixes.items()]
    for kind, entry_id, entry in work:
        covered = {
            activity
            for caution_id in entry.cautions
            if caution_id in source.cautions
            for activity in source.cautions[caution_id].covers
        }
        for i, activity in enumerate(entry.involves):
            if activity not in covered:
                level = "error" if activity in MUST_BE_COVERED else "warning"
                message = f"none of its cautions covers {activity}"
                yield problem(source, kind, entry_id, ("involves", i), message, level=level)


def vents_not_asked_for(source: KnowledgeSource) -> Iterator[Problem]:
    """Tests that put pressure on the inlet and do not ask whether the crankcase can let it out."""
    for test_id, test in source.tests.items():
        if "pressurising" not in test.involves:
            continue
        if source.system_of["tests", test_id] not in MEET_THE_CRANKCASE:
            continue
        asked = {
            leaf.finding
            for requirement in test.requires
            for _, leaf in leaves(requirement.when, ())
            if isinstance(leaf, FindingIs)
        }
        if CAPPED not in asked:
            message = f"pressurises the engine without a requirement on {CAPPED}"
            yield warning(source, "tests", test_id, ("requires",), message)


def risky_steps_without_caution(source: KnowledgeSource) -> Iterator[Problem]:
    """Steps that speak of pressure, fuel, heat or lifting in a test or fix that has no caution at all."""
    work: list[tuple[str, str, Test | Fix]] = [("tests", i, test) for i, test in source.tests.items()]
    work += [("fixes", i, fix) for i, fix in source.fixes.items()]
    for kind, entry_id, entry in work:
        for i, step in enumerate(entry.steps):
            word = RISKY_WORDS.search(step)
            if word and not entry.cautions:
                message = f"speaks of {word.group(0).lower()!r} and the entry has no caution"
                yield warning(source, kind, entry_id, ("steps", i), message)


def tests_without_limits(source: KnowledgeSource) -> Iterator[Problem]:
    """Tests that do not say where good ends and bad begins."""
    for test_id, test in source.tests.items():
        if not test.limits:
            yield warning(source, "tests", test_id, (), "has no pass or fail limit")


def stop_without_hazard(source: KnowledgeSource) -> Iterator[Problem]:
    """Causes that stop a run and name no hazard."""
    for cause_id, cause in source.causes.items():
        if cause.consequence == "stop" and not cause.hazards:
            message = "stops the run but names no hazard"
            yield warning(source, "causes", cause_id, ("consequence",), message)
