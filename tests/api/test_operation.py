"""What an operator sees: log, request ids, metrics, readiness, stopping, verdicts kept."""

from __future__ import annotations

import json
import os
import re
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from prometheus_client.parser import text_string_to_metric_families

from api.settings import SettingError, Settings
from tests.api.keyed import prepull
from tests.api.serving import ROOT, free_port, running
from tests.storage.making import FACTS
from tests.storage.postgres import Cluster


class Service:
    def __init__(self, base: str, log: Path, process: subprocess.Popen[bytes]) -> None:
        self.base = base
        self.log = log
        self.process = process

    def lines(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self.log.read_text().splitlines()]


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    environment = {
        "PREPULL_DATABASE": f"sqlite:///{tmp_path}/a.sqlite",
        "PREPULL_LOG": "json",
        "PREPULL_CHAINER": "compiled",
    }
    with (tmp_path / "log").open("wb") as log, running(environment, log=log) as (base, process):
        yield Service(base, tmp_path / "log", process)


def samples(base: str) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    return {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in text_string_to_metric_families(httpx.get(f"{base}/metrics").text)
        for sample in family.samples
    }


def test_each_call_is_one_line_with_its_id(service: Service) -> None:
    given = httpx.post(f"{service.base}/v1/triage", json=FACTS, headers={"x-request-id": "shop-17.a"})
    assert given.headers["x-request-id"] == "shop-17.a"
    made = httpx.get(f"{service.base}/v1/cases/{'0' * 24}", params={"who": "secret"})
    assert re.fullmatch("[0-9a-f]{32}", made.headers["x-request-id"])
    bad = httpx.get(f"{service.base}/v1/kb", headers={"x-request-id": "a b;" * 50})
    assert re.fullmatch("[0-9a-f]{32}", bad.headers["x-request-id"])
    nothing = httpx.get(f"{service.base}/nothing/here").headers["x-request-id"]
    # A line is written once its answer is on the way.
    end = time.monotonic() + 10
    while nothing not in service.log.read_text() and time.monotonic() < end:
        time.sleep(0.02)
    calls = {line["request_id"]: line for line in service.lines() if line["event"] == "call"}
    line = calls["shop-17.a"]
    assert (line["method"], line["route"], line["status"]) == ("POST", "/v1/triage", 200)
    assert 0 < line["ms"] < 10_000
    assert calls[made.headers["x-request-id"]]["route"] == "/v1/cases/{id}"
    assert "secret" not in service.log.read_text()
    assert any(line["route"] == "none" and line["status"] == 404 for line in calls.values())


def test_the_log_is_quiet_about_what_watches_it(service: Service) -> None:
    for path in ("/healthz", "/readyz", "/readyz/database", "/metrics"):
        assert httpx.get(service.base + path).status_code == 200
    assert [line for line in service.lines() if line["event"] == "call" and "ready" in line["path"]] == []


def test_numbers_are_those_of_what_was_done(service: Service) -> None:
    before = samples(service.base)
    for _ in range(3):
        httpx.post(f"{service.base}/v1/triage", json=FACTS)
    for n in range(5):
        httpx.get(f"{service.base}/v1/cases/{n:024x}")
    after = samples(service.base)
    verdict = ("prepull_verdicts_total", (("verdict", "mend_first"),))
    assert after[verdict] - before.get(verdict, 0) == 3

    def count(route: str, method: str, status: str) -> float:
        labels = (("method", method), ("route", route), ("status", status))
        return after[("prepull_request_seconds_count", labels)]

    assert count("/v1/triage", "POST", "200") == 3
    assert count("/v1/cases/{id}", "GET", "404") == 5
    routes = {dict(labels).get("route") for _, labels in after}
    assert not any(re.search("[0-9a-f]{24}", route or "") for route in routes), "no id makes a series"
    stamp = httpx.get(f"{service.base}/v1/kb").json()["kb"]
    info = ("prepull_kb_info", (("revision", stamp["revision"]), ("version", stamp["version"])))
    assert after[info] == 1
    assert after[("prepull_chainer_errors_total", ())] == 0
    httpx.get(f"{service.base}/readyz")
    assert samples(service.base)[("prepull_database_up", ())] == 1


