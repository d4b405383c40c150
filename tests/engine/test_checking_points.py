"""The lints of points, stages and watches fire where they should, and are quiet on what is shipped."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace

import pytest

from engine.checks import points as lints
from engine.checks.references import unknown_ids
from engine.errors import Problem
from engine.inspection.entries import Point, Watch
from engine.loading import KnowledgeSource, default_root, load_source

FUEL = "fuel_dry_by_eye_and_nose"
VENTS = "crankcase_vent_path_open"
WATCH = "watch_oil_pressure_at_speed"


@pytest.fixture(scope="module")
def source() -> KnowledgeSource:
    return load_source(default_root())


def spoilt(source: KnowledgeSource, change: Mapping[str, object], point: str = FUEL) -> KnowledgeSource:
    """Return the shipped knowledge base with one point changed."""
    written = source.points[point].model_dump(mode="json", by_alias=True, exclude_none=True)
    return replace(source, points={**source.points, point: Point.model_validate({**written, **change})})


def watched(source: KnowledgeSource, **change: object) -> KnowledgeSource:
    written = source.watches[WATCH].model_dump(mode="json", by_alias=True, exclude_none=True)
    return replace(source, watches={**source.watches, WATCH: Watch.model_validate({**written, **change})})


def test_what_is_shipped_has_no_complaint(source: KnowledgeSource) -> None:
    for lint in (
        lints.stages_complete,
        lints.guards_come_first,
        lints.answers_say_something,
        lints.owners_stay_safe,
        lints.hazards_of_points,
        lints.watch_bounds,
        unknown_ids,
    ):
        assert list(lint(source)) == []


@pytest.mark.parametrize(
    ("lint", "change", "level", "said"),
    [
        (lints.guards_come_first, {"involves": ["sparks"]}, "error", "involves sparks itself"),
        (lints.guards_come_first, {"stage": "running"}, "error", "after a point that involves lifting"),
        (lints.answers_say_something, {"sets": {"good": {}, "mend": {}}}, "error", "the answer mend sets no"),
        (
            lints.answers_say_something,
            {"sets": {"mend": {"fuel_leak_seen": "present"}}},
            "warning",
            "the answer good sets no",
        ),
        (
            lints.answers_say_something,
            {"matters_when": [{"finding": "fuel_leak_seen"}]},
            "error",
            "matters_when looks at vehicle facts alone",
        ),
        (
            lints.answers_say_something,
            {"added_when": [{"any": [{"vehicle": "induction", "is": "turbocharged"}]}]},
            "error",
            "added_when looks at findings alone",
        ),
        (
            lints.owners_stay_safe,
            {"involves": ["open_fuel"]},
            "error",
            "does not do at home what takes open_fuel",
        ),
        (lints.owners_stay_safe, {"stage": "lift"}, "error", "does not do at home what takes lifting"),
        (
            lints.hazards_of_points,
            {"involves": ["lifting"]},
            "error",
            "none of its cautions or its stage's covers lifting",
        ),
        (unknown_ids, {"cautions": ["petrol_fires"]}, "error", "nearest known: petrol_fire"),
        (unknown_ids, {"reads": ["fuel_pressures"]}, "error", "nearest known: fuel_pressure"),
        (
            unknown_ids,
            {"sets": {"mend": {"fuel_leek_seen": "present"}}},
            "error",
            "nearest known: fuel_leak_seen",
        ),
    ],
)
def test_a_point_that_is_not_right(
    source: KnowledgeSource,
    lint: Callable[[KnowledgeSource], Iterator[Problem]],
    change: dict[str, object],
    level: str,
    said: str,
) -> None:
    problems = [problem for problem in lint(spoilt(source, change)) if said in problem.message]
    assert {problem.level for problem in problems} == {level}
    assert f"points.{FUEL}" in problems[0].message
    assert problems[0].file == "kb/points/general.yaml"
    assert problems[0].line > 1


def test_an_activity_without_a_guard(source: KnowledgeSource) -> None:
    bare = {
        i: p.model_copy(update={"guards": tuple(a for a in p.guards if a != "pressurising")})
        for i, p in source.points.items()
    }
    said = list(lints.guards_come_first(replace(source, points=bare)))
    assert said
    assert all("no point that is always walked makes that safe" in problem.message for problem in said)


def test_points_that_wait_for_each_other(source: KnowledgeSource) -> None:
    one = spoilt(source, {"involves": ["open_fuel"], "guards": ["sparks"]})
    ring = spoilt(one, {"involves": ["sparks"], "guards": ["open_fuel"]}, VENTS)
    said = [problem.message for problem in lints.guards_come_first(ring)]
    said = [message for message in said if "waits for a point that waits for it" in message]
    assert {message.split(".")[1] for message in said} >= {FUEL, VENTS}


def test_a_stage_too_few_and_one_too_many(source: KnowledgeSource) -> None:
    stages = {("raised" if i == "lift" else i): stage for i, stage in source.stages.items()}
    said = [problem.message for problem in lints.stages_complete(replace(source, stages=stages))]
    assert any("is not a position of the car" in message for message in said)
    assert any("the position 'lift' has no stage" in message for message in said)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"unit": "degC"}, "watches.watch_oil_pressure_at_speed.unit"),
        ({"lift_off": {}}, "says nothing of"),
        ({"lift_off": {"below": "200 degC"}}, "does not measure the same thing"),
        ({"at": {"logged_engine_speed": {"at_least": "4000 kPa"}}}, "does not measure the same thing"),
        ({"relative_to": "induction"}, "is no number with a unit"),
    ],
)
def test_a_watch_that_is_not_right(source: KnowledgeSource, change: dict[str, object], said: str) -> None:
    assert any(said in problem.message for problem in lints.watch_bounds(watched(source, **change)))
