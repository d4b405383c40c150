"""The service killed while it writes, its disk full, its database gone: what was acknowledged stays."""

from __future__ import annotations

import contextlib
import os
import random
import resource
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import psycopg
import pytest
from sqlalchemy import text

from api.storage.database import Database
from api.storage.migrate import upgrade
from tests.api.serving import ROOT, free_port, running
from tests.storage.making import FACTS
from tests.storage.postgres import Cluster

WRITERS = 3
OPEN = {"observation": {"facts": FACTS}}


class Forks:
    """Services of `crash_server`."""

    def __init__(self) -> None:
        command = [sys.executable, "-m", "tests.storage.crash_server"]
        self.process = subprocess.Popen(
            command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        assert self.read() == "ready"

    def read(self) -> str:
        assert self.process.stdout is not None
        return self.process.stdout.readline().strip()

    def start(self, address: str) -> tuple[str, int]:
        port = free_port()
        assert self.process.stdin is not None
        self.process.stdin.write(f"{address} {port}\n")
        self.process.stdin.flush()
        child = int(self.read())
        base = f"http://127.0.0.1:{port}"
        end = time.monotonic() + 30
        while time.monotonic() < end:
            with contextlib.suppress(httpx.TransportError):
                httpx.get(f"{base}/healthz")
                return base, child
            time.sleep(0.01)
        raise TimeoutError(base)

    def kill(self, child: int) -> None:
        os.kill(child, signal.SIGKILL)
        assert self.read() == "ended"


@pytest.fixture(scope="module")
def forks() -> Iterator[Forks]:
    made = Forks()
    yield made
    assert made.process.stdin is not None
    made.process.stdin.close()
    made.process.wait(20)


def write_until_gone(base: str, case: str, writer: str, acknowledged: list[str]) -> None:
    """Add observations one after the other; note each that was acknowledged."""
    with httpx.Client(timeout=10) as client, contextlib.suppress(httpx.TransportError):
        for n in range(1000):
            who = f"{writer} {n}"
            body = {"who": who, "facts": {"findings": [{"id": "fuel_leak_seen", "state": "absent"}]}}
            reply = client.post(f"{base}/v1/cases/{case}/observations", json=body)
            if reply.status_code == 201:
                acknowledged.append(who)


def kept(database: Database, case: str) -> list[tuple[int, str | None]]:
    with database.reading() as session:
        found = session.execute(
            text("SELECT number, who FROM entry WHERE case_id = :case ORDER BY number"), {"case": case}
        )
        return [(row.number, row.who) for row in found]


@pytest.mark.parametrize(("kind", "rounds"), [("sqlite", 200), ("postgresql", 40)])
def test_no_acknowledged_observation_is_lost_when_it_is_killed(
    kind: str, rounds: int, tmp_path: Path, forks: Forks, request: pytest.FixtureRequest
) -> None:
    rng = random.Random(5)
    if kind == "sqlite":
        address = f"sqlite:///{tmp_path}/cases.sqlite"
    else:
        cluster: Cluster = request.getfixturevalue("postgres")
        address = cluster.new_database()
    database = Database(address)
    upgrade(database)
    total = in_flight = 0
    for number in range(rounds):
        base, child = forks.start(address)
        case = httpx.post(f"{base}/v1/cases", json=OPEN).json()["case"]["id"]
        acknowledged: list[list[str]] = [[] for _ in range(WRITERS)]
        threads = [
            threading.Thread(target=write_until_gone, args=(base, case, f"{number} {w}", acknowledged[w]))
            for w in range(WRITERS)
        ]
        for thread in threads:
            thread.start()
        until = time.monotonic() + 10
        while not any(acknowledged) and time.monotonic() < until:
            time.sleep(0.002)
        time.sleep(rng.uniform(0.0, 0.12))
        forks.kill(child)
        for thread in threads:
            thread.join()
        there = kept(database, case)
        said = {who for who in (who for _, who in there) if who is not None}
        promised = {who for whos in acknowledged for who in whos}
        assert promised <= said, f"round {number}: lost {promised - said}"
        assert [n for n, _ in there] == list(range(1, len(there) + 1)), "an entry was written in part"
        with database.reading() as session:
            entries, revision, answers = session.execute(
                text(
                    "SELECT entries, revision, (SELECT COUNT(*) FROM answer WHERE case_id = id) "
                    "FROM case_file WHERE id = :case"
                ),
                {"case": case},
            ).one()
        assert entries == revision == answers == len(there), "an entry without its answer, or the reverse"
        total += len(promised)
        in_flight += len(said - promised)
    if kind == "sqlite":
        with sqlite3.connect(tmp_path / "cases.sqlite") as connection:
            assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
    database.close()
    assert total > rounds, "too few writes for a kill to hit one"
    print(f"{kind}: {rounds} kills, {total} acknowledged, {in_flight} kept without a word")


def test_a_full_disk_loses_nothing_and_reading_goes_on(tmp_path: Path) -> None:
    """The limit on the size of files stands for the disk; lifting it is making room."""
    environment = {"PREPULL_DATABASE": f"sqlite:///{tmp_path}/cases.sqlite", "PREPULL_CHAINER": "compiled"}
    with (tmp_path / "log").open("wb") as log, running(environment, log=log) as (base, process):
        case = httpx.post(f"{base}/v1/cases", json=OPEN).json()["case"]["id"]
        resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (600_000, resource.RLIM_INFINITY))
        statuses = [add(base, case, n) for n in range(150)]
        assert set(statuses) == {201, 507}
        assert statuses[-1] == 507
        view = httpx.get(f"{base}/v1/cases/{case}")
        assert view.status_code == 200
        assert [e["who"] for e in view.json()["history"][1:]] == [
            str(n) for n, status in enumerate(statuses) if status == 201
        ]
        assert httpx.post(f"{base}/v1/triage", json=FACTS).status_code == 200
        resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY,) * 2)
        assert add(base, case, 999) == 201
    with sqlite3.connect(tmp_path / "cases.sqlite") as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        count = connection.execute("SELECT COUNT(*) FROM entry").fetchone()[0]
    assert count == statuses.count(201) + 2


