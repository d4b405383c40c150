"""schemathesis against a running server: every route, every check, and every documented status."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from api import openapi
from api.access import KeyStore
from api.app import create_app
from api.scopes import SCOPES
from api.settings import Settings
from api.storage.database import Database
from api.storage.migrate import upgrade
from engine.answer import TriageAnswer
from engine.chaining import Closure
from engine.errors import ChainerError
from engine.knowledge import Knowledge, load
from engine.triage import Triage
from tests.api.serving import ROOT, running, served_app
from tests.engine.test_triage import requests
from tests.storage.postgres import Cluster


@pytest.fixture(params=["sqlite", "postgresql"])
def keyed(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[str, str, Path]]:
    """Address, key and log of a running server that lets in nobody without a key."""
    if request.param == "sqlite":
        address = f"sqlite:///{tmp_path}/cases.sqlite"
    else:
        cluster: Cluster = request.getfixturevalue("postgres")
        address = cluster.new_database()
    database = Database(address)
    upgrade(database)
    key = KeyStore(database).create("contract", SCOPES, per_minute=1_000_000)
    database.close()
    environment = {"PREPULL_DATABASE": address, "PREPULL_CALLS_PER_MINUTE": "1000000", "PREPULL_LOG": "json"}
    with (tmp_path / "log").open("wb") as log, running(environment, log=log) as (base, process):
        yield base, key.text, tmp_path / "log"
        assert process.poll() is None, "the server died"


def test_every_route_keeps_its_contract(keyed: tuple[str, str, Path], tmp_path: Path) -> None:
    """All checks, all phases, chains of calls among them; see schemathesis.toml for what is allowed where."""
    base, key, log = keyed
    program = Path(sys.executable).with_name("schemathesis")
    command = [
        str(program),
        f"--config-file={ROOT}/tests/api/schemathesis.toml",
        "run",
        f"{base}/openapi.json",
    ]
    command += ["--header", f"Authorization: Bearer {key}", "--checks=all", "--max-examples=15"]
    command += ["--phases=examples,coverage,fuzzing,stateful", "--seed=5", "--continue-on-failure"]
    done = subprocess.run(
        command,
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        timeout=600,
        check=False,
    )
    assert done.returncode == 0, done.stdout[-6000:] + done.stderr[-2000:]
    assert "Stateful (in" in done.stdout
    calls = [json.loads(line) for line in log.read_text().splitlines() if line.startswith("{")]
    statuses = [call["status"] for call in calls if call["event"] == "call"]
    assert len(statuses) > 1000
    assert max(statuses) < 500
    assert not [call for call in calls if call["level"] == "error"]
    assert key not in log.read_text()


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_facts_that_the_knowledge_base_knows_are_taken(
    server: str, knowledge: Knowledge, data: st.DataObject
) -> None:
    facts = data.draw(requests(knowledge))
    response = httpx.post(f"{server}/v1/triage", json=facts.model_dump())
    assert response.status_code == 200, response.text
    TriageAnswer.model_validate(response.json())


class BrokenChainer:
    """A chainer that always fails, as a corrupted native library would."""

    name = "broken"

    def close(self, facts: object) -> Closure:
        raise ChainerError("broken on purpose")


@pytest.fixture(scope="module")
def broken_server() -> Iterator[str]:
    knowledge = load(chainer="compiled")
    parts = {name: getattr(knowledge, name) for name in Knowledge.__dataclass_fields__}
    broken = Knowledge(**{**parts, "chainer": BrokenChainer()})
    with served_app(create_app(Settings(), Triage(broken))) as base:
        yield base


STATUS_CASES: dict[str, tuple[str, str, dict[str, object]]] = {
    "200": ("POST", "/v1/triage", {"json": {}}),
    "400": (
        "POST",
        "/v1/triage",
        {"content": b'{"findings": [', "headers": {"content-type": "application/json"}},
    ),
    "413": ("POST", "/v1/triage", {"json": {"pad": "x" * 1_200_000}}),
    "415": ("POST", "/v1/triage", {"content": b"a: 1", "headers": {"content-type": "application/yaml"}}),
    "422": ("POST", "/v1/triage", {"json": {"findings": [{"id": "no_such", "state": "present"}]}}),
}


ACCESS_STATUSES = {"401", "403", "429"}
"""Given by the gate before any route; see test_access.py."""


def test_every_documented_status_of_triage_is_given(server: str, broken_server: str) -> None:
    documented = httpx.get(f"{server}/openapi.json").json()["paths"]["/v1/triage"]["post"]["responses"]
    assert set(documented) == {*STATUS_CASES, *ACCESS_STATUSES, "500"}
    for status, (method, path, how) in STATUS_CASES.items():
        response = httpx.request(method, server + path, **how)  # type: ignore[arg-type]
        assert response.status_code == int(status), response.text
    assert httpx.post(f"{broken_server}/v1/triage", json={}).status_code == 500
    assert httpx.get(f"{broken_server}/readyz").status_code == 503
    metrics = httpx.get(f"{broken_server}/metrics").text
    assert "prepull_chainer_errors_total 1.0" in metrics


def test_documented_statuses_of_the_knowledge_base_are_given(server: str) -> None:
    paths = httpx.get(f"{server}/openapi.json").json()["paths"]
    for path, operations in paths.items():
        if not path.startswith(("/v1/kb", "/v1/problems", "/healthz", "/readyz")):
            continue
        for status in set(operations["get"]["responses"]) - ACCESS_STATUSES - {"500", "503"}:
            url = server + path
            if status == "200":
                known = "invalid-facts"
                if "/kb/" in path and "{id}" in path:
                    known = httpx.get(server + path.split("/{")[0]).json()["entries"][0]["id"]
                url = url.replace("{id}", known).replace("{kind}", known)
            elif status == "404":
                url = url.replace("{id}", "no_such_thing").replace("{kind}", "no-such-thing")
            elif "{" in path:
                url = url.replace("{id}", "x" * 300).replace("{kind}", "x" * 300)
            else:
                url += "?system=nowhere"
            response = httpx.get(url)
            assert response.status_code == int(status), f"{url}: {response.text}"


def test_every_body_has_an_example_that_is_taken(server: str) -> None:
    document = httpx.get(f"{server}/openapi.json").json()
    assert document["openapi"].startswith("3.1")
    new: dict[str, object] = {"observation": {"facts": {}}}
    for path, method, operation in openapi.operations(document):
        assert operation["operationId"] and operation["summary"]
        for status, documented in operation["responses"].items():
            for media in documented.get("content", {}).values():
                assert media.get("schema"), (path, status)
        for media, content in operation.get("requestBody", {}).get("content", {}).items():
            if media == "multipart/form-data":
                assert path == "/v1/logs", "a form with a file is sent by test_logs.py"
                continue
            if media.startswith("image/"):
                assert path.endswith("/photographs"), "a picture is sent by test_inspections.py"
                continue
            for example in content["examples"].values():
                case = httpx.post(f"{server}/v1/cases", json=new).json()["case"]["id"]
                value = example["value"]
                sent = value if isinstance(value, str) else json.dumps(value)
                response = httpx.request(
                    method,
                    server + path.replace("{id}", case).replace("{measure_id}", "joint_thrust"),
                    content=sent,
                    headers={"content-type": media},
                )
                expected = {401} if path == "/v1/session" else {200, 201, 204}
                assert response.status_code in expected, response.text


def test_the_document_in_docs_is_that_of_the_service(knowledge: Knowledge) -> None:
    kept = (ROOT / "docs" / "openapi.json").read_text(encoding="utf-8")
    app = create_app(Settings(), Triage(knowledge))
    assert kept == openapi.text_of(app), "run make openapi"


def test_a_path_names_all_its_methods(server: str) -> None:
    response = httpx.request("PATCH", f"{server}/v1/cases/{'0' * 24}/person")
    assert response.status_code == 405
    assert response.headers["allow"] == "DELETE, GET, PUT"
