"""Who is let in: keys, scopes, logins, rates, and what is never told or kept."""

from __future__ import annotations

import re
import sqlite3
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from api import openapi
from api.access import Gate, KeyStore, csrf_token, is_loopback
from api.storage.database import Database
from api.storage.migrate import upgrade
from tests.api.keyed import Keyed, keyed_service, prepull
from tests.api.serving import free_port, running
from tests.storage.making import FACTS

FREE = {"/healthz", "/readyz", "/readyz/database", "/v1/session", "/v1/problems/{kind}"}

HERE = ("127.0.0.1", "127.0.0.1", "localhost")

WANTED: dict[tuple[str, str], str] = {
    ("post", "/v1/cases/{id}/outcomes"): "confirm_outcomes",
    **{(m, f"/v1/webhooks{p}"): "administer" for m, p in (
        ("post", ""), ("get", ""), ("delete", "/{id}"), ("get", "/{id}/deliveries"))},
}  # fmt: skip
"""The scope that a route needs; keep_cases for other routes of cases, ask for the rest."""


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Keyed]:
    # Every route is called without a key here; with the usual rate that many refusals slow the address down.
    rate = {"PREPULL_CALLS_PER_MINUTE": "3000"}
    with keyed_service(tmp_path_factory.mktemp("access"), **rate) as running_service:
        yield running_service


def operations(service: Keyed) -> list[tuple[str, str, dict[str, Any]]]:
    return list(openapi.operations(httpx.get(f"{service.base}/openapi.json").json()))


def call(client: httpx.Client, method: str, path: str) -> httpx.Response:
    url = (
        path.replace("{id}", "0" * 24)
        .replace("{decision_id}", "0" * 24)
        .replace("{kind}", "x")
        .replace("{photograph}", "0" * 24)
    )
    if path.startswith("/v1/webhooks"):
        url = path.replace("{id}", "0" * 12)
    if path == "/v1/logs":
        return client.request(method, url, files={"file": b"no log"})
    media = "application/x-ndjson" if path.endswith("bulk") else "application/json"
    media = "image/png" if path.endswith("photographs") else media
    content = b'{"observation": 1, "reason": "x", "facts": {}}' if method in {"post", "put"} else None
    return client.request(method, url, content=content, headers={"content-type": media})


def wanted(method: str, path: str) -> str:
    usual = "keep_cases" if path.startswith(("/v1/cases", "/v1/decisions")) else "ask"
    return WANTED.get((method, path), usual)


def test_every_route_wants_a_key_and_its_scope(service: Keyed) -> None:
    with service.client(None) as nobody:
        for path, method, operation in operations(service):
            if path in FREE:
                assert "security" not in operation
                continue
            assert operation["security"] == [{"key": []}, {"desk": []}]
            refused = call(nobody, method, path)
            assert refused.status_code == 401, path
            assert refused.json()["type"] == "/v1/problems/not-known"
            assert refused.headers["www-authenticate"].startswith("Bearer")
    for scope in ("ask", "keep_cases", "confirm_outcomes", "administer"):
        with service.client(scope) as client:
            for path, method, _ in operations(service):
                if path in FREE:
                    continue
                status = call(client, method, path).status_code
                assert (status == 403) == (wanted(method, path) != scope), (
                    f"{scope}: {method} {path}: {status}"
                )
                assert status != 401


def test_nothing_of_a_body_is_read_before_the_caller_is_known(service: Keyed) -> None:
    with service.client(None) as nobody:
        assert nobody.post("/v1/triage", content=b"x" * 5_000_000).status_code == 401
        assert nobody.post("/v1/cases", content=b"{").status_code == 401


@pytest.mark.parametrize(
    "authorization",
    ["", "Bearer", "Bearer x", "Basic eDp5", "Bearer prepull_x_y", "bearer prepull__", "Bearer \xff"],
)
def test_a_wrong_key_is_refused(service: Keyed, authorization: str) -> None:
    headers = [(b"authorization", authorization.encode("latin-1"))]
    response = httpx.get(f"{service.base}/v1/kb", headers=headers)
    assert response.status_code == 401


def test_half_a_key_is_no_key(service: Keyed) -> None:
    mark, key_id, secret = service.keys["all"].split("_", 2)
    _, other_id, _ = service.keys["ask"].split("_", 2)
    for text in (f"{mark}_{key_id}_", f"{mark}_{key_id}_{secret[:-1]}", f"{mark}_{other_id}_{secret}"):
        response = httpx.get(f"{service.base}/v1/kb", headers={"authorization": f"Bearer {text}"})
        assert response.status_code == 401
    ok = httpx.get(f"{service.base}/v1/kb", headers={"authorization": f"bearer {mark}_{key_id}_{secret}"})
    assert ok.status_code == 200


