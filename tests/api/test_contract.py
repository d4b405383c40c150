"""schemathesis against a running server: every route, every check, and every documented status."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from schemathesis.schemas import BaseSchema
from schemathesis.specs.openapi.checks import positive_data_acceptance

from api.app import create_app
from engine.answer import TriageAnswer
from engine.chaining import Closure
from engine.errors import ChainerError
from engine.knowledge import Knowledge, load
from engine.triage import Triage
from tests.api.serving import served_app
from tests.engine.test_triage import requests


@pytest.fixture(scope="session")
def api_schema(server: str) -> BaseSchema:
    return schemathesis.openapi.from_url(f"{server}/openapi.json")


schema = schemathesis.pytest.from_fixture("api_schema")


@schema.parametrize()
@settings(max_examples=20, deadline=None, suppress_health_check=list(HealthCheck))
def test_every_route_keeps_its_contract(case: schemathesis.Case[Any]) -> None:
    known_only_to_the_knowledge_base = case.operation.label == "POST /v1/triage"
    excluded: list[Any] = [positive_data_acceptance] if known_only_to_the_knowledge_base else []
    case.call_and_validate(excluded_checks=excluded)


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
    with served_app(create_app(triage=Triage(broken))) as base:
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


def test_every_documented_status_of_triage_is_given(server: str, broken_server: str) -> None:
    documented = httpx.get(f"{server}/openapi.json").json()["paths"]["/v1/triage"]["post"]["responses"]
    assert set(documented) == {*STATUS_CASES, "500"}
    for status, (method, path, how) in STATUS_CASES.items():
        response = httpx.request(method, server + path, **how)  # type: ignore[arg-type]
        assert response.status_code == int(status), response.text
    assert httpx.post(f"{broken_server}/v1/triage", json={}).status_code == 500
    assert httpx.get(f"{broken_server}/readyz").status_code == 503


def test_other_documented_statuses_are_given(server: str) -> None:
    paths = httpx.get(f"{server}/openapi.json").json()["paths"]
    for path, operations in paths.items():
        for method, operation in operations.items():
            assert operation["operationId"]
            assert operation["summary"]
            for status in operation["responses"]:
                if path in {"/v1/triage", "/v1/phrases"} or status in {"500", "503"}:
                    continue
                url = server + path
                if status == "200":
                    listing = path.split("/{")[0]
                    known = "invalid-facts"
                    if "/kb/" in path and "{id}" in path:
                        known = httpx.get(server + listing).json()["entries"][0]["id"]
                    url = url.replace("{id}", known).replace("{kind}", known)
                elif status == "404":
                    url = url.replace("{id}", "no_such_thing").replace("{kind}", "no-such-thing")
                elif status == "422":
                    long = "x" * 300
                    if "{" in path:
                        url = url.replace("{id}", long).replace("{kind}", long)
                    else:
                        url += "?system=nowhere"
                response = httpx.request(method.upper(), url)
                assert response.status_code == int(status), f"{method} {url}: {response.text}"


def test_every_body_has_an_example(server: str) -> None:
    document = httpx.get(f"{server}/openapi.json").json()
    assert document["openapi"].startswith("3.1")
    for path, operations in document["paths"].items():
        for operation in operations.values():
            for media in operation.get("requestBody", {}).get("content", {}).values():
                for example in media["examples"].values():
                    response = httpx.post(server + path, json=example["value"])
                    assert response.status_code == 200, response.text
            for status, response_doc in operation["responses"].items():
                for media in response_doc["content"].values():
                    assert media.get("schema"), (path, status)
