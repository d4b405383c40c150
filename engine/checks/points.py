"""The walk round the car: what must come first does, nothing is asked for in vain, and what hurts is said."""

from __future__ import annotations

from collections.abc import Iterator

from engine.checks.hazards import MUST_BE_COVERED
from engine.checks.measures import bound_problems
from engine.checks.report import Path, error, leaves, warning
from engine.errors import Problem
from engine.inspection.entries import STAGES, Point
from engine.loading import KnowledgeSource
from engine.model import Activity, Comparison, FindingIs, VehicleIs
from engine.units import UnitError, conversion

NEED_NO_GUARD: frozenset[Activity] = frozenset({"hot_parts"})
"""Activities whose caution is enough: nothing has to be ruled out before them."""


def activities_of(source: KnowledgeSource, point: Point) -> frozenset[Activity]:
    """Return what a point involves, that of its stage included."""
    stage = source.stages.get(point.stage)
    return frozenset(point.involves) | frozenset(() if stage is None else stage.involves)


def stages_complete(source: KnowledgeSource) -> Iterator[Problem]:
    """Stages that are not one of the positions of the car, and positions without a stage."""
    for stage_id in source.stages:
        if stage_id not in STAGES:
            message = f"is not a position of the car ({', '.join(STAGES)})"
            yield error(source, "stages", stage_id, (), message)
    for stage_id in STAGES:
        if stage_id not in source.stages:
            yield error(source, "stages", "", (), f"the position {stage_id!r} has no stage")


def guards_come_first(source: KnowledgeSource) -> Iterator[Problem]:
    """Activities that nothing makes safe, and points that stand too late to make one safe."""
    needed: dict[Activity, int] = {}
    for point in source.points.values():
        for activity in activities_of(source, point) - NEED_NO_GUARD:
            needed[activity] = min(needed.get(activity, len(STAGES)), STAGES.index(point.stage))
    guarded: dict[Activity, list[str]] = {}
    for point_id, point in source.points.items():
        own = activities_of(source, point)
        for i, activity in enumerate(point.guards):
            if activity in own:
                message = f"involves {activity} itself, so that it cannot come before it"
                yield error(source, "points", point_id, ("guards", i), message)
            elif STAGES.index(point.stage) > needed.get(activity, len(STAGES)):
                message = f"stands in {point.stage}, after a point that involves {activity}"
                yield error(source, "points", point_id, ("guards", i), message)
            if not point.added_when and not point.matters_when:
                guarded.setdefault(activity, []).append(point_id)
    for point_id, point in source.points.items():
        for activity in sorted(activities_of(source, point) - NEED_NO_GUARD - guarded.keys()):
            message = f"involves {activity}, and no point that is always walked makes that safe"
            yield error(source, "points", point_id, ("involves",), message)
    yield from _rings(source)


def _rings(source: KnowledgeSource) -> Iterator[Problem]:
    """Points that wait for each other by way of what they guard and involve."""
    waits = {
        point_id: {
            other_id
            for other_id, other in source.points.items()
            if other_id != point_id and activities_of(source, point) & frozenset(other.guards)
        }
        for point_id, point in source.points.items()
    }
    left = dict(waits)
    while True:
        free = [point_id for point_id, before in left.items() if not before & left.keys()]
        if not free:
            break
        for point_id in free:
            del left[point_id]
    for point_id in left:
        message = (
            f"waits for a point that waits for it: {', '.join(sorted(waits[point_id] & left.keys())[:3])}"
        )
        yield error(source, "points", point_id, ("guards",), message)


def answers_say_something(source: KnowledgeSource) -> Iterator[Problem]:
    """Points whose answers tell the engine nothing, and conditions of the wrong kind."""
    for point_id, point in source.points.items():
        if not point.sets.mend:
            yield error(source, "points", point_id, ("sets",), "the answer mend sets no finding")
        if not point.sets.good:
            yield warning(source, "points", point_id, ("sets",), "the answer good sets no finding")
        for path, leaf in leaves(point.matters_when, ("matters_when",)):
            if not isinstance(leaf, VehicleIs):
                yield error(source, "points", point_id, path, "matters_when looks at vehicle facts alone")
        for path, leaf in leaves(point.added_when, ("added_when",)):
            if not isinstance(leaf, FindingIs):
                yield error(source, "points", point_id, path, "added_when looks at findings alone")


def owners_stay_safe(source: KnowledgeSource) -> Iterator[Problem]:
    """What an owner is asked to do at home that lifts, presses, starts or opens something."""
    for point_id, point in source.points.items():
        if point.at_home is None:
            continue
        involved = activities_of(source, point)
        if point.stage != "bonnet_cold" or involved:
            what = ", ".join(sorted(involved)) or f"the stage {point.stage}"
            message = f"an owner does not do at home what takes {what}"
            yield error(source, "points", point_id, ("at_home",), message)


def hazards_of_points(source: KnowledgeSource) -> Iterator[Problem]:
    """Activities that no caution of the point or of its stage covers."""
    for point_id, point in source.points.items():
        stage = source.stages.get(point.stage)
        cautions = (*point.cautions, *(() if stage is None else stage.cautions))
        covered = {a for c in cautions if c in source.cautions for a in source.cautions[c].covers}
        for activity in sorted((activities_of(source, point) & MUST_BE_COVERED) - covered):
            message = f"none of its cautions or its stage's covers {activity}"
            yield error(source, "points", point_id, ("cautions",), message)


def watch_bounds(source: KnowledgeSource) -> Iterator[Problem]:
    """Limits of what is watched in units that are not units, or that do not fit the channel."""
    for watch_id, watch in source.watches.items():
        if watch.channel not in source.channels:
            continue
        try:
            conversion(watch.unit, source.channels[watch.channel].unit)
        except UnitError as reason:
            yield error(source, "watches", watch_id, ("unit",), str(reason))
            continue
        fact = source.vehicle_facts.get(watch.relative_to or "")
        if fact is not None and (fact.type != "number" or fact.unit is None):
            yield error(source, "watches", watch_id, ("relative_to",), "is no number with a unit")
        parts: list[tuple[Path, Comparison, str]] = [(("lift_off",), watch.lift_off, watch.unit)]
        for name, comparison in watch.at.items():
            if name in source.channels:
                parts.append((("at", name), comparison, source.channels[name].unit))
        for path, comparison, unit in parts:
            yield from bound_problems(
                source, ("watches", watch_id, path), comparison, (watch_id, unit, None, None)
            )
