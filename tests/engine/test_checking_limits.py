"""The lints of limits and channels fire where they should, and are quiet on what is shipped."""

from __future__ import annotations

from dataclasses import replace

import pytest

from engine.checks.limits import limit_bounds, limit_units, limits_in_use
from engine.checks.references import unknown_ids
from engine.loading import KnowledgeSource, default_root, load_source
from engine.model import Judgement


@pytest.fixture(scope="module")
def source() -> KnowledgeSource:
    return load_source(default_root())


def spoilt(
    source: KnowledgeSource, limit_id: str = "joint_without_bead", **change: object
) -> KnowledgeSource:
    """Return the shipped knowledge base with one limit changed."""
    changed = Judgement.model_validate({**source.limits[limit_id].model_dump(exclude_none=True), **change})
    return replace(source, limits={**source.limits, limit_id: changed})


def test_what_is_shipped_has_no_complaint(source: KnowledgeSource) -> None:
    for lint in (limit_units, limit_bounds, limits_in_use, unknown_ids):
        assert list(lint(source)) == []


def test_a_unit_that_is_none(source: KnowledgeSource) -> None:
    said = list(limit_units(spoilt(source, unit="newtons_or_so")))
    assert [p.level for p in said] == ["error"]
    assert "limits.joint_without_bead.unit: 'newtons_or_so' is not a known unit" in said[0].message
    assert said[0].file == "kb/limits/airpath.yaml"
    assert said[0].line > 1


def test_a_setting_that_cannot_be_read(source: KnowledgeSource) -> None:
    said = list(limit_units(spoilt(source, settings={"hold": "3 parsnips"})))
    assert "limits.joint_without_bead.settings.hold: 'parsnips' is not a known unit" in said[0].message


@pytest.mark.parametrize(
    ("present", "absent", "said"),
    [
        ({"above": "300 kPa"}, None, "does not measure the same thing"),
        ({"above": "300"}, None, "has no unit"),
        ({}, None, "says nothing of"),
        ({"above": "300 newton", "below": "200 newton"}, None, "no value of"),
        ({"above": "300 newton"}, {"at_most": "400 newton"}, "some values are both present and absent"),
        ({"at_least": "300 newton"}, {"at_most": "300 newton"}, "some values are both present and absent"),
    ],
)
def test_bounds_that_cannot_judge(
    source: KnowledgeSource, present: dict[str, str], absent: dict[str, str] | None, said: str
) -> None:
    problems = list(limit_bounds(spoilt(source, present=present, absent=absent)))
    assert problems
    assert said in problems[0].message
    assert problems[0].level == "error"


def test_bounds_that_meet_without_overlapping(source: KnowledgeSource) -> None:
    kb = spoilt(source, present={"above": "300 newton"}, absent={"at_most": "300 newton"})
    assert list(limit_bounds(kb)) == []


def test_a_finding_that_is_not_there(source: KnowledgeSource) -> None:
    said = list(unknown_ids(spoilt(source, finding="pipe_end_plane")))
    assert "no entry 'pipe_end_plane' in findings; nearest known: pipe_end_plain" in said[0].message


def test_a_user_that_is_not_there_and_a_limit_that_is_gone(source: KnowledgeSource) -> None:
    said = list(limits_in_use(spoilt(source, used_by="joint_trust")))
    assert "nothing is called 'joint_trust'; known: joint_thrust" in said[0].message
    limits = {**source.limits, "joint_with_bead": source.limits["joint_without_bead"]}
    del limits["joint_without_bead"]
    said = list(limits_in_use(replace(source, limits=limits)))
    assert [(p.level, p.message.split(": ", 1)[1]) for p in said] == [
        ("warning", "joint_thrust uses no limit of this id"),
        ("error", "joint_thrust needs a limit 'joint_without_bead'"),
    ]
