"""What the lints share: where a problem stands, and the walk over nested conditions."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from engine.entry_errors import in_words
from engine.errors import Problem
from engine.loading import KnowledgeSource
from engine.model import AllOf, AnyOf, Condition, FindingIs, Measured, VehicleIs

Path = tuple[str | int, ...]
Leaf = FindingIs | VehicleIs | Measured


def problem(
    source: KnowledgeSource, kind: str, entry_id: str, path: Path, message: str, *, level: str
) -> Problem:
    """Return a problem with one part of an entry."""
    file, line = source.place(kind, entry_id, *path)
    where = in_words(((kind, entry_id) if entry_id else (kind,)) + path)
    return Problem(file, line, f"{where}: {message}", level)


def error(source: KnowledgeSource, kind: str, entry_id: str, path: Path, message: str) -> Problem:
    """Return a problem that keeps the knowledge base from being used."""
    return problem(source, kind, entry_id, path, message, level="error")


def warning(source: KnowledgeSource, kind: str, entry_id: str, path: Path, message: str) -> Problem:
    """Return a problem that the author should look at."""
    return problem(source, kind, entry_id, path, message, level="warning")


def leaves(conditions: Iterable[Condition], path: Path) -> Iterator[tuple[Path, Leaf]]:
    """Yield the single conditions within nested ones, each with its path."""
    for i, condition in enumerate(conditions):
        here = (*path, i)
        if isinstance(condition, AllOf):
            yield from leaves(condition.all, (*here, "all"))
        elif isinstance(condition, AnyOf):
            yield from leaves(condition.any, (*here, "any"))
        else:
            yield here, condition


def all_conditions(source: KnowledgeSource) -> Iterator[tuple[str, str, Path, Leaf]]:
    """Yield every single condition, of whatever entry: kind, id, path, condition."""
    for rule_id, rule in source.rules.items():
        for path, leaf in leaves(rule.when, ("when",)):
            yield "rules", rule_id, path, leaf
    for test_id, test in source.tests.items():
        for i, requirement in enumerate(test.requires):
            for path, leaf in leaves(requirement.when, ("requires", i, "when")):
                yield "tests", test_id, path, leaf
    for point_id, point in source.points.items():
        for name, conditions in (("matters_when", point.matters_when), ("added_when", point.added_when)):
            for path, leaf in leaves(conditions, (name,)):
                yield "points", point_id, path, leaf
    for watch_id, watch in source.watches.items():
        for path, leaf in leaves(watch.matters_when, ("matters_when",)):
            yield "watches", watch_id, path, leaf


def makers_of(source: KnowledgeSource) -> dict[str, list[str]]:
    """Return finding id -> the causes that make it."""
    found: dict[str, list[str]] = {}
    for cause_id, links in source.links.items():
        for finding_id in links.makes:
            found.setdefault(finding_id, []).append(cause_id)
    return found
