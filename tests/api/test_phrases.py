"""POST /v1/phrases, `prepull listen`, the files of the call desk, and lists with entries in full."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import httpx
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from engine.listening.answer import MAX_TEXT, PhrasesAnswer
from tests.api.serving import ROOT

Body = dict[str, Any]

JSON = {"content-type": "application/json"}
CALL = (
    "its a twin turbo on e85, engine light came on, P0299. The clutch doesn't slip but it hisses on boost, "
    "and there's café-coloured glitter in the oil"
)
LAMP = "check_engine_lamp"


def hear(server: str, body: object) -> Body:
    """Post what was said; assert that it is answered, and that every offset points to what was said."""
    response = httpx.post(f"{server}/v1/phrases", json=body, timeout=30.0)
    assert response.status_code == 200, response.text
    assert response.headers["content-type"] == "application/json"
    answer: Body = response.json()
    PhrasesAnswer.model_validate(answer)
    text = body["text"] if isinstance(body, dict) else ""
    for part in (*answer["findings"], *answer["vehicle"]):
        assert text[part["start"] : part["end"]] == part["said"] != ""
    return answer


def refused(server: str, status: int, **how: Any) -> Body:
    response = httpx.post(f"{server}/v1/phrases", timeout=30.0, **how)
    assert response.status_code == status, response.text
    assert response.headers["content-type"] == "application/problem+json"
    problem: Body = response.json()
    assert problem["status"] == status
    assert problem["instance"] == "/v1/phrases"
    return problem


def listen(*words: str, stdin: bytes = b"", **environment: str) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [sys.executable, "-m", "api.command", "listen", *words],
        input=stdin,
        capture_output=True,
        cwd=ROOT,
        timeout=120,
        check=False,
        env={**os.environ, "PYTHONIOENCODING": "utf-8", "COLUMNS": "50", **environment},
    )


# The route


def test_the_examples_of_the_document_are_heard(server: str) -> None:
    post = httpx.get(f"{server}/openapi.json").json()["paths"]["/v1/phrases"]["post"]
    assert post["operationId"] == "phrases"
    media = post["requestBody"]["content"]["application/json"]
    assert len(media["examples"]) >= 2
    for example in media["examples"].values():
        answer = hear(server, example["value"])
        assert not answer["nothing_matched"]
        assert "ask" not in answer
        assert len(answer["findings"]) <= example["value"].get("limit", 10)


def test_findings_vehicle_facts_and_codes_are_heard_with_their_labels(server: str) -> None:
    answer = hear(server, {"text": CALL})
    states = {finding["finding"]: finding["state"] for finding in answer["findings"]}
    assert states[LAMP] == "present"
    assert states["engine_speed_flares_in_gear"] == "absent"
    assert {fact["fact"]: fact["value"] for fact in answer["vehicle"]} == {
        "induction": "turbocharged",
        "fuel": "ethanol_blend",
    }
    assert answer["trouble_codes"] == ["P0299"]
    for finding in answer["findings"]:
        entry = httpx.get(f"{server}/v1/kb/findings/{finding['finding']}").json()["entry"]
        assert (finding["label"], finding["question"]) == (entry["label"], entry["question"])
        assert all(word in finding["said"] for word in finding["words"])
    for fact in answer["vehicle"]:
        entry = httpx.get(f"{server}/v1/kb/vehicle_facts/{fact['fact']}").json()["entry"]
        assert fact["value_label"] == entry["choices"][fact["value"]]


def test_what_was_heard_can_be_sent_on_to_triage(server: str) -> None:
    answer = hear(server, {"text": CALL})
    case = {
        "vehicle": {fact["fact"]: fact["value"] for fact in answer["vehicle"]},
        "findings": [{"id": f["finding"], "state": f["state"]} for f in answer["findings"]],
        "trouble_codes": answer["trouble_codes"],
    }
    response = httpx.post(f"{server}/v1/triage", json=case, timeout=30.0)
    assert response.status_code in {200, 422}
    # Only a code that says otherwise than the words do may stand against it.
    if response.status_code == 422:
        assert {error["field"] for error in response.json()["errors"]} == {"trouble_codes.0"}


def test_the_limit_is_kept_and_the_rest_is_the_same(server: str) -> None:
    many, few = hear(server, {"text": CALL, "limit": 50}), hear(server, {"text": CALL, "limit": 2})
    assert len(many["findings"]) > 2
    assert few["findings"] == many["findings"][:2]
    scores = [finding["score"] for finding in many["findings"]]
    assert scores == sorted(scores, reverse=True)
    assert 0.0 <= scores[-1] <= scores[0] <= 1.0


def test_a_text_of_nothing_is_asked_back(server: str) -> None:
    for text in ("   \n", "?!", "😀"):
        answer = hear(server, {"text": text})
        assert answer["nothing_matched"] is True
        assert answer["findings"] == answer["nearest"] == []
        assert answer["ask"].endswith("?")


@pytest.mark.parametrize(
    ("body", "field", "word"),
    [
        ({"text": ""}, "text", "at least 1"),
        ({"text": "x" * (MAX_TEXT + 1)}, "text", f"at most {MAX_TEXT}"),
        ({"text": 5}, "text", "string"),
        ({"text": None}, "text", "string"),
        ({"text": ["oil"]}, "text", "string"),
        ({}, "text", "required"),
        ({"text": "oil", "lmit": 3}, "lmit", "not permitted"),
        ({"text": "oil", "limit": 0}, "limit", "greater than or equal to 1"),
        ({"text": "oil", "limit": 51}, "limit", "less than or equal to 50"),
        ({"text": "oil", "limit": 10**30}, "limit", ""),
        ({"text": "oil", "limit": "5"}, "limit", "integer"),
        ({"text": "oil", "limit": 2.5}, "limit", "integer"),
        ({"text": "oil", "limit": True}, "limit", "integer"),
        ({"text": "oil", "limit": None}, "limit", "integer"),
        ([], "body", "object"),
        ("engine light", "body", "object"),
        (None, "body", "object"),
    ],
    ids=lambda value: repr(value)[:30],
)
def test_bad_input_names_the_field(server: str, body: object, field: str, word: str) -> None:
    problem = refused(server, 422, content=json.dumps(body), headers=JSON)
    (error,) = problem["errors"]
    assert error["field"] == field
    assert word in error["message"]
    assert problem["detail"].startswith(f"{field}: ")
    assert len(str(error["value"])) <= 201
    assert problem["type"] == "/v1/problems/invalid-request"


def test_both_wrong_fields_are_told(server: str) -> None:
    problem = refused(server, 422, json={"text": "", "limit": 0})
    assert {error["field"] for error in problem["errors"]} == {"text", "limit"}


def test_lone_surrogates_are_no_text(server: str) -> None:
    for text in (rb'{"text": "\ud800 engine light is on"}', rb'{"text": "oil \udfff"}'):
        (error,) = refused(server, 422, content=text, headers=JSON)["errors"]
        assert error["field"] == "text"
    # Two halves that make one letter are text.
    response = httpx.post(
        f"{server}/v1/phrases", content=rb'{"text": "\ud83d\ude00 engine light is on"}', headers=JSON
    )
    assert response.json()["findings"][0]["start"] == 2


@pytest.mark.parametrize("media", ["text/plain", "application/yaml", "application/x-www-form-urlencoded"])
def test_another_media_type_is_refused(server: str, media: str) -> None:
    problem = refused(server, 415, content=b'{"text": "oil"}', headers={"content-type": media})
    assert media in problem["detail"]


@pytest.mark.parametrize(
    "body", [b'{"text": ', b"engine light is on", b'{"text": "\xff"}', b"[" * 100_000, b'{"text": "a\nb"}']
)
def test_what_is_not_json_is_refused(server: str, body: bytes) -> None:
    refused(server, 400, content=body, headers=JSON)
    assert httpx.get(f"{server}/healthz").status_code == 200


def test_a_body_that_is_too_large_and_the_wrong_method(server: str) -> None:
    refused(server, 413, json={"text": "x" * 1_200_000})
    response = httpx.get(f"{server}/v1/phrases")
    assert response.status_code == 405
    assert response.headers["allow"] == "POST"
    assert response.headers["content-type"] == "application/problem+json"


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("\x00 ", " \x00"),
        ("😀👩‍🔧 ", " 🚗"),
        ("\N{RIGHT-TO-LEFT OVERRIDE}", "\N{POP DIRECTIONAL FORMATTING} المحرك"),
        ("\x07\x1b[31m ", "\x7f\r\n"),
        ("نور المحرك: ", ""),
        ("\N{ZERO WIDTH SPACE}\N{COMBINING ACUTE ACCENT} ", "\N{VARIATION SELECTOR-16}"),
        ("İ ŉ ǰ ß ﬁ ", ""),
    ],
)
def test_odd_letters_around_it_leave_the_complaint_and_its_place(
    server: str, before: str, after: str
) -> None:
    answer = hear(server, {"text": f"{before}engine light is on{after}"})
    lamp = {finding["finding"]: finding for finding in answer["findings"]}[LAMP]
    assert "engine light is on" in lamp["said"]
    assert lamp["start"] <= len(before)
    assert lamp["end"] >= len(before) + len("engine light is on")


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(text=st.text(min_size=1, max_size=300), limit=st.integers(1, 50))
def test_any_text_is_answered(server: str, text: str, limit: int) -> None:
    answer = hear(server, {"text": text, "limit": limit})
    assert len(answer["findings"]) <= limit
    assert answer["nothing_matched"] == (answer["findings"] == []) == ("ask" in answer)


def test_a_long_text_does_not_keep_the_others_waiting(server: str) -> None:
    text = "it hisses on boost and the clutch slips in fourth. "
    long = {"text": text * (MAX_TEXT // len(text))}
    with ThreadPoolExecutor(1) as pool:
        waiting = pool.submit(httpx.post, f"{server}/v1/phrases", json=long, timeout=60.0)
        health = 0
        while not waiting.done():
            start = time.monotonic()
            assert httpx.get(f"{server}/healthz", timeout=30.0).status_code == 200
            assert time.monotonic() - start < 5.0
            health += 1
            time.sleep(0.1)
    assert waiting.result().status_code == 200
    assert health > 1


def test_the_same_at_once_from_several_callers(server: str) -> None:
    texts = [CALL, "no smoke from the exhaust", "ticks over fine, wastegate rattles"] * 4
    with ThreadPoolExecutor(6) as pool:
        answers = list(pool.map(lambda text: hear(server, {"text": text}), texts))
    assert answers[:3] * 4 == answers


# The command


def test_listen_gives_the_same_json_as_the_api(server: str) -> None:
    answer = hear(server, {"text": CALL, "limit": 4})
    # Words come apart or as one, by standard input or not, whatever order sets have.
    for words, stdin, seed in (
        (CALL.split(" "), "", "1"),
        (["-"], CALL, "2"),
    ):
        done = listen(*words, "--json", "--limit", "4", stdin=stdin.encode(), PYTHONHASHSEED=seed)
        assert done.returncode == 0, done.stderr
        assert json.loads(done.stdout) == answer


def test_listen_prints_text_for_a_narrow_terminal(server: str) -> None:
    long = "x" * 90
    done = listen(f"{CALL} {long}")
    assert done.returncode == 0, done.stderr
    text = done.stdout.decode()
    assert max(len(line) for line in text.splitlines()) <= 50
    flat = " ".join(text.split())
    for finding in hear(server, {"text": f"{CALL} {long}"})["findings"]:
        for part in (finding["label"], finding["finding"], finding["question"]):
            assert part in flat
    assert "P0299" in flat
    assert "denied" in flat


def test_listen_without_a_match_asks_and_leaves_with_0(server: str) -> None:
    done = listen("?!")
    assert done.returncode == 0, done.stderr
    text = done.stdout.decode()
    assert "No finding was heard" in text
    assert hear(server, {"text": "?!"})["ask"] in " ".join(text.split())
    assert max(len(line) for line in text.splitlines()) <= 50


def test_bytes_that_are_no_text_are_passed_over_on_standard_input() -> None:
    done = listen("-", "--json", stdin=b"\xff\x00 engine light is on\n")
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["findings"][0]["finding"] == LAMP


@pytest.mark.parametrize(
    ("words", "stdin", "says"),
    [
        (("",), b"", "at least 1"),
        (("-",), b"", "at least 1"),
        (("-",), b"a" * (MAX_TEXT + 1), f"at most {MAX_TEXT}"),
        ((), b"", "WORDS"),
        (("oil", "--limit", "0"), b"", "--limit"),
        (("oil", "--limit", "51"), b"", "--limit"),
        (("oil", "--kb", "no-such-folder"), b"", "no-such-folder"),
    ],
    ids=lambda value: repr(value)[:30],
)
def test_listen_leaves_with_2_for_what_cannot_be_used(
    words: tuple[str, ...], stdin: bytes, says: str
) -> None:
    done = listen(*words, stdin=stdin)
    assert done.returncode == 2, done.stdout
    assert done.stdout == b""
    assert says in done.stderr.decode()
    assert "Traceback" not in done.stderr.decode()


# The files of the call desk

DESK_FILES = sorted(path.name for path in (ROOT / "api" / "desk").iterdir() if path.is_file())
MEDIA = {
    "css": "text/css; charset=utf-8",
    "html": "text/html; charset=utf-8",
    "js": "text/javascript; charset=utf-8",
    "svg": "image/svg+xml",
}


def guarded(response: httpx.Response) -> None:
    policy = dict(
        rule.strip().split(" ", 1) for rule in response.headers["content-security-policy"].split(";")
    )
    assert policy["default-src"] == "'none'"
    assert policy["frame-ancestors"] == policy["base-uri"] == policy["form-action"] == "'none'"
    # Plots of a log are drawn from what the service answered, as pictures in which no script can run.
    assert policy.pop("img-src") == "'self' blob:"
    assert set(policy.values()) <= {"'none'", "'self'"}
    assert response.headers["x-content-type-options"] == "nosniff"
    assert response.headers["referrer-policy"] == "no-referrer"
    assert response.headers["cache-control"] == "no-cache"


@pytest.mark.parametrize("path", ["/", *(f"/desk/{name}" for name in DESK_FILES)])
def test_a_file_is_sent_with_its_headers_and_again_only_if_it_changed(server: str, path: str) -> None:
    name = path.rpartition("/")[2] or "index.html"
    response = httpx.get(server + path)
    assert response.status_code == 200
    assert response.content == (ROOT / "api" / "desk" / name).read_bytes()
    assert response.headers["content-type"] == MEDIA[name.rpartition(".")[2]]
    guarded(response)
    etag = response.headers["etag"]
    again = httpx.get(server + path, headers={"if-none-match": etag})
    assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", etag)
    guarded(again)
    for named, status in (('"of-another-day"', 200), (f'"other", W/{etag}', 304), ("*", 304)):
        assert httpx.get(server + path, headers={"if-none-match": named}).status_code == status
    head = httpx.head(server + path)
    assert (head.status_code, head.content) == (200, b"")
    for header in ("etag", "content-type", "content-length", "content-security-policy"):
        assert head.headers[header] == response.headers[header]


def test_the_page_keeps_to_its_policy_and_names_files_that_are_there(server: str) -> None:
    page = httpx.get(server).text
    assert "<script>" not in page
    assert " style=" not in page
    assert "javascript:" not in page
    assert "http://" not in page.replace("http://www.w3.org/", "")
    names = [part.split('"')[0] for part in page.split("/desk/")[1:]]
    assert names
    assert set(names) <= set(DESK_FILES)


def test_etags_differ_where_files_do(server: str) -> None:
    tags = {httpx.head(f"{server}/desk/{name}").headers["etag"] for name in DESK_FILES}
    assert len(tags) == len(DESK_FILES)


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/desk/nothing.js", 404),
        ("/desk/", 404),
        ("/desk/%00", 404),
        ("/desk/%FF", 404),
        ("/desk/..%2Fapp.py", 404),
        ("/desk/%2e%2e/app.py", 404),
        ("/desk/app.py", 404),
        ("/desk/" + "x" * 300, 422),
    ],
)
def test_an_unknown_file_is_a_problem(server: str, path: str, status: int) -> None:
    response = httpx.get(server + path)
    assert response.status_code == status
    assert response.headers["content-type"] == "application/problem+json"
    assert response.json()["status"] == status
    assert len(response.text) < 1_500
    head = httpx.head(server + path)
    assert (head.status_code, head.content) == (status, b"")


def test_a_file_cannot_be_written(server: str) -> None:
    for method in ("POST", "PUT", "DELETE"):
        response = httpx.request(method, f"{server}/desk/main.js")
        assert response.status_code == 405
        assert set(response.headers["allow"].replace(" ", "").split(",")) == {"GET", "HEAD"}


# Lists with entries in full


@pytest.mark.parametrize("kind", ["findings", "vehicle_facts", "word_groups", "causes", "quantities"])
def test_entries_of_a_list_are_those_of_the_single_view(server: str, kind: str) -> None:
    full = httpx.get(f"{server}/v1/kb/{kind}", params={"entries": "true"}).json()
    lines = httpx.get(f"{server}/v1/kb/{kind}").json()
    assert full["kb"] == lines["kb"]
    assert lines["entries"]
    for line, more in zip(lines["entries"], full["entries"], strict=True):
        assert "entry" not in line
        assert more == {**line, "entry": more["entry"]}
    with httpx.Client(base_url=server) as client:
        # The ends of the list and some between.
        for more in full["entries"][:: max(1, len(full["entries"]) // 12)]:
            view = client.get(f"/v1/kb/{kind}/{more['id']}").json()
            assert view["entry"] == more["entry"]
            assert view.get("system") == more.get("system")


def test_entries_of_one_system_only(server: str) -> None:
    some = httpx.get(f"{server}/v1/kb/findings", params={"entries": "true", "system": "oil"}).json()
    assert {line["system"] for line in some["entries"]} == {"oil"}
    assert all(line["entry"]["question"] for line in some["entries"])


def test_a_choice_of_entries_that_is_none_names_it(server: str) -> None:
    response = httpx.get(f"{server}/v1/kb/findings", params={"entries": "maybe"})
    assert response.status_code == 422
    assert response.json()["errors"][0]["field"].endswith("entries")