def test_only_hashes_are_kept(service: Keyed, tmp_path: Path) -> None:
    with service.client("all") as client:
        login = client.post("/v1/session", json={"key": service.keys["keep_cases"]})
    cookie = login.cookies["prepull_desk"]
    out = tmp_path / "all.ndjson"
    prepull("db", "export", str(out), "--database", service.database)
    folder = Path(service.database.removeprefix("sqlite:///")).parent
    kept = out.read_bytes() + b"".join(path.read_bytes() for path in folder.iterdir())
    for key in service.keys.values():
        assert key.split("_", 2)[2].encode() not in kept
    assert cookie.encode() not in kept
    assert csrf_token(cookie).encode() not in kept


def test_a_new_key_works_at_once_and_a_revoked_one_no_more_within_five_seconds(service: Keyed) -> None:
    made = prepull("keys", "create", "bay 2", "--scope", "ask", "--database", service.database)
    key = made.stdout.strip()
    assert re.fullmatch(r"prepull_[0-9a-f]{10}_[\w-]{43}", key)
    headers = {"authorization": f"Bearer {key}"}
    assert httpx.get(f"{service.base}/v1/kb", headers=headers).status_code == 200
    listed = prepull("keys", "list", "--database", service.database).stdout
    assert key.split("_")[1] in listed and "bay 2" in listed
    assert key.split("_", 2)[2] not in listed
    prepull("keys", "revoke", key.split("_")[1], "--database", service.database)
    end = time.monotonic() + 7
    while httpx.get(f"{service.base}/v1/kb", headers=headers).status_code == 200:
        assert time.monotonic() < end
        time.sleep(0.3)
    told = prepull("keys", "revoke", key.split("_")[1], "--database", service.database, code=2)
    assert "no key" in told.stderr


def test_keys_are_made_with_known_scopes_only() -> None:
    assert "'asks' is not one of" in prepull("keys", "create", "x", "--scope", "asks", code=2).stderr
    assert "--scope" in prepull("keys", "create", "x", code=2).stderr


class Desk:
    """A browser that is logged in, as far as the service can tell."""

    def __init__(self, service: Keyed, key: str = "keep_cases") -> None:
        self.client = httpx.Client(base_url=service.base)
        self.response = self.client.post("/v1/session", json={"key": service.keys[key]})
        self.token = self.response.json().get("token")

    def post(self, path: str, json: object, token: str | None) -> httpx.Response:
        return self.client.post(path, json=json, headers={} if token is None else {"x-prepull-token": token})


def test_a_login_reads_and_changes_only_with_its_token(service: Keyed) -> None:
    desk = Desk(service)
    assert desk.response.status_code == 200
    session = desk.client.get("/v1/session").json()
    assert session == {"name": "keep_cases", "scopes": ["keep_cases"], "token": desk.token}
    assert desk.client.get("/v1/cases").status_code == 200
    for token in (None, "", "0" * 64, desk.token[:-1]):
        refused = desk.post("/v1/cases", {}, token)
        assert refused.status_code == 403, token
        assert refused.json()["type"] == "/v1/problems/not-allowed"
    assert desk.post("/v1/cases", {}, desk.token).status_code == 201
    other = Desk(service)
    assert other.token != desk.token
    assert desk.post("/v1/cases", {}, other.token).status_code == 403
    assert desk.client.delete("/v1/session").status_code == 403
    assert desk.client.get("/v1/cases").status_code == 200


def test_the_cookie_is_kept_from_scripts_and_other_sites(service: Keyed) -> None:
    header = Desk(service).response.headers["set-cookie"].lower()
    assert "httponly" in header and "samesite=strict" in header and "path=/" in header
    assert "secure" not in header
    behind = httpx.post(
        f"{service.base}/v1/session",
        json={"key": service.keys["ask"]},
        headers={"x-forwarded-proto": "https"},
    )
    assert "secure" in behind.headers["set-cookie"].lower()
    assert "no-store" in behind.headers["cache-control"]


def test_who_is_logged_out_stays_out(service: Keyed) -> None:
    desk = Desk(service)
    cookie = desk.client.cookies["prepull_desk"]
    gone = desk.client.delete("/v1/session", headers={"x-prepull-token": desk.token})
    assert gone.status_code == 204
    stolen = httpx.get(f"{service.base}/v1/cases", cookies={"prepull_desk": cookie})
    assert stolen.status_code == 401


