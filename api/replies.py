"""Replies to what changes a case, as they are sent and remembered."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime

from pydantic import BaseModel

from api.case_models import etag_at
from api.clock import written
from api.storage.case_store import Reply
from api.storage.tables import CaseRow


def reply_with(status: int, case: CaseRow, parts: Mapping[str, object]) -> Reply:
    """Return a reply that holds these parts, with the ETag of the case."""
    headers = {"etag": etag_at(case.revision), "location": f"/v1/cases/{case.id}"}
    return Reply(status, headers, as_object(parts))


def as_object(parts: Mapping[str, object]) -> bytes:
    """Return a JSON object; bytes are JSON already and go in as they are."""
    return b"{" + b",".join(json.dumps(k).encode() + b":" + _json(v) for k, v in parts.items()) + b"}"


def _json(value: object) -> bytes:
    if isinstance(value, bytes):
        return value
    if isinstance(value, BaseModel):
        return value.model_dump_json(exclude_none=True).encode()
    if isinstance(value, list):
        return b"[" + b",".join(_json(item) for item in value) + b"]"
    if isinstance(value, datetime):
        return json.dumps(written(value)).encode()
    return json.dumps(value).encode()
