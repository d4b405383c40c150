"""A real server on loopback for the tests."""

from __future__ import annotations

import contextlib
import os
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import IO

import httpx
import uvicorn
from fastapi import FastAPI

ROOT = Path(__file__).parents[2]


def free_port() -> int:
    """Return a port that nothing listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def wait_until_up(base: str, seconds: float = 90.0, process: subprocess.Popen[bytes] | None = None) -> None:
    """Wait until the server answers."""
    end = time.monotonic() + seconds
    while time.monotonic() < end and (process is None or process.poll() is None):
        with contextlib.suppress(httpx.TransportError):
            if httpx.get(f"{base}/healthz").status_code == 200:
                return
        time.sleep(0.05)
    raise TimeoutError(base)


@contextlib.contextmanager
def served(*options: str, environment: dict[str, str] | None = None) -> Iterator[str]:
    """Run `prepull serve` in a process of its own; yields its base address."""
    with tempfile.TemporaryDirectory() as folder:
        own = {"PREPULL_DATABASE": f"sqlite:///{folder}/cases.sqlite", "PREPULL_LOG": "json"}
        with running({**own, **(environment or {})}, *options) as (base, process):
            yield base
            assert process.poll() is None, "the server died"


@contextlib.contextmanager
def running(
    environment: dict[str, str], *options: str, log: IO[bytes] | None = None
) -> Iterator[tuple[str, subprocess.Popen[bytes]]]:
    """Run `prepull serve` in a process of its own; yields its base address and the process."""
    port = free_port()
    base = f"http://127.0.0.1:{port}"
    command = [sys.executable, "-m", "api.command", "serve", "--port", str(port), *options]
    process = subprocess.Popen(command, cwd=ROOT, env={**os.environ, **environment}, stderr=log)
    try:
        wait_until_up(base, process=process)
        yield base, process
    finally:
        if process.poll() is None:
            process.terminate()
        process.wait(45)


@contextlib.contextmanager
def served_app(app: FastAPI) -> Iterator[str]:
    """Serve an application that the test built, by uvicorn in a thread; yields its base address."""
    port = free_port()
    server = uvicorn.Server(uvicorn.Config(app, host="127.0.0.1", port=port, log_level="critical"))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    try:
        wait_until_up(f"http://127.0.0.1:{port}")
        yield f"http://127.0.0.1:{port}"
    finally:
        server.should_exit = True
        thread.join(15)
