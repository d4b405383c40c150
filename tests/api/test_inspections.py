"""Walks over HTTP: planned, kept with a case, answered, reported; by a real server."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import httpx
import pytest

from tests.api.serving import served
from tests.storage.test_photographs import SECRET, picture

FUEL = "fuel_dry_by_eye_and_nose"
SHOP = "Workshop of the tests & sons"


@pytest.fixture(scope="module")
def shop() -> Iterator[httpx.Client]:
    environment = {
        "PREPULL_SHOP_NAME": SHOP,
        "PREPULL_HOURLY_RATE": "80",
        "PREPULL_CURRENCY": "credits",
        "PREPULL_CALLS_PER_MINUTE": "6000",
    }
    with served(environment=environment) as base, httpx.Client(base_url=base, timeout=60) as client:
        yield client


def opened(shop: httpx.Client, **facts: object) -> str:
    sent = {"reference": "T-1", "observation": {"facts": facts}} if facts else {}
    answered = shop.post("/v1/cases", json=sent)
    assert answered.status_code == 201
    return str(answered.json()["case"]["id"])


def check(shop: httpx.Client, case: str, **answers: str) -> httpx.Response:
    sent = {"answers": [{"point": point, "answer": answer} for point, answer in answers.items()]}
    return shop.post(f"/v1/cases/{case}/checks", json=sent)


def points(walk: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {point["id"]: point for stage in walk["stages"] for point in stage["points"]}


def test_a_walk_without_a_case_keeps_nothing(shop: httpx.Client) -> None:
    before = len(shop.get("/v1/cases").json()["cases"])
    answered = shop.post("/v1/inspections", json={"minutes": 10})
    assert answered.status_code == 200
    walk = answered.json()
    assert walk["minutes"] <= 10
    assert walk["left_for_later"]
    sent = {"answers": [{"point": FUEL, "answer": "mend", "note": "wet"}]}
    walk = shop.post("/v1/inspections", json=sent).json()
    assert walk["verdict"]["verdict"] == "stop"
    assert points(walk)[FUEL]["answer"] == "mend"
    assert len(shop.get("/v1/cases").json()["cases"]) == before


def test_a_walk_kept_answered_and_answered_again(shop: httpx.Client) -> None:
    case = opened(shop, vehicle={"induction": "turbocharged"})
    planned = shop.post("/v1/inspections", json={"case": case})
    assert planned.status_code == 201
    assert planned.json()["inspection"]["ready"] is False
    bad = check(shop, case, **{FUEL: "mend"}).json()
    assert bad["answer"]["verdict"]["verdict"] == bad["progress"]["verdict"]["verdict"] == "stop"
    withheld = {p["id"] for p in bad["progress"]["points"] if p["state"] == "withheld"}
    assert withheld
    good = check(shop, case, **{FUEL: "good"}).json()
    assert good["progress"]["verdict"]["verdict"] == "run_with_advice"
    assert not {p["id"] for p in good["progress"]["points"] if p["state"] == "withheld"}
    kept = shop.get(f"/v1/cases/{case}/inspection").json()
    assert points(kept)[FUEL]["answer"] == "good"
    history = shop.get(f"/v1/cases/{case}").json()["history"]
    assert [entry["kind"] for entry in history] == ["observation", "inspection", "check", "check"]
    assert history[2]["answers"] == [{"point": FUEL, "answer": "mend", "measurements": []}]


def test_an_answer_taken_back_counts_no_more(shop: httpx.Client) -> None:
    case = opened(shop)
    check(shop, case, **{FUEL: "good"})
    number = check(shop, case, **{FUEL: "mend"}).json()["entry"]
    back = shop.post(f"/v1/cases/{case}/withdrawals", json={"observation": number, "reason": "other car"})
    assert back.json()["answer"]["verdict"]["verdict"] == "run_with_advice"
    assert points(shop.get(f"/v1/cases/{case}/inspection").json())[FUEL]["answer"] == "good"


def test_nothing_is_pressed_or_started_before_it_is_safe(shop: httpx.Client) -> None:
    case = opened(shop)
    walk = shop.get(f"/v1/cases/{case}/inspection").json()
    guarded = [p for p in points(walk).values() if p["waits_for"]]
    assert guarded
    for point in guarded:
        refused = check(shop, case, **{point["id"]: "good"})
        assert refused.status_code == 409
        problem = refused.json()
        assert problem["type"] == "/v1/problems/unsafe-order"
        assert problem["errors"][0]["field"] == "answers.0.point"
        assert any(guard in problem["errors"][0]["message"] for guard in point["waits_for"])
    skipped = check(shop, case, **{guarded[0]["id"]: "not_checked"})
    assert skipped.status_code == 201
    assert len(shop.get(f"/v1/cases/{case}").json()["history"]) == 1


def test_guard_and_guarded_answered_together_are_taken(shop: httpx.Client) -> None:
    case = opened(shop, findings=[{"id": "fuel_smell_in_bay", "state": "present"}])
    walk = points(shop.get(f"/v1/cases/{case}/inspection").json())
    one = next(p for p in walk.values() if "running" in p["involves"])
    guards = {i: "good" for i, p in walk.items() if set(p["guards"]) & set(one["involves"])}
    earlier = {i: "good" for i in guards for i in [*walk[i]["waits_for"], i]}
    assert check(shop, case, **earlier, **{one["id"]: "good"}).status_code == 201


@pytest.mark.parametrize(
    ("path", "sent", "status", "field"),
    [
        ("/v1/inspections", {"minutes": 0}, 422, "minutes"),
        ("/v1/inspections", {"minutes": "ten"}, 422, "minutes"),
        ("/v1/inspections", {"case": "0" * 24}, 404, "id"),
        ("/v1/inspections", {"answers": [{"point": "fuel_dry", "answer": "good"}]}, 422, "answers.0.point"),
        ("/v1/inspections", {"answers": [{"point": FUEL, "answer": "fine"}]}, 422, "answers.0.answer"),
        (
            "/v1/inspections",
            {"answers": [{"point": FUEL, "answer": "good"}, {"point": FUEL, "answer": "mend"}]},
            422,
            "answers.1.point",
        ),
    ],
)
def test_what_is_wrong_is_named(
    shop: httpx.Client, path: str, sent: dict[str, object], status: int, field: str
) -> None:
    answered = shop.post(path, json=sent)
    assert answered.status_code == status
    assert answered.headers["content-type"] == "application/problem+json"
    assert field in [error["field"] for error in answered.json()["errors"]]


def test_a_case_holds_its_facts_alone(shop: httpx.Client) -> None:
    case = opened(shop)
    sent = {"case": case, "facts": {"findings": [{"id": "fuel_smell_in_bay", "state": "present"}]}}
    answered = shop.post("/v1/inspections", json=sent)
    assert answered.status_code == 422
    assert answered.json()["errors"][0]["field"] == "facts"


def test_a_retry_is_done_once_and_a_stale_answer_is_refused(shop: httpx.Client) -> None:
    case = opened(shop)
    sent = {"answers": [{"point": FUEL, "answer": "good"}]}
    first = shop.post(f"/v1/cases/{case}/checks", json=sent, headers={"idempotency-key": f"k{case}"})
    again = shop.post(f"/v1/cases/{case}/checks", json=sent, headers={"idempotency-key": f"k{case}"})
    assert first.content == again.content
    stale = shop.post(f"/v1/cases/{case}/checks", json=sent, headers={"if-match": '"r1"'})
    assert stale.status_code == 412


def test_a_report_from_what_was_seen(shop: httpx.Client) -> None:
    case = opened(
        shop,
        vehicle={"induction": "turbocharged"},
        measurements=[{"quantity": "boost_leak_rate", "value": 70, "unit": "kPa/min"}],
    )
    sent = {"answers": [{"point": FUEL, "answer": "mend", "note": "wet at the <b>rail</b>"}], "who": "bay 2"}
    assert shop.post(f"/v1/cases/{case}/checks", json=sent).status_code == 201
    picture_sent = shop.post(
        f"/v1/cases/{case}/photographs",
        params={"point": FUEL, "caption": "the <i>rail</i>"},
        content=picture("JPEG"),
        headers={"content-type": "image/jpeg"},
    )
    assert picture_sent.status_code == 201
    leak = {"measurements": [{"quantity": "boost_leak_rate", "value": 1.1, "unit": "psi/min"}]}
    shop.post(f"/v1/cases/{case}/observations", json={"facts": leak})
    report = shop.get(f"/v1/cases/{case}/report").json()
    assert report["shop"] == SHOP
    assert report["may_run"] is False
    mend = report["owner"]["mend_first"]
    assert [part["points"] for part in mend if part["points"]] == [[FUEL]]
    assert "wet at the <b>rail</b>" in " ".join(mend[0]["technical"])
    assert report["owner"]["estimate"]["amount"] == round(report["owner"]["estimate"]["minutes"] / 60 * 80)
    seen = {point["point"]: point for point in report["sheet"]["seen"]}
    assert seen[FUEL]["photographs"] == [picture_sent.json()["id"]]
    assert seen[FUEL]["who"] == "bay 2"
    reading = report["sheet"]["readings"][0]
    # 1 psi is 6.894757 kPa (NIST SP 811).
    assert [value["value"] for value in reading["values"]] == [70.0, pytest.approx(7.584, abs=1e-3)]
    assert reading["limits"]
    assert {part["point"] for part in report["sheet"]["not_checked"]} >= {
        i
        for i, p in points(shop.get(f"/v1/cases/{case}/inspection").json()).items()
        if p["state"] != "answered"
    }
    page = shop.get(f"/v1/cases/{case}/report.html")
    assert "&lt;b&gt;rail&lt;/b&gt;" in page.text
    assert "<b>rail" not in page.text
    assert "the &lt;i&gt;rail" in page.text
    assert "Workshop of the tests &amp; sons" in page.text
    assert "script" not in page.headers["content-security-policy"].replace("default-src 'none'", "")
    for path in ("report.pdf", "watch-list.pdf"):
        paper = shop.get(f"/v1/cases/{case}/{path}")
        assert paper.headers["content-type"] == "application/pdf"
        assert paper.content.startswith(b"%PDF-")
        assert SECRET.encode() not in paper.content


def test_an_owner_who_must_not_start_it_is_told_so(shop: httpx.Client) -> None:
    case = opened(shop, findings=[{"id": "fuel_smell_in_bay", "state": "present"}])
    for kind, most in (("telephone", 900), ("mail", 1500), ("chat", 500)):
        told = shop.get(f"/v1/cases/{case}/message", params={"for": kind}).json()
        assert "do not start the engine" in told["text"]
        assert len(told["text"]) <= most
        assert ("subject" in told) == (kind == "mail")
    calm = opened(shop, vehicle={"induction": "turbocharged"})
    told = shop.get(f"/v1/cases/{calm}/message").json()
    assert told["text"].startswith("Not yet")
    assert "Before you come" in told["text"]


def test_the_watch_list_is_for_a_logger(shop: httpx.Client) -> None:
    plain = shop.get(f"/v1/cases/{opened(shop)}/watch-list").json()
    assert plain["may_run"] is False
    assert sum(watch["always"] for watch in plain["watches"]) >= 5
    for watch in plain["watches"]:
        bounds = watch["lift_off"].keys() & {"below", "at_most", "above", "at_least"}
        if "counted from" in watch["words"]:
            assert not bounds, "a limit that hangs on a fact nobody told has no number"
            continue
        assert bounds
        assert isinstance(watch["lift_off"][bounds.pop()], float)
    told = opened(shop, vehicle={"boost_target": 140})
    boost = [w for w in shop.get(f"/v1/cases/{told}/watch-list").json()["watches"] if "boost" in w["id"]]
    assert any(watch["lift_off"].get("above") == 160.0 for watch in boost)
    doubt = opened(shop, findings=[{"id": "oil_pressure_fluctuates_steady", "state": "present"}])
    worried = shop.get(f"/v1/cases/{doubt}/watch-list").json()
    oil = [watch for watch in worried["watches"] if watch["lift_off"]["channel"] == "oil_pressure"]
    assert any(watch["doubts"] for watch in oil)


def test_photographs_over_http(shop: httpx.Client) -> None:
    case = opened(shop)
    path = f"/v1/cases/{case}/photographs"
    refused = shop.post(path, content=b"no picture", headers={"content-type": "image/jpeg"})
    assert (refused.status_code, refused.json()["type"]) == (422, "/v1/problems/unreadable-picture")
    wrong = shop.post(path, content=b"%PDF-", headers={"content-type": "application/pdf"})
    assert wrong.status_code == 415
    large = shop.post(path, content=bytes(20_000_001), headers={"content-type": "image/jpeg"})
    assert large.status_code == 413
    kept = shop.post(path, content=picture("WEBP"), headers={"content-type": "image/webp"}).json()
    assert [p["id"] for p in shop.get(path).json()["photographs"]] == [kept["id"]]
    shown = shop.get(f"{path}/{kept['id']}", params={"small": "true"})
    assert shown.headers["content-type"] == "image/jpeg"
    assert shown.headers["x-content-type-options"] == "nosniff"
    assert SECRET.encode() not in shown.content
    assert shop.delete(f"{path}/{kept['id']}").status_code == 204
    assert shop.get(f"{path}/{kept['id']}").status_code == 404
