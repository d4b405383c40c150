"""Faults of the synthetic car are found in its logs and sound cars are left alone: a small part of the table.

`python -m tests.logs.detection` drives more cars, and prints the table.
"""

from __future__ import annotations

from functools import lru_cache

import pytest

from tests.logs.detection import (
    Look,
    Score,
    judge_look,
    known_findings,
    rows_of,
    score_of,
    told_of,
)
from tests.logs.model import record
from tests.logs.model_faults import FAULTS, Fault, faulty

CAR = 1001


@lru_cache(maxsize=1)
def decided() -> frozenset[str]:
    return known_findings()


def test_every_fault_is_one_that_some_feature_looks_for() -> None:
    assert [fault.told for fault in FAULTS if not fault.findings & decided()] == []


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: str(fault.told))
def test_a_large_fault_is_found_and_nothing_else(fault: Fault) -> None:
    size = max(fault.matter, key=abs)
    present = told_of(faulty(CAR, fault, size))
    found, wrong = judge_look(fault, Look(0, size, CAR, present))
    assert found
    assert wrong == []


@pytest.mark.parametrize("seed", range(12))
def test_a_sound_car_is_left_alone(seed: int) -> None:
    assert judge_look(None, Look(-1, 0.0, seed, told_of(record(seed))))[1] == []


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_fault_is_found_through_a_file_as_well(seed: int) -> None:
    lean = next(fault for fault in FAULTS if fault.id == "lean")
    found, _ = judge_look(lean, Look(0, 0.12, seed, told_of(faulty(seed, lean, 0.12), "csv")))
    assert found


def test_the_table_counts_what_was_found_missed_and_wrong() -> None:
    lean = next(i for i, fault in enumerate(FAULTS) if fault.id == "lean")
    size = FAULTS[lean].matter[0]
    told = ("lean_under_boost", "lean_under_boost_logged")
    wrong = ("overboost", "overboost_logged")
    looks = [
        Look(lean, size, 0, (told,)),
        Look(lean, size, 1, (told, wrong)),
        Look(lean, size, 2, ()),
        Look(lean, FAULTS[lean].too_small[0], 3, ()),
        Look(-1, 0.0, 4, (wrong,)),
        Look(-1, 0.0, 5, ()),
    ]
    rows, sound = rows_of(looks)
    assert rows[lean, size].missed == [2]
    assert sound.false == 1
    score = score_of(rows, sound)
    assert score.found == pytest.approx(2 / 3)
    assert score.false_sound == pytest.approx(1 / 2)
    assert score.false_faulty == pytest.approx(1 / 4)
    assert not score.good
    assert Score(found=0.95, false_sound=0.02, false_faulty=0.0).good
    assert not Score(found=0.95, false_sound=0.0, false_faulty=0.03).good