def add(base: str, case: str, who: object, **headers: str) -> int:
    body = {"who": str(who), "note": "x" * 2000, "facts": {}}
    reply = httpx.post(f"{base}/v1/cases/{case}/observations", json=body, headers=headers, timeout=20)
    if reply.status_code >= 400:
        assert reply.json()["status"] == reply.status_code
    return reply.status_code


@contextlib.contextmanager
def small_disk(folder: Path, megabytes: int) -> Iterator[Path]:
    """Mount a disk of this size, where that is allowed."""
    folder.mkdir()
    size = f"size={megabytes}m"
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", size, "tmpfs", str(folder)], check=False)
    if done.returncode:
        pytest.skip("mounting a small disk is not allowed here")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=False)


def test_a_full_disk_of_postgresql_loses_nothing(postgres: Cluster, tmp_path: Path) -> None:
    with small_disk(postgres.folder.parent / "disk", 16) as disk:
        subprocess.run(["chown", "postgres", str(disk)], check=True)
        name = "on_a_small_disk"
        with psycopg.connect(postgres.address("postgres"), autocommit=True) as connection:
            connection.execute(f"CREATE TABLESPACE small LOCATION '{disk}'")
            connection.execute(f"CREATE DATABASE {name} TABLESPACE small")
        database = Database(postgres.address(name))
        upgrade(database)
        ballast = disk / "ballast"
        environment = {"PREPULL_DATABASE": postgres.address(name), "PREPULL_CHAINER": "compiled"}
        with (tmp_path / "log").open("wb") as log, running(environment, log=log) as (base, _):
            case = httpx.post(f"{base}/v1/cases", json=OPEN).json()["case"]["id"]
            with ballast.open("wb") as file, contextlib.suppress(OSError):
                while True:
                    file.write(b"x" * 8192)
                    file.flush()
            statuses = [add(base, case, n) for n in range(60)]
            assert set(statuses) == {201, 507}
            assert httpx.get(f"{base}/v1/cases/{case}").json()["entries"] == statuses.count(201) + 1
            assert httpx.post(f"{base}/v1/triage", json=FACTS).status_code == 200
            ballast.unlink()
            assert add(base, case, 999) == 201
        database.close()
        with psycopg.connect(postgres.address("postgres"), autocommit=True) as connection:
            connection.execute(f"DROP DATABASE {name} WITH (FORCE)")
            connection.execute("DROP TABLESPACE small")


def test_postgresql_stopped_and_started_under_load(postgres: Cluster, tmp_path: Path) -> None:
    database = Database(postgres.new_database())
    upgrade(database)
    environment = {"PREPULL_DATABASE": str(database.url).replace("+psycopg", ""), "PREPULL_LOG": "json"}
    with (tmp_path / "log").open("wb") as log, running(environment, log=log) as (base, process):
        case = httpx.post(f"{base}/v1/cases", json=OPEN).json()["case"]["id"]
        stop = threading.Event()
        results: list[tuple[str, list[int]]] = []

        def write(writer: int) -> None:
            n = 0
            while not stop.is_set() or n == 0:
                n += 1
                who = f"{writer} {n}"
                seen: list[int] = []
                while not seen or seen[-1] != 201:
                    seen.append(add(base, case, who, **{"idempotency-key": who.replace(" ", "-")}))
                    if seen[-1] != 201:
                        time.sleep(0.05)
                results.append((who, seen))

        threads = [threading.Thread(target=write, args=(w,)) for w in range(4)]
        for thread in threads:
            thread.start()
        time.sleep(1)
        postgres.stop("immediate")
        try:
            paths = (f"/v1/cases/{case}", "/v1/cases", f"/v1/cases/{case}/answer", "/readyz/database")
            down = [httpx.get(base + path, timeout=20) for path in paths]
            down.append(httpx.post(f"{base}/v1/cases", json=OPEN, timeout=20))
            triaged = httpx.post(f"{base}/v1/triage", json=FACTS)
            heard = httpx.post(f"{base}/v1/phrases", json={"text": "the tank bubbles"})
            ready = httpx.get(f"{base}/readyz", timeout=20)
        finally:
            postgres.start()
        for reply in down:
            assert reply.status_code == 503, reply.url
            assert reply.json()["type"] == "/v1/problems/database-down"
            assert int(reply.headers["retry-after"]) > 0
        assert (triaged.status_code, heard.status_code, ready.status_code) == (200, 200, 200)
        assert ready.json()["database"] == "down"
        time.sleep(1.5)
        stop.set()
        for thread in threads:
            thread.join()
        assert process.poll() is None
        assert httpx.get(f"{base}/readyz/database").status_code == 200
        history = httpx.get(f"{base}/v1/cases/{case}").json()["history"][1:]
        assert sorted(entry["who"] for entry in history) == sorted(who for who, _ in results), (
            "each once, whatever became of the first try"
        )
        assert any(503 in seen for _, seen in results), "no writer met the outage"
        assert {status for _, seen in results for status in seen} == {201, 503}
    database.close()
