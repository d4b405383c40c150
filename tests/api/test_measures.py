"""/v1/measures against a running server, and `prepull measure` in a shell."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import httpx
import pytest

from engine.measures.answer import MeasureAnswer, MeasureView
from engine.measures.catalogue import measures

ROOT = Path(__file__).parents[2]


def shell(*words: str, columns: str = "80") -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "api.command", "measure", *words],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        env={"COLUMNS": columns, "PATH": "/usr/bin:/bin", "LANG": "C.UTF-8"},
    )


def test_every_measure_is_listed_with_enough_for_a_form(server: str) -> None:
    listed = [MeasureView.model_validate(m) for m in httpx.get(f"{server}/v1/measures").json()["measures"]]
    assert [view.id for view in listed] == list(measures())
    for view in listed:
        assert view.inputs
        assert all(item.example for item in view.inputs)
        picture = httpx.get(f"{server}{view.picture}")
        assert picture.status_code == 200
        assert picture.headers["content-type"] == "image/svg+xml"
        assert MeasureView.model_validate(httpx.get(f"{server}/v1/measures/{view.id}").json()) == view


@pytest.mark.parametrize("measure_id", list(measures()))
def test_facts_of_the_example_go_to_the_triage_as_they_stand(server: str, measure_id: str) -> None:
    example = dict(measures()[measure_id].example)
    response = httpx.post(f"{server}/v1/measures/{measure_id}", json={"readings": example})
    assert response.status_code == 200, response.text
    answer = MeasureAnswer.model_validate(response.json())
    assert answer.results
    assert answer.formulas
    told = httpx.post(f"{server}/v1/triage", json=answer.facts.model_dump())
    assert told.status_code == 200, told.text
    assert told.json()["conflicts"] == []


def test_wrong_readings_are_problem_details_by_field(server: str) -> None:
    sent = {"readings": {"diameter": "63.5", "boost": "22 psi", "held_by": "glue", "x": "1"}}
    response = httpx.post(f"{server}/v1/measures/joint_thrust", json=sent)
    assert response.status_code == 422
    assert response.headers["content-type"] == "application/problem+json"
    problem = response.json()
    assert problem["type"] == "/v1/problems/invalid-facts"
    errors = {error["field"]: error for error in problem["errors"]}
    assert errors["readings.boost"]["accepted"] == ["150 kPa gauge or kPa abs"]
    assert errors["readings.held_by"]["accepted"] == ["bead", "plain"]
    assert set(errors) == {"readings.diameter", "readings.boost", "readings.held_by", "readings.x"}


def test_an_unknown_measure_is_told_with_the_nearest(server: str) -> None:
    response = httpx.post(f"{server}/v1/measures/joint_thrusts", json={"readings": {}})
    assert response.status_code == 404
    assert "joint_thrust" in response.json()["errors"][0]["accepted"]


def test_the_command_says_what_the_api_says(server: str) -> None:
    readings = {"diameter": "63.5 mm", "boost": "22 psi gauge", "held_by": "plain"}
    done = shell("joint_thrust", "--json", *(f"{name}={value}" for name, value in readings.items()))
    assert done.returncode == 0, done.stderr
    assert (
        json.loads(done.stdout)
        == httpx.post(f"{server}/v1/measures/joint_thrust", json={"readings": readings}).json()
    )


@pytest.mark.parametrize("columns", ["44", "80"])
def test_the_command_fits_a_narrow_terminal(columns: str) -> None:
    done = shell("joint_thrust", "--example", columns=columns)
    assert done.returncode == 0, done.stderr
    assert max(map(len, done.stdout.splitlines())) <= int(columns)
    assert "475" in done.stdout
    assert "published" in done.stdout


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("joint_thrusts",), "joint_thrust"),
        (("joint_thrust", "boost"), "is not a reading"),
        (("joint_thrust", "boost=1 psi g", "boost=2 psi g"), "given twice"),
        (("joint_thrust", "boost=22 psi"), "gauge (above the air pressure) or absolute"),
    ],
)
def test_the_command_leaves_with_2_and_says_why(words: tuple[str, ...], said: str) -> None:
    done = shell(*words)
    assert done.returncode == 2
    assert said in done.stderr
    assert "Traceback" not in done.stderr
