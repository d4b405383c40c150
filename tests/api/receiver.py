"""A receiver of webhooks on loopback: keeps what comes, and answers as it is told to."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any


@dataclass
class Received:
    path: str
    headers: dict[str, str]
    body: bytes


@dataclass
class Receiver:
    """`answers` are the statuses of the next calls; when they are used up, `usual` is."""

    port: int
    calls: list[Received] = field(default_factory=list)
    answers: list[int] = field(default_factory=list)
    usual: int = 204
    location: str | None = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}/hook?shop=1"


@contextlib.contextmanager
def receiver() -> Iterator[Receiver]:
    lock = threading.Lock()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["content-length"]))
            with lock:
                headers = {name.lower(): value for name, value in self.headers.items()}
                made.calls.append(Received(self.path, headers, body))
                status = made.answers.pop(0) if made.answers else made.usual
            self.send_response(status)
            if made.location:
                self.send_header("location", made.location)
            self.send_header("content-length", "0")
            self.end_headers()

        def log_message(self, *_: Any) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    made = Receiver(server.server_port)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield made
    finally:
        server.shutdown()
        thread.join(10)
