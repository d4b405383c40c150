"""The verdict report and the watch list on paper (PDF), set by Typst.

What is set goes in as JSON, never as markup, and pictures under names of our own: nothing in it is read as a
command or as a path.
"""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path

import typst

from engine.inspection.report_parts import Report, WatchList

FOLDER = Path(__file__).parent
SHARED = "paper.typ"


def report_pdf(report: Report, photographs: Mapping[str, bytes]) -> bytes:
    """Return the report as PDF; `photographs` are JPEG by id."""
    files: dict[str, bytes] = {}
    pictures = []
    for number, photograph in enumerate(report.photographs):
        if photograph.id in photographs:
            name = f"picture{number}.jpg"
            files[name] = photographs[photograph.id]
            told = (photograph.caption, photograph.point)
            pictures.append({"file": name, "alt": " · ".join(part for part in told if part)})
    data = {
        "report": report.model_dump(mode="json"),
        "pictures": pictures,
        "made": report.made.strftime("%Y-%m-%d %H:%M UTC"),
    }
    return _set("report.typ", data, files)


def watch_list_pdf(watch_list: WatchList, reference: str | None) -> bytes:
    """Return the watch list as PDF."""
    return _set("watch_list.typ", {"list": watch_list.model_dump(mode="json"), "reference": reference}, {})


def _set(name: str, data: Mapping[str, object], files: Mapping[str, bytes]) -> bytes:
    """Return what the template makes of the data; both are copied into a folder that holds nothing else."""
    with tempfile.TemporaryDirectory(prefix="prepull-paper-") as held:
        folder = Path(held)
        for template in (name, SHARED):
            shutil.copyfile(FOLDER / template, folder / template)
        (folder / "data.json").write_text(json.dumps(data), encoding="utf-8")
        for file, content in files.items():
            (folder / file).write_bytes(content)
        made = typst.compile(folder / name, root=folder)
    assert isinstance(made, bytes)
    return made
