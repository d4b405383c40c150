"""Throughput of POST /v1/triage on one worker as a share of a no-op route.

The no-op route stands in the same application under the same server. It parses the same request body into
the same model and returns a ready answer of the same case through the same response code, so it costs what
HTTP, JSON and validation cost. Both are asked in turns, from another process over loopback, keep-alive on.
"""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
import time
from pathlib import Path

import httpx
import uvicorn
import yaml
from fastapi import FastAPI, Request, Response

from api.app import create_app
from api.settings import Settings
from api.triage_routes import answer_response, parse_parts
from engine.case import TriageRequest
from engine.triage import Options
from tests.api.serving import free_port, wait_until_up

GOLDEN = Path(__file__).parents[1] / "golden" / "first_cases.yaml"
ROUNDS = 5
REQUESTS = 120


def bodies() -> list[dict[str, object]]:
    """Return the facts of the first golden cases."""
    return [case["case"] for case in yaml.safe_load(GOLDEN.read_text()).values()]


def app(chainer: str) -> FastAPI:
    """Return the application with the no-op route beside the real one."""
    service = create_app(Settings(chainer=chainer))  # type: ignore[arg-type]
    ready = {}
    for parts in (None, "causes"):
        for body in bodies():
            request = TriageRequest.model_validate(body)
            answer = service.state.triage.answer(request, Options(parse_parts(parts)))
            ready[parts, request.model_dump_json()] = answer

    @service.post("/noop")
    async def noop(request: Request, body: TriageRequest, parts: str | None = None) -> Response:
        return answer_response(ready[parts, body.model_dump_json()])

    return service


def rate(client: httpx.Client, path: str, sent: list[bytes]) -> float:
    """Return requests per second over one round."""
    start = time.perf_counter()
    for i in range(REQUESTS):
        response = client.post(
            path, content=sent[i % len(sent)], headers={"content-type": "application/json"}
        )
        assert response.status_code == 200, response.text
    return REQUESTS / (time.perf_counter() - start)


def run() -> None:
    """Print requests per second and shares for both chainers."""
    sent = [json.dumps(body).encode() for body in bodies()]
    print(
        f"\nPOST /v1/triage on one worker, {len(sent)} golden cases, requests/s and share of the no-op route"
    )
    print(f"{'chainer':>9} {'parts':>7} {'no-op/s':>9} {'triage/s':>9} {'share':>7} {'answer kB':>10}")
    for chainer in ("durable", "compiled"):
        port = free_port()
        base = f"http://127.0.0.1:{port}"
        process = subprocess.Popen([sys.executable, "-m", "tests.bench.triage_bench", chainer, str(port)])
        try:
            wait_until_up(base)
            with httpx.Client(base_url=base) as client:
                for parts in ("all", "causes"):
                    query = "" if parts == "all" else "?parts=causes"
                    rate(client, f"/v1/triage{query}", sent)
                    noop, real = [], []
                    for _ in range(ROUNDS):
                        noop.append(rate(client, f"/noop{query}", sent))
                        real.append(rate(client, f"/v1/triage{query}", sent))
                    size = len(client.post(f"/v1/triage{query}", json=json.loads(sent[0])).content) / 1e3
                    a, b = statistics.median(noop), statistics.median(real)
                    print(
                        f"{chainer:>9} {parts:>7} {a:>9.0f} {b:>9.0f} {b / a:>7.2f} {size:>10.1f}", flush=True
                    )
        finally:
            process.terminate()
            process.wait(15)


if __name__ == "__main__":
    if len(sys.argv) == 3:
        uvicorn.run(app(sys.argv[1]), host="127.0.0.1", port=int(sys.argv[2]), log_level="warning")
    else:
        run()
