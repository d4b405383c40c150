"""docs/cases.md is true: its scripts run, on a bad line too, and its JSON has the shape of the real thing."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import httpx
import pytest
from pydantic import BaseModel
from standardwebhooks import Webhook as Verifier

from api import case_models as c
from api import webhook_routes as w
from api.access import ANYBODY
from api.cases import Asked, Cases
from api.courier import TIMEOUT_SECONDS, WAITS_SECONDS, Courier
from api.notices import EVENTS, MEDIA_TYPE, Notices, new_secret, signature
from api.storage.database import Database
from api.storage.migrate import upgrade
from engine.triage import Triage
from tests.api.receiver import receiver
from tests.test_docs import (
    FENCE,
    PAGES,
    PLACEHOLDER,
    ROOT,
    blocks,
    code_words,
    field_names,
    prose,
    same_shape,
)

PAGE = "cases.md"
FOUND = [(found["info"], found["text"]) for found in FENCE.finditer(PAGES[PAGE])]
SCRIPTS = [
    (info, text, FOUND[i + 1][1])
    for i, (info, text) in enumerate(FOUND)
    if info in {"python", "sh"} and FOUND[i + 1][0] == "text"
]
LONG = [script for script in SCRIPTS if "/outcomes" in script[1]]
CUT = {"answer"}
"""Members of which the page shows only some fields."""


def shown(kind: str) -> Any:
    (text,) = blocks(PAGE, f"json {kind}")
    return json.loads(text)


def without_ids(text: str) -> str:
    return re.sub(r"\b[0-9a-f]{24}\b", "ID", text)


def run(kind: str, text: str, base: str, folder: Path) -> str:
    """Run a script of the page against a server in an empty folder and return what it printed."""
    assert PLACEHOLDER in text
    command = [sys.executable, "-c"] if kind == "python" else ["sh", "-c"]
    done = subprocess.run(
        [*command, text.replace(PLACEHOLDER, base)],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr + done.stdout
    assert [line for line in done.stderr.splitlines() if not line.endswith("error: 503")] == []
    assert list(folder.iterdir()) == [], "a script leaves nothing behind"
    return done.stdout


@pytest.mark.parametrize(("kind", "text", "printed"), SCRIPTS, ids=lambda part: str(part)[:6])
def test_every_script_prints_what_is_shown(
    kind: str, text: str, printed: str, server: str, tmp_path: Path
) -> None:
    assert len(SCRIPTS) == len(blocks(PAGE, "python")) + len(blocks(PAGE, "sh"))
    real = run(kind, text.replace('reference="J-2044"', f'reference="{tmp_path.name}"'), server, tmp_path)
    assert without_ids(real) == without_ids(printed)


@pytest.mark.parametrize(("kind", "text", "printed"), LONG, ids=["python", "sh"])
def test_the_integrations_page_through_all_cases(
    kind: str, text: str, printed: str, server: str, tmp_path: Path
) -> None:
    for _ in range(2):
        case = httpx.post(f"{server}/v1/cases", json={}).headers["location"]
        httpx.post(f"{server}{case}/outcomes", json={})
    small = re.sub(r"(\"limit\": |limit=)100", r"\g<1>1", text)
    assert small != text
    small = small.replace("job=J-2043", f"job={tmp_path.name}")
    real = run(kind, small, server, tmp_path).replace(tmp_path.name, "J-2043")
    assert without_ids(real) == without_ids(printed)


def test_the_shell_script_can_be_run_again(server: str, tmp_path: Path) -> None:
    text = next(text for kind, text, _ in LONG if kind == "sh").replace("J-2043", tmp_path.name)
    first, again = (run("sh", text, server, tmp_path) for _ in range(2))
    assert first == again
    listed = httpx.get(f"{server}/v1/cases", params={"reference": tmp_path.name}).json()["cases"]
    assert [line["entries"] for line in listed] == [6]


class BadLine:
    """Stands before the service; drops the answer of some calls and is too busy for others."""

    def __init__(self, base: str, drops: bool) -> None:
        self.base = base
        self.drops = drops
        self.calls = 0
        self.refused = 0
        self.dropped = 0

    def plan(self) -> str:
        self.calls += 1
        if self.calls % 3 == 1:
            self.refused += 1
            return "refuse"
        if self.drops and self.calls % 3 == 2:
            self.dropped += 1
            return "drop"
        return "pass"


@pytest.fixture
def bad_line(server: str, request: pytest.FixtureRequest) -> Iterator[tuple[BadLine, str]]:
    line = BadLine(server, request.param)

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def handle_any(self) -> None:
            sent = self.rfile.read(int(self.headers.get("content-length", 0)))
            plan = line.plan()
            if plan == "refuse":
                self.send_response(503)
                self.send_header("retry-after", "0" if line.drops else "1")
                self.send_header("content-length", "0")
                self.end_headers()
                return
            headers = {k: v for k, v in self.headers.items() if k.lower() not in {"host", "accept-encoding"}}
            real = httpx.request(self.command, f"{line.base}{self.path}", content=sent, headers=headers)
            if plan == "drop":
                self.close_connection = True
                return
            self.send_response(real.status_code)
            for name in ("etag", "location", "content-type"):
                if name in real.headers:
                    self.send_header(name, real.headers[name])
            self.send_header("content-length", str(len(real.content)))
            self.end_headers()
            self.wfile.write(real.content)

        def do_GET(self) -> None:
            self.handle_any()

        def do_POST(self) -> None:
            self.handle_any()

        def log_message(self, *_: Any) -> None:
            pass

    front = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=front.serve_forever, daemon=True)
    thread.start()
    try:
        yield line, f"http://127.0.0.1:{front.server_port}"
    finally:
        front.shutdown()
        thread.join(10)


@pytest.mark.parametrize(
    ("bad_line", "kind"), [(True, "python"), (False, "sh")], indirect=["bad_line"], ids=["python", "sh"]
)
def test_the_integrations_get_through_on_a_bad_line(
    bad_line: tuple[BadLine, str], kind: str, server: str, tmp_path: Path
) -> None:
    line, base = bad_line
    text, printed = next((text, printed) for found, text, printed in LONG if found == kind)
    text = text.replace("J-2042", tmp_path.name).replace("J-2043", tmp_path.name)
    text = text.replace("(1, 2, 5, 10, None)", "(0, 0, 0, 0, None)")
    real = run(kind, text, base, tmp_path).replace(tmp_path.name, "J-2042" if kind == "python" else "J-2043")
    assert without_ids(real) == without_ids(printed)
    assert line.refused >= 3
    assert line.dropped >= 3 or not line.drops
    listed = httpx.get(f"{server}/v1/cases", params={"reference": tmp_path.name}).json()["cases"]
    assert [entry["entries"] for entry in listed] == [6], "nothing was done twice"


def cut(seen: dict[str, Any], real: dict[str, Any]) -> None:
    """Like `same_shape`, but a member that is cut may lack fields."""
    assert seen.keys() == real.keys()
    for name, value in seen.items():
        if name in CUT:
            assert value.keys() < real[name].keys()
            for part, inner in value.items():
                same_shape(inner, real[name][part], f"{name}.{part}")
        else:
            same_shape(value, real[name], name)


def test_the_json_of_cases_is_that_of_the_service(server: str) -> None:
    with httpx.Client(base_url=server) as http:
        opened = http.post("/v1/cases", json=shown("new-case"))
        assert opened.status_code == 201
        cut(shown("case-answer"), opened.json())
        path = opened.headers["location"]
        assert path == f"/v1/cases/{opened.json()['case']['id']}"
        added = http.post(f"{path}/observations", json=shown("observation"))
        assert added.json().keys() == opened.json().keys()
        withdrawn = http.post(f"{path}/withdrawals", json=shown("withdrawal"))
        assert withdrawn.json().keys() == opened.json().keys()
        kept = http.post(f"{path}/outcomes", json=shown("outcome"))
        same_shape(shown("outcome-kept"), kept.json(), "outcome")
        told = {**kept.json()["case"], "id": "", "created": "", "changed": "", "reference": "J-2042"}
        assert told == {**shown("outcome-kept")["case"], "id": "", "created": "", "changed": ""}

        view = http.get(path).json()
        same_shape(shown("case-view"), view, "view")
        assert shown("case-view")["facts"] == view["facts"]
        for mine, real in zip(shown("case-view")["history"], view["history"], strict=True):
            assert {**mine, "at": ""} == {**real, "at": ""}

        seen = http.get(f"/v1/decisions/{opened.json()['answer']['decision_id']}").json()
        cut(shown("decision"), seen)
        assert shown("decision")["facts"] == seen["facts"]

        http.post("/v1/cases", json=shown("new-case"))
        page = http.get("/v1/cases", params={"limit": 1, "reference": "J-2042"}).json()
        same_shape(shown("case-list"), page, "list")

        stale = http.post(f"{path}/observations", json=shown("observation"), headers={"if-match": '"r1"'})
        problem = shown("problem")
        assert stale.json() == {**problem, "instance": f"{path}/observations"}
        assert stale.headers["etag"] in problem["detail"]

        assert http.put(f"{path}/person", json=shown("person")).status_code == 204
        assert http.get(f"{path}/person").json() == shown("person")
        assert http.delete(f"{path}/person").status_code == 204
        assert http.get(f"{path}/person").status_code == 404


def test_the_line_of_a_bulk_call_is_that_of_the_service(server: str) -> None:
    bodies = re.findall(r"'(\{\"id\".*\})'", next(text for text in blocks(PAGE, "sh") if "bulk" in text))
    media = {"content-type": "application/x-ndjson"}
    told = httpx.post(f"{server}/v1/triage/bulk", content="\n".join(bodies), headers=media).text.splitlines()
    assert len(told) == len(bodies) == 3
    line, mine = json.loads(told[1]), shown("bulk")
    assert line["problem"]["errors"][0].pop("accepted")[0] in mine["problem"]["errors"][0].pop("accepted")
    assert line["problem"].pop("detail").startswith(mine["problem"].pop("detail"))
    assert line == mine


def test_the_json_of_webhooks_is_that_of_the_service(server: str) -> None:
    made = httpx.post(f"{server}/v1/webhooks", json=shown("new-webhook")).json()
    same_shape(shown("webhook-made"), made, "webhook")
    assert len(made["secret"]) == len(shown("webhook-made")["secret"])
    for line in shown("deliveries")["deliveries"]:
        w.Delivery.model_validate(line)
    assert httpx.delete(f"{server}/v1/webhooks/{made['id']}").status_code == 204


def test_the_events_shown_are_those_that_are_sent(triage: Triage, tmp_path: Path) -> None:
    database = Database(f"sqlite:///{tmp_path}/cases.sqlite")
    upgrade(database)
    notices = Notices(database)
    cases = Cases(database, triage, notices)
    asked = Asked(ANYBODY)
    with receiver() as hook:
        webhook = notices.add(hook.url, EVENTS)
        case = json.loads(cases.open(c.NewCase.model_validate(shown("new-case")), asked).body)["case"]["id"]
        (opened,) = notices.deliveries(webhook.id, 10, None)
        assert json.loads(opened.body)["data"]["verdict_before"] is None, "as the page says of opening a case"
        leak = {"facts": {"findings": [{"id": "fuel_leak_seen", "state": "present"}]}}
        cases.observe(case, c.Observation.model_validate(leak), asked)
        cases.attach(
            case, c.Outcome.model_validate({**shown("outcome"), "unlisted": "x", "note": "y"}), asked
        )
        courier = Courier(notices, ("127.0.0.1",))
        for parcel in courier.claim():
            courier._deliver(parcel)
        log = [
            w._delivery(row).model_dump(exclude_none=True) for row in notices.deliveries(webhook.id, 9, None)
        ]
        sent = {json.loads(call.body)["type"]: call for call in hook.calls}
        namespace: dict[str, Any] = {}
        exec(blocks(PAGE, "python check")[0], namespace)
        for call in hook.calls:
            assert call.headers["content-type"] == MEDIA_TYPE in prose(PAGE)
            assert namespace["is_genuine"](webhook.secret, call.headers, call.body)
    database.close()
    told = [json.loads(text) for text in blocks(PAGE, "json event")]
    assert {event["type"] for event in told} == sent.keys() == {f"prepull.case.{event}" for event in EVENTS}
    for event in told:
        same_shape(event, json.loads(sent[event["type"]].body), event["type"])
    assert set(log[0]) == set(shown("deliveries")["deliveries"][1])


def test_the_check_of_a_signature() -> None:
    (text,) = blocks(PAGE, "python check")
    code = [line for line in text.splitlines() if line.strip() and '"""' not in line]
    assert len(code) <= 15
    namespace: dict[str, Any] = {}
    exec(text, namespace)
    is_genuine = namespace["is_genuine"]
    secret, body, now = new_secret(), b'{"a":1}', int(time.time())

    def headers(at: int, signed: str | None = None) -> dict[str, str]:
        return {
            "webhook-id": "ev_1",
            "webhook-timestamp": str(at),
            "webhook-signature": signed or signature(secret, "ev_1", at, body),
        }

    assert is_genuine(secret, headers(now), body)
    theirs = Verifier(secret).sign("ev_1", datetime.fromtimestamp(now, UTC), body.decode())
    assert is_genuine(secret, headers(now, f"v1,AAAA v2,BBBB {theirs}"), body)
    assert not is_genuine(secret, headers(now), body + b" ")
    assert not is_genuine(new_secret(), headers(now), body)
    assert not is_genuine(secret, {**headers(now), "webhook-id": "ev_2"}, body)
    assert not is_genuine(secret, headers(now - 301), body), "a replay"
    assert not is_genuine(secret, headers(now + 400), body)
    for broken in ({}, headers(now, "v1,é"), {**headers(now), "webhook-timestamp": "soon"}):
        assert not is_genuine(secret, broken, body)


