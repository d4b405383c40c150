"""Time as it is kept and told: whole microseconds UTC since 1970."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def now_us() -> int:
    """Return microseconds since 1970, UTC."""
    return time.time_ns() // 1000


def moment(microseconds: int) -> datetime:
    """Return the time that many microseconds after 1970, UTC, without rounding."""
    return EPOCH + timedelta(microseconds=microseconds)


def microseconds(time: datetime) -> int:
    """Return how many microseconds after 1970 a time is, without rounding."""
    return (time - EPOCH) // timedelta(microseconds=1)


def written(time: datetime) -> str:
    """Return a time as JSON has it everywhere here, by RFC 3339 with a Z."""
    return time.isoformat().replace("+00:00", "Z")