def test_verdicts_without_a_case_can_be_shown_again(service: Service) -> None:
    answers = [
        httpx.post(f"{service.base}/v1/triage", json=FACTS, params=params).json()
        for params in ({}, {"parts": "causes"}, {})
    ]
    assert answers[0] == answers[2] and answers[0]["decision_id"] != answers[1]["decision_id"]
    for answer in answers[:2]:
        end = time.monotonic() + 10
        shown = httpx.get(f"{service.base}/v1/decisions/{answer['decision_id']}")
        while shown.status_code == 404 and time.monotonic() < end:
            time.sleep(0.05)
            shown = httpx.get(f"{service.base}/v1/decisions/{answer['decision_id']}")
        kept = shown.json()["answer"]
        assert kept["trace"], "with the trace, also where it was not asked for"
        assert {part: kept[part] for part in answer} == answer
        assert kept.keys() == answer.keys() | {"trace"}
        assert shown.json()["facts"]["findings"] == FACTS["findings"]
        assert shown.json()["given_to"] == []


def test_verdicts_of_a_bulk_are_kept_and_the_same_verdict_once(service: Service, tmp_path: Path) -> None:
    lines = b"".join(b'{"id": "%d", "trouble_codes": ["P%04d"]}\n' % (n, 171 + n % 5) for n in range(200))
    media = {"content-type": "application/x-ndjson"}
    for _ in range(2):
        reply = httpx.post(f"{service.base}/v1/triage/bulk", content=lines, headers=media, timeout=60)
    ids = {json.loads(line)["answer"]["decision_id"] for line in reply.text.splitlines()}
    end = time.monotonic() + 10
    for decision in ids:
        while httpx.get(f"{service.base}/v1/decisions/{decision}").status_code == 404:
            assert time.monotonic() < end
            time.sleep(0.05)
    with sqlite3.connect(tmp_path / "a.sqlite") as connection:
        assert connection.execute("SELECT COUNT(*) FROM decision").fetchone() == (5,)


def test_only_verdicts_of_cases_where_that_is_set(tmp_path: Path) -> None:
    environment = {
        "PREPULL_DATABASE": f"sqlite:///{tmp_path}/a.sqlite",
        "PREPULL_CHAINER": "compiled",
        "PREPULL_KEEP_VERDICTS": "cases",
    }
    with running(environment) as (base, _):
        lone = httpx.post(f"{base}/v1/triage", json=FACTS, params={"parts": "causes"}).json()
        kept = httpx.post(f"{base}/v1/cases", json={"observation": {"facts": FACTS}}).json()
        assert httpx.get(f"{base}/v1/decisions/{kept['answer']['decision_id']}").status_code == 200
        time.sleep(0.5)
        assert httpx.get(f"{base}/v1/decisions/{lone['decision_id']}").status_code == 404


def test_calls_under_way_are_answered_before_it_stops(service: Service, tmp_path: Path) -> None:
    statuses: list[int] = []
    lines = b'{"trouble_codes": ["P0299"]}\n' * 150
    media = {"content-type": "application/x-ndjson"}

    def call() -> None:
        reply = httpx.post(f"{service.base}/v1/triage/bulk", content=lines, headers=media, timeout=60)
        statuses.append(len(reply.text.splitlines()))

    thread = threading.Thread(target=call)
    thread.start()
    time.sleep(0.3)
    httpx.post(f"{service.base}/v1/triage", json={"trouble_codes": ["P0171"]})
    service.process.send_signal(signal.SIGTERM)
    service.process.wait(40)
    thread.join()
    assert statuses == [150]
    assert service.process.returncode in {0, -signal.SIGTERM}
    with sqlite3.connect(tmp_path / "a.sqlite") as connection:
        facts = [row[0] for row in connection.execute("SELECT facts FROM decision")]
    assert any("P0171" in text for text in facts), "verdicts that waited were written"


