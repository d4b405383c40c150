"""Two nodes on one PostgreSQL behind nginx, as docs/operate.md sets them up; one of them is killed."""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import signal
import ssl
import subprocess
import threading
import time
import uuid
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import pytest
from prometheus_client.parser import text_string_to_metric_families

from api.access import KeyStore
from api.client import Prepull
from api.problems import MEANINGS, ProblemDetails
from api.scopes import SCOPES
from api.storage.database import Database
from api.storage.migrate import upgrade
from tests.api.serving import ROOT, free_port, running
from tests.storage.making import FACTS
from tests.storage.postgres import Cluster

DOCUMENTED = ("127.0.0.1:8001", "127.0.0.1:8002")
HOST = "prepull.example"
WRITERS = 4
FRAME = """
{user}
worker_processes 1;
daemon off;
pid {folder}/pid;
error_log {folder}/error.log;
events {{ worker_connections 256; }}
http {{
    client_body_temp_path {folder}/body;
    proxy_temp_path {folder}/proxy;
    fastcgi_temp_path {folder}/fastcgi;
    uwsgi_temp_path {folder}/uwsgi;
    scgi_temp_path {folder}/scgi;
{documented}
}}
"""


@pytest.fixture(scope="module")
def nginx() -> str:
    """The program, and openssl to make a certificate for it."""
    found = shutil.which("nginx", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
    if found is None or shutil.which("openssl") is None:
        if os.environ.get("PREPULL_NEED_NGINX"):
            pytest.fail("PREPULL_NEED_NGINX is set, and there is no nginx or no openssl to run")
        pytest.skip("no nginx or no openssl on this machine")
    return found


@dataclass
class Node:
    base: str
    process: subprocess.Popen[bytes]
    log: Path

    @property
    def address(self) -> str:
        return self.base.removeprefix("http://")

    def calls(self) -> list[dict[str, Any]]:
        whole = self.log.read_text().rpartition("\n")[0]
        lines = [json.loads(line) for line in whole.splitlines()]
        return [line for line in lines if line["event"] == "call"]


@dataclass
class Shop:
    """Both nodes, what callers see of them, and a key for everything."""

    base: str
    plain: str
    nodes: list[Node]
    key: str
    context: ssl.SSLContext
    folder: Path

    def client(self) -> httpx.Client:
        return httpx.Client(
            base_url=self.base,
            verify=self.context,
            headers={"authorization": f"Bearer {self.key}", "host": HOST},
            timeout=20,
        )


def certificate(folder: Path) -> ssl.SSLContext:
    command = ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1"]
    command += ["-nodes", "-days", "1", "-subj", f"/CN={HOST}", "-addext", "subjectAltName=IP:127.0.0.1"]
    command += ["-keyout", str(folder / "key.pem"), "-out", str(folder / "fullchain.pem")]
    subprocess.run(command, check=True, capture_output=True, timeout=20)
    return ssl.create_default_context(cafile=str(folder / "fullchain.pem"))


def documented() -> str:
    """Return the one nginx configuration that docs/operate.md shows."""
    page = (ROOT / "docs" / "operate.md").read_text(encoding="utf-8")
    (found,) = re.findall(r"^```nginx\n(.*?)^```$", page, flags=re.MULTILINE | re.DOTALL)
    return str(found)


def configuration(folder: Path, nodes: list[Node], plain: int, secure: int) -> Path:
    """Write what is documented with other addresses, ports and folders, and nothing else changed."""
    text = documented()
    changes = {
        DOCUMENTED[0]: nodes[0].address,
        DOCUMENTED[1]: nodes[1].address,
        "listen 80;": f"listen 127.0.0.1:{plain};",
        "listen 443 ": f"listen 127.0.0.1:{secure} ",
        "/etc/ssl/prepull/fullchain.pem": f"{folder}/fullchain.pem",
        "/etc/ssl/prepull/key.pem": f"{folder}/key.pem",
        "/var/log/nginx/prepull.log": f"{folder}/access.log",
    }
    for old, new in changes.items():
        assert text.count(old) == 1, f"docs/operate.md: {old}"
        text = text.replace(old, new)
    user = "user root;" if os.geteuid() == 0 else ""
    path = folder / "nginx.conf"
    path.write_text(FRAME.format(user=user, folder=folder, documented=text), encoding="utf-8")
    return path


@contextlib.contextmanager
def proxied(program: str, folder: Path, nodes: list[Node], key: str) -> Iterator[Shop]:
    plain, secure = free_port(), free_port()
    context = certificate(folder)
    command = [program, "-p", str(folder), "-c", str(configuration(folder, nodes, plain, secure))]
    with (folder / "said").open("wb") as said:
        process = subprocess.Popen(command, stderr=said)
    try:
        base = f"https://127.0.0.1:{secure}"
        end = time.monotonic() + 10
        while True:
            with contextlib.suppress(httpx.TransportError):
                httpx.get(f"{base}/healthz", verify=context)
                break
            assert process.poll() is None and time.monotonic() < end, (folder / "said").read_text()
            time.sleep(0.05)
        yield Shop(base, f"http://127.0.0.1:{plain}", nodes, key, context, folder)
    finally:
        process.terminate()
        process.wait(10)


@pytest.fixture(scope="module")
def shop(nginx: str, postgres: Cluster, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shop]:
    """Both nodes, shared: the tests that kill them stand last."""
    folder = tmp_path_factory.mktemp("shop")
    address = postgres.new_database()
    database = Database(address)
    upgrade(database)
    key = KeyStore(database).create("all", SCOPES, per_minute=1_000_000).text
    database.close()
    environment = {
        "PREPULL_DATABASE": address,
        "PREPULL_ACCESS": "keys",
        "PREPULL_LOG": "json",
        "PREPULL_CHAINER": "compiled",
    }
    with contextlib.ExitStack() as stack:
        logs = [folder / "node-0.log", folder / "node-1.log"]
        starting = [running(environment, log=stack.enter_context(log.open("wb"))) for log in logs]
        with ThreadPoolExecutor(2) as pool:
            started = list(pool.map(stack.enter_context, starting))
        nodes = [Node(base, process, log) for (base, process), log in zip(started, logs, strict=True)]
        yield stack.enter_context(proxied(nginx, folder, nodes, key))


def eventually(holds: Callable[[], bool], seconds: float = 20) -> None:
    """Wait until it holds: a log has its line a moment after the caller has its answer."""
    end = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < end
        time.sleep(0.02)


@dataclass
class Load:
    """Writers that each add to a case of their own, and repeat under the same key until it is done."""

    shop: Shop
    stop: threading.Event = field(default_factory=threading.Event)
    acknowledged: dict[str, list[str]] = field(default_factory=dict)
    statuses: Counter[int] = field(default_factory=Counter)
    broken: list[str] = field(default_factory=list)

    def write(self, writer: int) -> None:
        with self.shop.client() as client:
            case = client.post(
                "/v1/cases", json={}, headers={"idempotency-key": f"open-{uuid.uuid4().hex}"}
            ).json()["case"]["id"]
            mine = self.acknowledged[case] = []
            number = 0
            while not self.stop.is_set():
                number += 1
                who = f"{writer} {number}"
                if self.add(client, case, who, uuid.uuid4().hex):
                    mine.append(who)
                else:
                    self.broken.append(who)

    def add(self, client: httpx.Client, case: str, who: str, key: str) -> bool:
        body = {"facts": FACTS, "who": who}
        for _ in range(40):
            response = client.post(
                f"/v1/cases/{case}/observations", json=body, headers={"idempotency-key": key}
            )
            self.statuses[response.status_code] += 1
            if response.status_code == 201:
                return True
            assert response.status_code == 503, response.text
            assert response.json()["type"] == "/v1/problems/not-ready", "as the service itself would say it"
            assert response.headers["retry-after"] == "1"
            time.sleep(0.1)
        return False

    def count(self) -> int:
        return sum(map(len, self.acknowledged.values()))


def numbers(node: Node, key: str) -> dict[tuple[str, str], float]:
    text = httpx.get(f"{node.base}/metrics", headers={"authorization": f"Bearer {key}"}).text
    return {
        (sample.labels["route"], sample.labels["status"]): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
        if sample.name == "prepull_request_seconds_count"
    }


def test_two_nodes_are_one_service(shop: Shop) -> None:
    authorization = {"authorization": f"Bearer {shop.key}"}
    first, second = shop.nodes
    with shop.client() as client:
        for _ in range(10):
            assert client.post("/v1/triage", json=FACTS).status_code == 200
        for node in shop.nodes:
            assert numbers(node, shop.key)["/v1/triage", "200"] >= 3, "both nodes answer"

        # What one node has done the other knows: cases, retries, logins.
        headers = {**authorization, "idempotency-key": "opened-once"}
        made = httpx.post(f"{first.base}/v1/cases", json={"reference": "J-1"}, headers=headers)
        case = made.json()["case"]["id"]
        read = httpx.get(f"{second.base}/v1/cases/{case}", headers=authorization)
        assert read.json()["reference"] == "J-1" and read.headers["etag"] == made.headers["etag"]
        for base in (second.base, shop.base):
            again = httpx.post(
                f"{base}/v1/cases", json={"reference": "J-1"}, headers=headers, verify=shop.context
            )
            assert (again.status_code, again.content) == (201, made.content), base
        assert len(client.get("/v1/cases", params={"reference": "J-1"}).json()["cases"]) == 1

        login = client.post("/v1/session", json={"key": shop.key})
        assert "Secure" in login.headers["set-cookie"], "X-Forwarded-Proto is believed"
        cookie = {"cookie": f"prepull_desk={login.cookies['prepull_desk']}"}
        for node in shop.nodes:
            assert httpx.get(f"{node.base}/v1/session", headers=cookie).json()["name"] == "all"


def test_what_the_proxy_lets_through(shop: Shop) -> None:
    with shop.client() as client:
        moved = httpx.get(f"{shop.plain}/v1/kb", headers={"host": HOST})
        assert (moved.status_code, moved.headers["location"]) == (301, f"https://{HOST}/v1/kb")
        for hidden in ("/metrics", "/readyz/database"):
            assert client.get(hidden).status_code == 404
        assert client.get("/").headers["content-security-policy"].startswith("default-src 'none'")

        asked = client.get("/v1/cases", params={"reference": "secret"}, headers={"x-request-id": "shop-17"})
        assert asked.headers["x-request-id"] == "shop-17"
        eventually(lambda: any(c["request_id"] == "shop-17" for node in shop.nodes for c in node.calls()))
        eventually(lambda: "shop-17" in (shop.folder / "access.log").read_text())
        assert "secret" not in (shop.folder / "access.log").read_text()
        made = client.get("/v1/kb").headers["x-request-id"]
        assert re.fullmatch("[0-9a-f]{32}", made)

        # It is the service who refuses what is too large.
        large = client.post("/v1/triage", content=b" " * 1_500_000)
        assert large.status_code == 413 and large.json()["type"] == "/v1/problems/body-too-large"

        lines = b'{"trouble_codes": ["P0299"]}\n' * 300
        media = {"content-type": "application/x-ndjson"}
        bulk = client.post("/v1/triage/bulk", content=lines, headers=media)
        assert bulk.status_code == 200 and len(bulk.text.splitlines()) == 300

    # The typed client needs to know nothing of nginx.
    with Prepull(shop.base, shop.key) as typed:
        typed._http = shop.client()
        assert typed.open_case(facts=FACTS).case.entries == 1


def test_triage_goes_on_while_the_database_is_down(shop: Shop, postgres: Cluster) -> None:
    """Nodes that say 503 are not taken for dead ones: `http_503` is not in `proxy_next_upstream`."""
    postgres.stop("immediate")
    try:
        with shop.client() as client:
            for _ in range(8):
                refused = client.get("/v1/cases")
                assert refused.json()["type"] == "/v1/problems/database-down"
                assert refused.status_code == 503 and refused.headers["retry-after"] == "5"
                assert client.post("/v1/triage", json=FACTS).status_code == 200
            assert client.get("/readyz").json()["database"] == "down"
    finally:
        postgres.start()
    with shop.client() as client:
        assert client.get("/v1/cases").status_code == 200


def test_one_node_killed_under_load_loses_nothing(shop: Shop) -> None:
    load = Load(shop)
    with ThreadPoolExecutor(WRITERS) as pool:
        writers = [pool.submit(load.write, writer) for writer in range(WRITERS)]
        try:
            before = [len(node.calls()) for node in shop.nodes]
            eventually(lambda: load.count() >= 60)
            both = [len(node.calls()) - old for node, old in zip(shop.nodes, before, strict=True)]
            victim = shop.nodes[0].process
            os.kill(victim.pid, signal.SIGKILL)
            victim.wait(10)
            after = load.count()
            eventually(lambda: load.count() >= after + 60)
        finally:
            load.stop.set()
        for done in writers:
            done.result(60)
    assert all(count > 10 for count in both), f"both nodes answer: {both}"
    assert load.broken == []
    assert set(load.statuses) <= {201, 503}
    assert len(shop.nodes[1].calls()) - before[1] > both[1] + 50, "the load goes on through the other"
    with shop.client() as client:
        for case, acknowledged in load.acknowledged.items():
            history = client.get(f"/v1/cases/{case}").json()["history"]
            assert [entry["who"] for entry in history] == acknowledged, "none lost, none twice, in order"


def test_no_node_left_is_told_in_the_words_of_the_service(shop: Shop) -> None:
    for node in shop.nodes:
        node.process.kill()
        node.process.wait(10)
    with shop.client() as client:
        gone = client.post("/v1/triage", json=FACTS)
    assert gone.status_code == 503 and gone.headers["content-type"] == "application/problem+json"
    assert gone.headers["retry-after"] == "1"
    told = ProblemDetails.model_validate_json(gone.content)
    assert (told.type, told.status) == ("/v1/problems/not-ready", 503)
    assert told.title == MEANINGS["not-ready"][1]
