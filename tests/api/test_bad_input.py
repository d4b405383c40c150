"""Whatever is sent: a clear problem document that names the place, and the process lives."""

from __future__ import annotations

import json
from typing import Any

import httpx
import pytest

Problem = dict[str, Any]


def refused(server: str, status: int, **how: Any) -> Problem:
    """Post to /v1/triage and assert the one shape that every error has."""
    response = httpx.post(f"{server}/v1/triage", timeout=30.0, **how)
    assert response.status_code == status, response.text
    assert response.headers["content-type"] == "application/problem+json"
    body: Problem = response.json()
    assert set(body) == {"type", "title", "status", "detail", "instance", "errors"}
    assert body["status"] == status
    assert body["instance"] == "/v1/triage"
    kind = body["type"].removeprefix("/v1/problems/")
    assert httpx.get(f"{server}{body['type']}").json() == {
        "kind": kind, "status": status, "title": body["title"],
    }  # fmt: skip
    assert httpx.get(f"{server}/healthz").status_code == 200
    return body


def one_error(server: str, body: object) -> Problem:
    problem = refused(server, 422, json=body)
    assert len(problem["errors"]) == 1, problem
    error: Problem = problem["errors"][0]
    assert problem["detail"].startswith(error["field"])
    return error


def test_unknown_finding_names_the_nearest(server: str) -> None:
    error = one_error(server, {"findings": [{"id": "tank_bubles_under_bost", "state": "present"}]})
    assert error["field"] == "findings.0.id"
    assert error["value"] == "tank_bubles_under_bost"
    assert "tank_bubbles_under_boost" in error["accepted"]


def test_unknown_vehicle_fact_and_choice(server: str) -> None:
    error = one_error(server, {"vehicle": {"inducton": "turbocharged"}})
    assert error["field"] == "vehicle.inducton"
    assert "induction" in error["accepted"]
    error = one_error(server, {"vehicle": {"induction": "turbo"}})
    assert "turbocharged" in error["accepted"]
    error = one_error(server, {"vehicle": {"boost_target": 9000}})
    assert "kPa" in error["accepted"][0]
    error = one_error(server, {"vehicle": {"boost_target": True}})
    assert error["field"] == "vehicle.boost_target"


def test_contradictory_findings_name_both_places(server: str) -> None:
    findings = [
        {"id": "tank_bubbles_under_boost", "state": "present"},
        {"id": "hiss_under_boost", "state": "unknown"},
        {"id": "tank_bubbles_under_boost", "state": "absent"},
    ]
    error = one_error(server, {"findings": findings})
    assert error["field"] == "findings.2"
    assert "findings.0" in error["message"]


def test_the_same_finding_twice_in_one_state_is_taken(server: str) -> None:
    findings = [{"id": "hiss_under_boost", "state": "present"}] * 2
    assert httpx.post(f"{server}/v1/triage", json={"findings": findings}).status_code == 200


def test_a_code_that_contradicts_a_finding(server: str) -> None:
    code_entry = httpx.get(f"{server}/v1/kb/findings").json()["entries"]
    for line in code_entry:
        entry = httpx.get(f"{server}/v1/kb/findings/{line['id']}").json()["entry"]
        if entry.get("codes"):
            body = {
                "findings": [{"id": line["id"], "state": "absent"}],
                "trouble_codes": [entry["codes"][0].lower()],
            }
            assert one_error(server, body)["field"] == "trouble_codes.0"
            return
    pytest.fail("no finding has a trouble code")


@pytest.mark.parametrize(
    ("measurement", "field", "word"),
    [
        ({"quantity": "oil_presure", "value": 1, "unit": "psi"}, "measurements.0.quantity", "oil_presure"),
        ({"quantity": "oil_pressure", "value": 24, "unit": "degC"}, "measurements.0.unit", "same thing"),
        ({"quantity": "oil_pressure", "value": 24, "unit": "psia"}, "measurements.0.unit", "absolute"),
        ({"quantity": "oil_pressure", "value": 24, "unit": "kPa**9"}, "measurements.0.unit", "not a unit"),
        ({"quantity": "oil_pressure", "value": 24, "unit": "9**9**9"}, "measurements.0.unit", "not a unit"),
        (
            {"quantity": "oil_pressure", "value": 24, "unit": "furlong_wombat"},
            "measurements.0.unit",
            "known unit",
        ),
        ({"quantity": "oil_pressure", "value": 1e9, "unit": "psi"}, "measurements.0.value", "credible"),
        ({"quantity": "oil_pressure", "value": -400, "unit": "kPa"}, "measurements.0.value", "credible"),
        ({"quantity": "oil_pressure", "value": "24", "unit": "psi"}, "measurements.0.value", "number"),
        ({"quantity": "oil_pressure", "value": True, "unit": "psi"}, "measurements.0.value", "number"),
        (
            {"quantity": "oil_pressure", "value": 24, "unit": "psi", "at": {"engine_sped_rpm": 5000}},
            "measurements.0.at.engine_sped_rpm",
            "does not name",
        ),
        (
            {"quantity": "oil_pressure", "value": 24, "unit": "psi", "at": {"engine_speed_psi": 5000}},
            "measurements.0.at.engine_speed_psi",
            "same thing",
        ),
        (
            {"quantity": "oil_pressure", "value": 24, "unit": "psi", "at": {"engine_speed_rpm": 9e9}},
            "measurements.0.at.engine_speed_rpm",
            "credible",
        ),
        ({"quantity": "oil_pressure", "value": 24}, "measurements.0.unit", "required"),
        (
            {"quantity": "oil_pressure", "value": 24, "unit": "psi", "when": 3},
            "measurements.0.when",
            "permitted",
        ),
    ],
)
def test_wrong_measurements(server: str, measurement: Problem, field: str, word: str) -> None:
    error = one_error(server, {"measurements": [measurement]})
    assert error["field"] == field
    assert word in error["message"]


