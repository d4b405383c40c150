"""How the service writes its log: a line of JSON an event, or text for people at a terminal."""

from __future__ import annotations

import logging
import sys
from typing import Literal

import structlog

LogForm = Literal["auto", "text", "json"]
CALL_FIELDS = ("method", "route", "path", "status", "ms", "key")
LOG_FORMS: tuple[LogForm, ...] = ("auto", "text", "json")


def set_up(form: LogForm) -> None:
    """Send everything that is logged to standard error, in one form; `auto` is text at a terminal."""
    text = form == "text" or (form == "auto" and sys.stderr.isatty())
    shared: list[structlog.typing.Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.stdlib.add_logger_name,
        structlog.stdlib.add_log_level,
        structlog.stdlib.ExtraAdder(allow=CALL_FIELDS),
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.processors.format_exc_info,
    ]
    last: list[structlog.typing.Processor] = [structlog.stdlib.ProcessorFormatter.remove_processors_meta]
    if text:
        last.append(structlog.dev.ConsoleRenderer(colors=sys.stderr.isatty()))
    else:
        last.append(structlog.processors.JSONRenderer())
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(structlog.stdlib.ProcessorFormatter(foreign_pre_chain=shared, processors=last))
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.WARNING)
    for name in ("prepull", "uvicorn"):
        logging.getLogger(name).setLevel(logging.INFO)
