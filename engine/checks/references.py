"""Ids that lead nowhere, ids that are given twice, sources that nothing names, lines too long to review."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from engine.checks.report import Path, all_conditions, error, warning
from engine.errors import Problem
from engine.kinds import KINDS, SINGLE_FILES
from engine.loading import KnowledgeSource
from engine.measures.catalogue import measures
from engine.model import FindingIs, Measured, Strength
from engine.nearest import nearest

MAX_COLUMNS = 120
ALL_KINDS = (*KINDS, *(name.removesuffix(".yaml") for name in SINGLE_FILES))


class Reference(NamedTuple):
    """One place where an entry names another."""

    kind: str
    entry_id: str
    path: Path
    target_kind: str
    target: str


def unknown_ids(source: KnowledgeSource) -> Iterator[Problem]:
    """References to entries that do not exist, with the nearest that do."""
    for kind, entry_id, path, target_kind, target in _references(source):
        known = source.entries(target_kind)
        if target not in known:
            hint = nearest(target, known)
            nearest_known = f"; nearest known: {', '.join(hint)}" if hint else ""
            message = f"no entry {target!r} in {target_kind}{nearest_known}"
            yield error(source, kind, entry_id, path, message)


def shared_ids(source: KnowledgeSource) -> Iterator[Problem]:
    """Ids that stand for two entries of different kinds; links share the id of their cause."""
    first: dict[str, str] = {}
    for kind in ALL_KINDS:
        if kind == "links":
            continue
        for entry_id in source.entries(kind):
            if entry_id in first:
                file, line = source.place(first[entry_id], entry_id)
                message = f"the id is taken by {first[entry_id]} at {file}:{line}"
                yield error(source, kind, entry_id, (), message)
            else:
                first[entry_id] = kind


def unused_sources(source: KnowledgeSource) -> Iterator[Problem]:
    """Sources that nothing rests on."""
    used = {reference.target for reference in _references(source) if reference.target_kind == "sources"}
    used |= {formula.source for measure in measures().values() for formula in measure.formulas}
    for source_id in source.sources:
        if source_id not in used:
            yield warning(source, "sources", source_id, (), "nothing names this source")


def long_lines(source: KnowledgeSource) -> Iterator[Problem]:
    """Lines that do not fit a reviewer's screen."""
    for file, text in source.texts.items():
        for number, line in enumerate(text.split("\n"), start=1):
            if len(line) > MAX_COLUMNS:
                yield Problem(file, number, f"{len(line)} columns, more than {MAX_COLUMNS}", "warning")


def _references(source: KnowledgeSource) -> Iterator[Reference]:
    yield from _to_sources(source)
    yield from _of_faults(source)
    yield from _of_work(source)
    yield from _of_conclusions(source)
    yield from _of_walk(source)
    for kind, entry_id, path, leaf in all_conditions(source):
        if isinstance(leaf, FindingIs):
            yield Reference(kind, entry_id, (*path, "finding"), "findings", leaf.finding)
        elif isinstance(leaf, Measured):
            yield Reference(kind, entry_id, (*path, "measured"), "quantities", leaf.measured)
            for quantity in leaf.at:
                yield Reference(kind, entry_id, (*path, "at", quantity), "quantities", quantity)
        else:
            yield Reference(kind, entry_id, (*path, "vehicle"), "vehicle_facts", leaf.vehicle)


def _to_sources(source: KnowledgeSource) -> Iterator[Reference]:
    yield Reference("kb", "", ("decision", "source"), "sources", source.manifest.decision.source)
    for kind in ALL_KINDS:
        for entry_id, entry in source.entries(kind).items():
            named = getattr(entry, "source", None)
            if isinstance(named, str):
                yield Reference(kind, entry_id, ("source",), "sources", named)
    for cause_id, links in source.links.items():
        for finding_id, strength in links.makes.items():
            if isinstance(strength, Strength):
                path = ("makes", finding_id, "source")
                yield Reference("links", cause_id, path, "sources", strength.source)
    for test_id, test in source.tests.items():
        for i, limit in enumerate(test.limits):
            yield Reference("tests", test_id, ("limits", i, "source"), "sources", limit.source)
    for limit_id, judgement in source.limits.items():
        yield Reference("limits", limit_id, ("finding",), "findings", judgement.finding)


def _of_faults(source: KnowledgeSource) -> Iterator[Reference]:
    for cause_id, cause in source.causes.items():
        for i, fix_id in enumerate(cause.fixes):
            yield Reference("causes", cause_id, ("fixes", i), "fixes", fix_id)
        for i, caution_id in enumerate(cause.hazards):
            yield Reference("causes", cause_id, ("hazards", i), "cautions", caution_id)
    for cause_id, links in source.links.items():
        yield Reference("links", cause_id, (), "causes", cause_id)
        for finding_id in links.makes:
            yield Reference("links", cause_id, ("makes", finding_id), "findings", finding_id)


def _of_work(source: KnowledgeSource) -> Iterator[Reference]:
    for test_id, test in source.tests.items():
        for finding_id in test.settles:
            yield Reference("tests", test_id, ("settles", finding_id), "findings", finding_id)
        for i, caution_id in enumerate(test.cautions):
            yield Reference("tests", test_id, ("cautions", i), "cautions", caution_id)
    for fix_id, fix in source.fixes.items():
        yield Reference("fixes", fix_id, ("proof",), "tests", fix.proof)
        for i, caution_id in enumerate(fix.cautions):
            yield Reference("fixes", fix_id, ("cautions", i), "cautions", caution_id)


def _of_walk(source: KnowledgeSource) -> Iterator[Reference]:
    for point_id, point in source.points.items():
        for answer in ("good", "advise", "mend"):
            for finding_id in getattr(point.sets, answer):
                yield Reference("points", point_id, ("sets", answer, finding_id), "findings", finding_id)
        for i, quantity in enumerate(point.reads):
            yield Reference("points", point_id, ("reads", i), "quantities", quantity)
        for i, limit in enumerate(point.limits):
            yield Reference("points", point_id, ("limits", i, "source"), "sources", limit.source)
        for i, caution_id in enumerate(point.cautions):
            yield Reference("points", point_id, ("cautions", i), "cautions", caution_id)
    for stage_id, stage in source.stages.items():
        for i, caution_id in enumerate(stage.cautions):
            yield Reference("stages", stage_id, ("cautions", i), "cautions", caution_id)
    for watch_id, watch in source.watches.items():
        yield Reference("watches", watch_id, ("channel",), "channels", watch.channel)
        if watch.relative_to is not None:
            yield Reference("watches", watch_id, ("relative_to",), "vehicle_facts", watch.relative_to)
        for name in watch.at:
            yield Reference("watches", watch_id, ("at", name), "channels", name)
        for i, finding_id in enumerate(watch.tells):
            yield Reference("watches", watch_id, ("tells", i), "findings", finding_id)


def _of_conclusions(source: KnowledgeSource) -> Iterator[Reference]:
    for rule_id, rule in source.rules.items():
        then = rule.then
        for i, derivation in enumerate(then.derive):
            path = ("then", "derive", i, "finding")
            yield Reference("rules", rule_id, path, "findings", derivation.finding)
        lists = (
            ("exclude", "causes", then.exclude),
            ("require_test", "tests", then.require_test),
            ("caution", "cautions", then.caution),
        )
        for name, target_kind, targets in lists:
            for i, target in enumerate(targets):
                yield Reference("rules", rule_id, ("then", name, i), target_kind, target)
