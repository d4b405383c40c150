"""What an operator sees of each call: a line in the log, and numbers at /metrics. Never a body."""

from __future__ import annotations

import logging
import re
import time
import uuid

import structlog
from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram
from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

log = logging.getLogger("prepull.calls")

HEADER = "x-request-id"
USABLE_ID = re.compile(r"[A-Za-z0-9._-]{1,64}")
PRIVATE = ("/v1/cases", "/v1/decisions", "/v1/webhooks", "/v1/session")
"""What no cache between service and caller may keep."""

QUIET = {"/healthz", "/readyz", "/readyz/database", "/metrics"}


class Metrics:
    """The numbers of one process."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        self.seconds = Histogram(
            "prepull_request_seconds",
            "How long calls took, by route, method and status.",
            ["route", "method", "status"],
            buckets=(0.002, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 10),
            registry=self.registry,
        )
        self.verdicts = Counter(
            "prepull_verdicts", "Verdicts given, by verdict.", ["verdict"], registry=self.registry
        )
        self.chainer_errors = Counter(
            "prepull_chainer_errors", "Answers not given because the rules failed.", registry=self.registry
        )
        self.deliveries = Counter(
            "prepull_delivery_tries", "Tries to tell a webhook, by what came of it.", ["state"],
            registry=self.registry,
        )  # fmt: skip
        self.kb = Gauge(
            "prepull_kb_info", "1, labelled with the knowledge base that answers.", ["version", "revision"],
            registry=self.registry,
        )  # fmt: skip
        self.database_up = Gauge(
            "prepull_database_up", "1 if the database answered when last asked.", registry=self.registry
        )


def route_of(scope: Scope) -> str:
    """Return the pattern of the route that was taken, so that ids make no new series."""
    return getattr(scope.get("route"), "path", None) or "none"


class Observing:
    """ASGI middleware: gives each request an id, a line in the log, and its place in the metrics."""

    def __init__(self, app: ASGIApp, metrics: Metrics) -> None:
        self.app = app
        self.metrics = metrics

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on and look at what comes of it."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        sent = dict(scope["headers"]).get(HEADER.encode(), b"").decode("latin-1")
        request_id = sent if USABLE_ID.fullmatch(sent) else uuid.uuid4().hex
        status = 0
        began = time.perf_counter()

        async def watched(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                headers = MutableHeaders(scope=message)
                headers[HEADER] = request_id
                headers.setdefault("x-content-type-options", "nosniff")
                if scope["path"].startswith(PRIVATE):
                    headers.setdefault("cache-control", "no-store")
            await send(message)

        with structlog.contextvars.bound_contextvars(request_id=request_id):
            try:
                await self.app(scope, receive, watched)
            finally:
                seconds = time.perf_counter() - began
                route = route_of(scope)
                self.metrics.seconds.labels(route, scope["method"], str(status or 500)).observe(seconds)
                if scope["path"] not in QUIET or status >= 400:
                    caller = scope.get("state", {}).get("caller")
                    log.info(
                        "call",
                        extra={
                            "method": scope["method"],
                            "route": route,
                            "path": scope["path"][:200],
                            "status": status or 500,
                            "ms": round(seconds * 1000, 1),
                            "key": getattr(caller, "key_id", None),
                        },
                    )