def test_without_a_database_only_cases_are_missing(tmp_path: Path) -> None:
    environment = {"PREPULL_DATABASE": "none", "PREPULL_CHAINER": "compiled"}
    with running(environment) as (base, _):
        assert httpx.post(f"{base}/v1/triage", json=FACTS).status_code == 200
        assert httpx.get(f"{base}/readyz").json()["database"] == "none"
        for path in ("/v1/cases", "/v1/webhooks", "/readyz/database", f"/v1/decisions/{'0' * 24}"):
            refused = httpx.get(base + path)
            assert refused.status_code == 503
            assert refused.json()["type"] == "/v1/problems/database-down"
            assert refused.headers["retry-after"]


def test_it_starts_while_postgresql_is_down_or_has_no_tables(postgres: Cluster, tmp_path: Path) -> None:
    gone = f"postgresql://postgres@127.0.0.1:{free_port()}/x"
    for address in (gone, postgres.new_database()):
        with running({"PREPULL_DATABASE": address, "PREPULL_CHAINER": "compiled"}) as (base, _):
            assert httpx.post(f"{base}/v1/triage", json=FACTS).status_code == 200
            assert httpx.get(f"{base}/readyz", timeout=20).json()["database"] == "down"
            ready = httpx.get(f"{base}/readyz/database", timeout=20)
            assert ready.status_code == 503
            assert httpx.post(f"{base}/v1/cases", json={}, timeout=20).status_code == 503
            if address != gone:
                assert "run prepull db upgrade" in ready.json()["detail"]
                prepull("db", "upgrade", "--database", address)
                assert httpx.post(f"{base}/v1/cases", json={}, timeout=20).status_code == 201


def test_a_database_that_cannot_be_used_is_told_at_start(tmp_path: Path) -> None:
    path = tmp_path / "a.sqlite"
    path.write_bytes(b"not a database" * 100)
    port = str(free_port())
    told = prepull("serve", "--port", port, "--database", f"sqlite:///{path}", code=6)
    assert "the database cannot be used" in told.stderr and "Traceback" not in told.stderr
    told = prepull("serve", "--port", port, "--database", "mysql://u:secret@h/x", code=2)
    assert "secret" not in told.stderr and "accepted: sqlite:///" in told.stderr


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("PREPULL_ACCESS", "open"),
        ("PREPULL_CALLS_PER_MINUTE", "0"),
        ("PREPULL_CALLS_PER_MINUTE", "²"),
        ("PREPULL_MAX_BULK_BYTES", "-1"),
        ("PREPULL_KEEP_VERDICTS", "none"),
        ("PREPULL_LOG", "xml"),
    ],
)
def test_settings_that_cannot_be_used_are_told(
    name: str, value: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(name, value)
    with pytest.raises(SettingError, match=f"{name} is .*accepted: "):
        Settings.from_environment()


def test_settings_are_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("PREPULL_DATABASE", raising=False)
    assert Settings.from_environment().database == "sqlite:///prepull.sqlite"
    monkeypatch.setenv("PREPULL_DATABASE", "none")
    monkeypatch.setenv("PREPULL_WEBHOOK_HOSTS", "Shop.example.com, 10.0.0.7,")
    settings = Settings.from_environment()
    assert settings.database is None
    assert settings.webhook_hosts == ("shop.example.com", "10.0.0.7")


def test_text_for_people(tmp_path: Path) -> None:
    environment = {**os.environ, "PREPULL_LOG": "text", "PREPULL_DATABASE": "none"}
    port = str(free_port())
    command = [sys.executable, "-m", "api.command", "serve", "--port", port, "--chainer", "compiled"]
    with (tmp_path / "log").open("wb") as log:
        process = subprocess.Popen(command, cwd=ROOT, env=environment, stderr=log)
        try:
            end = time.monotonic() + 60
            while "Uvicorn running" not in (tmp_path / "log").read_text() and time.monotonic() < end:
                time.sleep(0.1)
        finally:
            process.terminate()
            process.wait(20)
    text = (tmp_path / "log").read_text()
    assert "Uvicorn running on" in text and not text.startswith("{")