@pytest.mark.parametrize("value", ["NaN", "Infinity", "-Infinity", "1e999"])
def test_numbers_that_are_not_finite(server: str, value: str) -> None:
    text = f'{{"measurements": [{{"quantity": "oil_pressure", "value": {value}, "unit": "psi"}}]}}'
    problem = refused(server, 422, content=text, headers={"content-type": "application/json"})
    assert problem["errors"][0]["field"] == "measurements.0.value"


@pytest.mark.parametrize("code", ["hello", "P0X99", "P4299", "", "P02999", "0299"])
def test_what_is_not_a_trouble_code(server: str, code: str) -> None:
    assert one_error(server, {"trouble_codes": [code]})["field"] == "trouble_codes.0"


def test_a_well_formed_code_that_nothing_is_known_of_is_told_not_lost(server: str) -> None:
    answer = httpx.post(f"{server}/v1/triage", json={"trouble_codes": ["p3FFF", "U0001"]}).json()
    assert answer["unmatched_codes"] == ["P3FFF", "U0001"]


def test_all_that_is_wrong_is_told_at_once(server: str) -> None:
    body = {
        "vehicle": {"colour": "red"},
        "findings": [{"id": "nope", "state": "present"}],
        "measurements": [{"quantity": "oil_pressure", "value": 1, "unit": "m"}],
        "trouble_codes": ["x"],
    }
    fields = {error["field"] for error in refused(server, 422, json=body)["errors"]}
    assert fields == {"vehicle.colour", "findings.0.id", "measurements.0.unit", "trouble_codes.0"}


def test_five_thousand_findings(server: str) -> None:
    findings = [{"id": "hiss_under_boost", "state": "present"}] * 5000
    error = one_error(server, {"findings": findings})
    assert error["field"] == "findings"
    assert "1000" in error["message"]


def test_ten_megabytes_announced_and_streamed(server: str) -> None:
    refused(server, 413, content=b"x" * 10_000_000, headers={"content-type": "application/json"})

    def stream() -> Any:
        for _ in range(100):
            yield b" " * 100_000

    try:
        response = httpx.post(
            f"{server}/v1/triage", content=stream(), headers={"content-type": "application/json"}
        )
        assert response.status_code == 413
    except httpx.TransportError:
        pass
    assert httpx.get(f"{server}/healthz").status_code == 200


@pytest.mark.parametrize(
    "body", [b"", b"{", b"[1,2", b"\xff\xfe", b'{"a": \x00}', b"nul", b"[" * 100_000, b'{"vehicle":' * 50_000]
)
def test_what_is_not_json(server: str, body: bytes) -> None:
    response = httpx.post(f"{server}/v1/triage", content=body, headers={"content-type": "application/json"})
    assert response.headers["content-type"] == "application/problem+json"
    # No body at all is JSON that is missing, not JSON that is broken.
    kind, status = ("malformed-json", 400) if body else ("invalid-request", 422)
    assert (response.json()["type"], response.status_code) == (f"/v1/problems/{kind}", status)
    assert httpx.get(f"{server}/healthz").status_code == 200


@pytest.mark.parametrize("body", [[], 3, "x", None, True])
def test_json_that_is_not_a_case(server: str, body: object) -> None:
    refused(server, 422, content=json.dumps(body), headers={"content-type": "application/json"})


def test_unknown_part_names_the_nearest(server: str) -> None:
    response = httpx.post(f"{server}/v1/triage?parts=cause", json={})
    assert response.status_code == 422
    assert response.json()["errors"][0]["accepted"][0] == "causes"


def test_no_path_and_wrong_method(server: str) -> None:
    for response, status in (
        (httpx.get(f"{server}/v1/nothing"), 404),
        (httpx.get(f"{server}/v1/triage"), 405),
        (httpx.delete(f"{server}/v1/kb"), 405),
    ):
        assert response.status_code == status
        assert response.headers["content-type"] == "application/problem+json"
    assert httpx.get(f"{server}/v1/triage").headers["allow"] == "POST"


def test_long_and_odd_ids_are_echoed_short_and_safe(server: str) -> None:
    odd = "\N{GRINNING FACE}<script>" + "x" * 80
    error = one_error(server, {"findings": [{"id": odd, "state": "present"}]})
    assert len(error["message"]) < 300
    text = '{"findings": [{"id": "\\ud800", "state": "present"}]}'
    refused(server, 422, content=text, headers={"content-type": "application/json"})


def test_every_finding_present_at_once_ends(server: str) -> None:
    entries = httpx.get(f"{server}/v1/kb/findings").json()["entries"]
    findings = [{"id": line["id"], "state": "present"} for line in entries]
    response = httpx.post(f"{server}/v1/triage", json={"findings": findings}, timeout=60.0)
    assert response.status_code == 200
    answer = response.json()
    assert answer["verdict"]["verdict"] == "stop"
    if not answer["method"]["exact"]:
        assert all(c["low"] <= c["probability"] <= c["high"] for c in answer["causes"])
        assert answer["method"]["left_out"]