def test_a_wrong_key_at_the_desk_gives_no_cookie(service: Keyed) -> None:
    response = httpx.post(f"{service.base}/v1/session", json={"key": "prepull_x_y"})
    assert response.status_code == 401
    assert "set-cookie" not in response.headers
    made_up = httpx.get(f"{service.base}/v1/cases", cookies={"prepull_desk": "x" * 43})
    assert made_up.status_code == 401


def test_a_login_ends_with_its_time_and_with_its_key(tmp_path: Path) -> None:
    database = Database(f"sqlite:///{tmp_path}/a.sqlite")
    upgrade(database)
    now = [10**15]
    store = KeyStore(database, lambda: now[0])
    gate = Gate(store, True, 600)
    key = store.create("desk", ["ask"])
    token = store.log_in(key.id)
    gate.refresh(0.0)
    assert gate.caller(None, token, None, False, HERE).name == "desk"
    now[0] += 12 * 3600 * 1_000_000
    with pytest.raises(Exception, match="has ended"):
        gate.caller(None, token, None, False, HERE)
    again = store.log_in(key.id)
    store.revoke(key.id)
    gate.refresh(0.0)
    with pytest.raises(Exception, match=r"has ended|send a key"):
        gate.caller(None, again, None, True, ("10.0.0.1",))


def test_keys_stay_good_while_the_database_is_down(tmp_path: Path) -> None:
    database = Database(f"sqlite:///{tmp_path}/a.sqlite")
    upgrade(database)
    store = KeyStore(database)
    key = store.create("desk", ["ask"])
    gate = Gate(store, True, 600)
    gate.refresh(0.0)
    database.close()
    for path in tmp_path.iterdir():
        path.unlink()
    (tmp_path / "a.sqlite").mkdir()
    gate.refresh(0.0)
    assert gate.by_key(key.text).name == "desk"
    assert not gate.is_open(HERE), "it does not open because keys cannot be read"


def test_too_many_calls_are_told_to_wait(service: Keyed) -> None:
    key = service.make_key("slow", "ask", per_minute=5)
    headers = {"authorization": f"Bearer {key}"}
    statuses = []
    for _ in range(8):
        response = httpx.get(f"{service.base}/v1/kb", headers=headers)
        statuses.append(response.status_code)
    assert statuses[:5] == [200] * 5 and statuses[-1] == 429
    assert response.json()["type"] == "/v1/problems/too-many"
    assert 1 <= int(response.headers["retry-after"]) <= 60
    with service.client("ask") as other:
        assert other.get("/v1/kb").status_code == 200, "each key has its own count"


def test_guessing_is_slowed_down(tmp_path: Path) -> None:
    with keyed_service(tmp_path, PREPULL_CALLS_PER_MINUTE="100") as service:
        guesses = [
            httpx.post(f"{service.base}/v1/session", json={"key": f"prepull_x_{n}"}).status_code
            for n in range(12)
        ]
        assert guesses[:10] == [401] * 10 and guesses[-1] == 429
        with service.client() as client:
            assert client.get("/v1/kb").status_code == 200


def test_a_key_may_have_a_smaller_body_limit(service: Keyed) -> None:
    key = service.make_key("small", "ask", "keep_cases", body=2_000)
    headers = {"authorization": f"Bearer {key}"}
    body = {"trouble_codes": [], "pad": "x" * 3000}
    assert httpx.post(f"{service.base}/v1/triage", json=body, headers=headers).status_code == 413
    lines = b'{"trouble_codes": []}\n' * 200
    bulk = {**headers, "content-type": "application/x-ndjson"}
    assert httpx.post(f"{service.base}/v1/triage/bulk", content=lines, headers=bulk).status_code == 413
    assert httpx.post(f"{service.base}/v1/triage", json=FACTS, headers=headers).status_code == 200


def test_who_did_it_is_kept(service: Keyed) -> None:
    with service.client("keep_cases") as client:
        made = client.post("/v1/cases", json={"observation": {"facts": {}}}).json()
        entry = client.get(f"/v1/cases/{made['case']['id']}").json()["history"][0]
    assert entry["who"] == "keep_cases"
    assert entry["key"] == service.keys["keep_cases"].split("_")[1]


def test_keys_of_calls_made_once_belong_to_the_caller(service: Keyed) -> None:
    once = {"idempotency-key": "shared"}
    with service.client("keep_cases") as one, service.client("all") as other:
        first = one.post("/v1/cases", json={}, headers=once).json()
        second = other.post("/v1/cases", json={}, headers=once).json()
    assert first["case"]["id"] != second["case"]["id"]


