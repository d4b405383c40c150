"""Loaded by schemathesis: how lines of JSON are sent."""

from __future__ import annotations

from typing import Any

import schemathesis


@schemathesis.serializer("application/x-ndjson")
def ndjson(ctx: Any, value: Any) -> bytes:
    return value.encode("utf-8", "replace") if isinstance(value, str) else str(value).encode()
