"""`make load`: one worker under load, with SQLite and with PostgreSQL.

Prints requests per second and the 50th and 99th percentile for a triage, a write to a case and the reading of
its answer, each from several callers at once over kept connections. The callers run in processes of their
own, on the same machine, so on two cores they take away from the service what they need themselves.
"""

from __future__ import annotations

import multiprocessing
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from typing import Any

import httpx
import numpy as np

from api.storage.database import Database
from api.storage.migrate import upgrade
from tests.api.serving import running
from tests.storage.postgres import cluster, programs

CALLERS = 4
SECONDS = 6.0
TRIAGE: dict[str, Any] = {
    "vehicle": {"induction": "turbocharged", "evap_system": "fitted"},
    "findings": [
        {"id": "tank_bubbles_under_boost", "state": "present"},
        {"id": "fuel_smell_after_boost", "state": "present"},
        {"id": "fuel_leak_seen", "state": "absent"},
    ],
}
ADDED = {"facts": {"findings": [{"id": "fuel_leak_seen", "state": "absent"}]}}
Call = Callable[[httpx.Client, int], httpx.Response]


def triage(client: httpx.Client, n: int) -> httpx.Response:
    return client.post("/v1/triage", json=TRIAGE)


def triage_causes(client: httpx.Client, n: int) -> httpx.Response:
    return client.post("/v1/triage", params={"parts": "causes"}, json=TRIAGE)


def case_write(client: httpx.Client, n: int) -> httpx.Response:
    """Add to a case of the caller's own, and open a new one after ten entries, as a real case would end."""
    case = client.headers.get("x-case")
    if case is None or n % 10 == 0:
        opened = client.post("/v1/cases", json={"observation": {"facts": TRIAGE}})
        client.headers["x-case"] = opened.json()["case"]["id"]
        return opened
    return client.post(f"/v1/cases/{case}/observations", json=ADDED)


def case_read(client: httpx.Client, n: int) -> httpx.Response:
    if "x-case" not in client.headers:
        opened = client.post("/v1/cases", json={"observation": {"facts": TRIAGE}})
        client.headers["x-case"] = opened.json()["case"]["id"]
    return client.get(f"/v1/cases/{client.headers['x-case']}/answer")


CALLS: dict[str, Call] = {
    "triage, whole": triage,
    "triage, causes": triage_causes,
    "case write": case_write,
    "case read": case_read,
}


def caller(base: str, name: str, results: multiprocessing.Queue[list[float]]) -> None:
    call, taken, n = CALLS[name], [], 0
    with httpx.Client(base_url=base, timeout=30) as client:
        end = time.perf_counter() + SECONDS
        while time.perf_counter() < end:
            began = time.perf_counter()
            response = call(client, n)
            taken.append(time.perf_counter() - began)
            assert response.status_code < 300, response.text
            n += 1
    results.put(taken)


def measure(base: str, name: str) -> tuple[float, float, float]:
    results: multiprocessing.Queue[list[float]] = multiprocessing.Queue()
    processes = [multiprocessing.Process(target=caller, args=(base, name, results)) for _ in range(CALLERS)]
    for process in processes:
        process.start()
    taken = np.concatenate([np.array(results.get(timeout=SECONDS + 60)) for _ in processes])
    for process in processes:
        process.join()
    p50, p99 = (float(np.percentile(taken, q)) * 1000 for q in (50, 99))
    return len(taken) / SECONDS, p50, p99


def databases(stack: ExitStack) -> Iterator[tuple[str, str]]:
    folder = stack.enter_context(tempfile.TemporaryDirectory())
    yield "SQLite", f"sqlite:///{folder}/cases.sqlite"
    server = programs()
    if server is None:
        print("no PostgreSQL server on this machine")
        return
    yield "PostgreSQL", stack.enter_context(cluster(server)).new_database()


def main() -> None:
    print(f"one worker, {CALLERS} callers, {SECONDS:.0f} s each")
    print(f"{'database':<12}{'call':<18}{'requests/s':>11}{'p50 ms':>9}{'p99 ms':>9}")
    with ExitStack() as stack:
        for label, address in databases(stack):
            database = Database(address)
            upgrade(database)
            database.close()
            environment = {"PREPULL_DATABASE": address, "PREPULL_LOG": "json"}
            log = stack.enter_context(tempfile.TemporaryFile())
            with running(environment, log=log) as (base, _):
                for name in CALLS:
                    rate, p50, p99 = measure(base, name)
                    print(f"{label:<12}{name:<18}{rate:>11.1f}{p50:>9.1f}{p99:>9.1f}", flush=True)


if __name__ == "__main__":
    main()
