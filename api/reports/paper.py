"""The verdict report and the watch list on paper (PDF), set by Typst.

What is set goes in as JSON, never as markup: nothing in it is read as a command.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping
from pathlib import Path

import typst

from engine.inspection.report_parts import Report, WatchList

FOLDER = Path(__file__).parent


def report_pdf(report: Report, photographs: Mapping[str, bytes]) -> bytes:
    """Return the report as PDF; `photographs` are JPEG by id."""
    pictures = {name: base64.b64encode(content).decode() for name, content in photographs.items()}
    return _set("report.typ", {"report": report.model_dump(mode="json"), "pictures": pictures})


def watch_list_pdf(watch_list: WatchList, reference: str | None) -> bytes:
    """Return the watch list as PDF."""
    return _set("watch_list.typ", {"list": watch_list.model_dump(mode="json"), "reference": reference})


def _set(name: str, data: Mapping[str, object]) -> bytes:
    made = typst.compile(FOLDER / name, root=FOLDER, sys_inputs={"data": json.dumps(data)})
    assert isinstance(made, bytes)
    return made