def test_the_pauses_of_deliveries_are_told() -> None:
    assert (
        WAITS_SECONDS == (5, 30, 120, 600, 3600, 6 * 3600, 24 * 3600)
        and "in 5 seconds, then 30 seconds, 2 minutes, 10 minutes, 1 hour, 6 hours" in prose(PAGE)
        and TIMEOUT_SECONDS == 10
        and "within ten seconds" in prose(PAGE)
    )


@pytest.mark.parametrize(
    "model",
    [
        *(c.NewCase, c.Observation, c.Withdrawal, c.Confirmed, c.Outcome, c.Person, c.CaseLine, c.CaseList),
        *(c.EntryView, c.CaseView, c.CaseAnswered, c.OutcomeKept, c.GivenAt, c.Decision, c.OutcomeView),
        *(w.NewWebhook, w.Webhook, w.WebhookMade, w.WebhookList, w.Delivery, w.DeliveryList),
    ],
)
def test_every_field(model: type[BaseModel]) -> None:
    words = code_words(prose(PAGE)) | set(re.findall(r'"(\w+)":', PAGES[PAGE]))
    for name in field_names(model):
        assert name in words, f"{model.__name__}.{name}"


def test_a_verdict_without_a_case_is_shown_again(server: str) -> None:
    facts = {"findings": [{"id": "fuel_leak_seen", "state": "present"}], "trouble_codes": ["P0420"]}
    given = httpx.post(f"{server}/v1/triage", json=facts, params={"parts": "causes"}).json()
    end = time.monotonic() + 15
    while (told := httpx.get(f"{server}/v1/decisions/{given['decision_id']}")).status_code == 404:
        assert time.monotonic() < end
        time.sleep(0.05)
    assert told.json()["given_to"] == []
    assert "trace" not in given and told.json()["answer"]["trace"]
