"""Many cases in one call: each answered as if it had been asked alone, none spoilt by another."""

from __future__ import annotations

import json
import threading
import time
from typing import Any

import httpx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.knowledge import Knowledge
from tests.engine.test_triage import requests

PATH = "/v1/triage/bulk"
MEDIA = {"content-type": "application/x-ndjson"}


def bulk(server: str, content: bytes, **params: Any) -> list[dict[str, Any]]:
    response = httpx.post(server + PATH, content=content, headers=MEDIA, params=params, timeout=120)
    assert response.status_code == 200, response.text
    assert response.headers["content-type"].startswith("application/x-ndjson")
    return [json.loads(line) for line in response.text.splitlines()]


@settings(max_examples=6, deadline=None)
@given(data=st.data())
def test_each_line_is_answered_as_a_call_of_its_own(
    server: str, knowledge: Knowledge, data: st.DataObject
) -> None:
    cases = [data.draw(requests(knowledge)) for _ in range(4)]
    lines = "".join(f"{case.model_dump_json()}\n" for case in cases).encode()
    told = bulk(server, lines, parts="causes,trace", causes=3)
    alone = [
        httpx.post(
            f"{server}/v1/triage", json=case.model_dump(), params={"parts": "causes,trace", "causes": 3}
        ).json()
        for case in cases
    ]
    assert [line["answer"] for line in told] == alone
    assert [line["line"] for line in told] == [1, 2, 3, 4]


BAD = [
    (b"{bad", "malformed-json", None),
    (b'{"x": 1}', "invalid-request", "x"),
    (b"[]", "invalid-request", "body"),
    (b'"text"', "invalid-request", "body"),
    (b"\xff\xfe", "malformed-json", None),
    (b'{"findings": [{"id": "fuel_leak_sen", "state": "present"}]}', "invalid-facts", "findings.0.id"),
    (b'{"id": "", "findings": []}', "invalid-request", "id"),
    (b"[" * 100_000, "malformed-json", None),
    (b'{"id": "' + b"x" * 1_100_000 + b'"}', "body-too-large", None),
]


@pytest.mark.parametrize(
    ("line", "kind", "field"), BAD, ids=[f"{kind}{n}" for n, (_, kind, _) in enumerate(BAD)]
)
def test_a_bad_line_spoils_no_other(server: str, line: bytes, kind: str, field: str | None) -> None:
    told = bulk(server, b'{"id": "before"}\n' + line + b'\n\n \n{"id": "after"}')
    assert [entry["line"] for entry in told] == [1, 2, 5]
    assert told[0]["id"] == "before" and told[2]["id"] == "after"
    assert "answer" in told[0] and "answer" in told[2] and "answer" not in told[1]
    problem = told[1]["problem"]
    assert problem["type"] == f"/v1/problems/{kind}"
    if field is not None:
        assert problem["errors"][0]["field"] == field


def test_a_problem_carries_the_name_of_its_case_where_it_can_be_read(server: str) -> None:
    told = bulk(server, b'{"id": "a", "x": 1}\n{"id": "b", "trouble_codes": ["nonsense"]}\n{"id": 3}')
    assert [entry.get("id") for entry in told] == ["a", "b", None]
    alone = httpx.post(f"{server}/v1/triage", json={"trouble_codes": ["nonsense"]}).json()
    assert told[1]["problem"] == {**alone, "instance": PATH}


def test_a_client_may_send_all_before_it_reads(server: str) -> None:
    """20 MB of answers to 1 MB of cases: more than any socket holds."""
    count = 600
    lines = b"".join(b'{"id": "%d", "trouble_codes": ["P0299"]}\n' % n for n in range(count))
    told = bulk(server, lines, parts="causes,next_questions", causes=100, questions=50)
    assert [entry["id"] for entry in told] == [str(n) for n in range(count)]


def test_other_calls_are_answered_meanwhile(server: str) -> None:
    done = threading.Event()

    def many() -> None:
        bulk(server, b"{}\n" * 400, parts="causes,next_tests,next_questions")
        done.set()

    thread = threading.Thread(target=many)
    thread.start()
    served = 0
    while not done.is_set():
        assert httpx.post(f"{server}/v1/triage", json={}).status_code == 200
        served += 1
    thread.join()
    assert served > 3


def test_only_so_many_at_once(server: str) -> None:
    lines = b'{"trouble_codes": ["P0299"]}\n' * 400
    statuses: list[int] = []

    def one() -> None:
        statuses.append(httpx.post(server + PATH, content=lines, headers=MEDIA, timeout=120).status_code)

    threads = [threading.Thread(target=one) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert statuses.count(200) >= 2 and set(statuses) <= {200, 503}
    assert bulk(server, b"{}\n")[0]["line"] == 1, "and room again afterwards"


def test_a_client_that_goes_away_leaves_room(server: str) -> None:
    lines = b"{}\n" * 2000
    for _ in range(3):
        with httpx.stream("POST", server + PATH, content=lines, headers=MEDIA, timeout=60) as response:
            if response.status_code == 200:
                next(response.iter_lines())
    end = time.monotonic() + 60
    while httpx.post(server + PATH, content=b"{}\n", headers=MEDIA, timeout=60).status_code == 503:
        assert time.monotonic() < end
        time.sleep(0.5)


def test_what_is_no_bulk_is_refused(server: str) -> None:
    as_json = httpx.post(server + PATH, json=[{}])
    assert as_json.status_code == 415 and "application/x-ndjson" in as_json.json()["detail"]
    assert httpx.post(server + PATH, content=b"", headers=MEDIA).status_code == 422
    unknown = httpx.post(server + PATH, content=b"{}", headers=MEDIA, params={"parts": "cause"})
    assert unknown.json()["errors"][0]["accepted"][0] == "causes"
    plain = httpx.post(f"{server}/v1/triage", content=b"{}\n{}\n", headers=MEDIA)
    assert plain.status_code == 415