def test_it_does_not_start_elsewhere_without_a_key(tmp_path: Path) -> None:
    database = f"sqlite:///{tmp_path}/a.sqlite"
    port = str(free_port())
    told = prepull("serve", "--host", "0.0.0.0", "--port", port, "--database", database, code=2)
    assert "no key is known" in told.stderr
    prepull("serve", "--host", "0.0.0.0", "--port", port, "--database", "none", code=2)
    always = {"PREPULL_ACCESS": "keys"}
    told = prepull("serve", "--port", port, "--database", database, code=2, **always)
    assert "no key is known" in told.stderr
    prepull("keys", "create", "x", "--scope", "ask", "--database", database)
    settings = {"PREPULL_DATABASE": database, "PREPULL_CHAINER": "compiled"}
    with running(settings, "--host", "0.0.0.0") as (base, _):
        assert httpx.get(f"{base}/v1/kb").status_code == 401


def test_open_access_ends_when_the_first_key_is_made(tmp_path: Path) -> None:
    database = f"sqlite:///{tmp_path}/a.sqlite"
    with running({"PREPULL_DATABASE": database, "PREPULL_CHAINER": "compiled"}) as (base, _):
        assert httpx.get(f"{base}/v1/kb").status_code == 200
        prepull("keys", "create", "x", "--scope", "ask", "--database", database)
        end = time.monotonic() + 7
        while httpx.get(f"{base}/v1/kb").status_code == 200:
            assert time.monotonic() < end
            time.sleep(0.3)


def test_open_access_is_for_this_machine_alone() -> None:
    gate = Gate(None, True, 600)
    assert gate.is_open(HERE) and gate.is_open(("::1", "::1", "localhost"))
    for end in ("10.0.0.1", "0.0.0.0", None, "", "example.com", "::ffff:10.0.0.1"):
        for place in range(3):
            ends: list[str | None] = [*HERE]
            ends[place] = end
            assert not gate.is_open(ends), ends
    assert not Gate(None, False, 600).is_open(HERE)
    assert is_loopback("127.8.0.1") and is_loopback("localhost") and not is_loopback("localhost.example.com")


@pytest.mark.parametrize(
    "headers",
    [
        {"host": "shop.example.com"},
        {"host": "127.0.0.1.example.com"},
        {"host": "[broken"},
        {"x-forwarded-for": "203.0.113.9"},
    ],
)
def test_open_access_is_not_for_who_comes_through_a_proxy_or_by_another_name(
    server: str, headers: dict[str, str]
) -> None:
    """A proxy on the same machine, and a page elsewhere whose name was made to lead to this machine."""
    assert httpx.get(f"{server}/v1/kb").status_code == 200
    for path in ("/v1/kb", "/v1/session", "/v1/cases"):
        assert httpx.get(server + path, headers=headers).status_code in {400, 401}


def test_no_cache_keeps_what_is_private(service: Keyed) -> None:
    with service.client() as client:
        case = client.post("/v1/cases", json={}).json()["case"]["id"]
        for path in (
            "/v1/cases",
            f"/v1/cases/{case}",
            f"/v1/cases/{case}/answer",
            "/v1/webhooks",
            "/v1/session",
        ):
            response = client.get(path)
            assert response.headers["cache-control"] == "no-store", path
            assert response.headers["x-content-type-options"] == "nosniff"
        refused = httpx.get(f"{service.base}/v1/cases")
        assert refused.status_code == 401 and refused.headers["cache-control"] == "no-store"


def test_persons_and_secrets_are_never_in_the_log(service: Keyed) -> None:
    person = {"name": "R. Example", "telephone": "0123456789", "plate": "EX 1234"}
    with service.client() as client:
        case = client.post("/v1/cases", json={"reference": "ref-in-body"}).json()["case"]["id"]
        client.put(f"/v1/cases/{case}/person", json=person)
        client.put(f"/v1/cases/{case}/person", json={**person, "extra": "R. Example"})
        client.get(f"/v1/cases/{case}/person")
        client.get("/v1/cases", params={"reference": "R. Example"})
        client.post("/v1/phrases", json={"text": "this is R. Example, plate EX 1234"})
    log = service.log.read_text()
    for secret in (*person.values(), "ref-in-body", *service.keys.values(), "Bearer"):
        assert secret not in log
    with sqlite3.connect(service.database.removeprefix("sqlite:///")) as connection:
        rows = connection.execute("SELECT body FROM entry").fetchall()
    assert all("R. Example" not in body for (body,) in rows)
