"""Limits of readings and logs, and channels: units, bounds that leave room, and that something uses them."""

from __future__ import annotations

from collections.abc import Iterator

from engine.checks.measures import bound_problems
from engine.checks.report import Path, error, warning
from engine.conditions import bounds_of
from engine.errors import Problem
from engine.loading import KnowledgeSource
from engine.logs.looking import features
from engine.measures.catalogue import measures
from engine.model import Judgement
from engine.nearest import nearest
from engine.units import UnitError, conversion, parse_quantity

LOG = "log"


def limit_units(source: KnowledgeSource) -> Iterator[Problem]:
    """Limits and channels in units that are not units, and settings that cannot be read."""
    for kind, units in (
        ("limits", {i: limit.unit for i, limit in source.limits.items()}),
        ("channels", {i: channel.unit for i, channel in source.channels.items()}),
    ):
        for entry_id, unit in units.items():
            try:
                conversion(unit, unit)
            except UnitError as reason:
                yield error(source, kind, entry_id, ("unit",), str(reason))
    for channel_id, channel in source.channels.items():
        if channel.minimum >= channel.maximum:
            message = f"the range is empty: minimum {channel.minimum:g}, maximum {channel.maximum:g}"
            yield error(source, "channels", channel_id, ("minimum",), message)
    for limit_id, limit in source.limits.items():
        for name, text in limit.settings.items():
            _, _, unit = text.partition(" ")
            try:
                parse_quantity(text, unit.strip() or "dimensionless")
            except UnitError as reason:
                yield error(source, "limits", limit_id, ("settings", name), str(reason))


def limit_bounds(source: KnowledgeSource) -> Iterator[Problem]:
    """Limits that nothing can be beyond, or that call the same value present and absent."""
    for limit_id, limit in source.limits.items():
        try:
            conversion(limit.unit, limit.unit)
        except UnitError:
            continue
        parts = [("present", limit.present)]
        parts += [("absent", limit.absent)] if limit.absent is not None else []
        found = [
            problem
            for name, comparison in parts
            for problem in bound_problems(
                source, ("limits", limit_id, (name,)), comparison, (limit_id, limit.unit, None, None)
            )
        ]
        yield from found
        if not found and _overlap(limit):
            yield error(source, "limits", limit_id, ("absent",), "some values are both present and absent")


def limits_in_use(source: KnowledgeSource) -> Iterator[Problem]:
    """Limits that no measure and no feature of a log uses, and those that one needs and that are missing."""
    if not source.limits:
        return
    users = {measure.id: set(measure.limits) for measure in measures().values()}
    users[LOG] = {feature.id for feature in features()}
    for limit_id, limit in source.limits.items():
        path: Path = ("used_by",)
        if limit.used_by not in users:
            known = ", ".join(nearest(limit.used_by, users) or sorted(users))
            message = f"nothing is called {limit.used_by!r}; known: {known}"
            yield error(source, "limits", limit_id, path, message)
        elif limit_id not in users[limit.used_by]:
            yield warning(source, "limits", limit_id, path, f"{limit.used_by} uses no limit of this id")
    for user, wanted in users.items():
        for limit_id in sorted(wanted - source.limits.keys()):
            message = f"{user} needs a limit {limit_id!r}"
            yield error(source, "limits", limit_id, (), message)


def _overlap(limit: Judgement) -> bool:
    if limit.absent is None:
        return False
    present, absent = bounds_of(limit.present, limit.unit), bounds_of(limit.absent, limit.unit)
    low, high = max(present.low, absent.low), min(present.high, absent.high)
    return low < high or (low == high and present.holds(low) and absent.holds(low))
