"""The verdict report and the watch list as pages: one file each, without a script."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping
from itertools import groupby
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from engine.inspection.report_parts import Report, WatchList

FOLDER = Path(__file__).parent
STYLE = (FOLDER / "report.css").read_text(encoding="utf-8")
POLICY = (
    "default-src 'none'; img-src data:; style-src 'sha256-"
    + base64.b64encode(hashlib.sha256(STYLE.encode()).digest()).decode()
    + "'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)

_pages = Environment(loader=FileSystemLoader(FOLDER), autoescape=True, undefined=StrictUndefined)


def report_html(report: Report, photographs: Mapping[str, bytes]) -> str:
    """Return the report as one page; `photographs` are JPEG by id."""
    pictures = {name: _data("image/jpeg", content) for name, content in photographs.items()}
    plots = [_data("image/svg+xml", reading.plot.encode()) for reading in report.sheet.readings]
    stages = [(stage, list(points)) for stage, points in groupby(report.sheet.seen, lambda seen: seen.stage)]
    return _pages.get_template("report.html").render(
        report=report, pictures=pictures, plots=plots, stages=stages, style=Markup(STYLE)
    )


def watch_list_html(watch_list: WatchList, reference: str | None) -> str:
    """Return the watch list as one page."""
    return _pages.get_template("watch_list.html").render(
        watch_list=watch_list, reference=reference, style=Markup(STYLE)
    )


def _data(media: str, content: bytes) -> str:
    return f"data:{media};base64,{base64.b64encode(content).decode()}"
