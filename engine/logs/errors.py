"""Why a file cannot be read as a log."""

from __future__ import annotations

from typing import Literal

from engine.errors import PrepullError

LogErrorCode = Literal[
    "empty",
    "too_large",
    "archive",
    "not_a_log",
    "damaged",
    "no_header",
    "no_time",
    "time_stands_still",
    "time_jumps",
    "no_known_channel",
    "too_short",
    "too_many_columns",
    "line_too_long",
    "format_not_read",
]


class LogError(PrepullError):
    """A file that cannot be read as a log; `accepted` says what would be."""

    def __init__(self, code: LogErrorCode, message: str, accepted: tuple[str, ...] = ()) -> None:
        self.code = code
        self.accepted = accepted
        hint = f" (accepted: {'; '.join(accepted)})" if accepted else ""
        super().__init__(f"{message}{hint}")


WANTED = (
    "text with a line of column names and columns of numbers, one of them the time",
    "an ASAM MDF4 file",
)
"""What is taken as a log, in words."""
