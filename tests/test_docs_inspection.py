"""The whole case of docs/inspection.md runs; `python -m tests.test_docs_inspection` writes its output."""

from __future__ import annotations

import re
import shutil
import subprocess
import tempfile
from pathlib import Path

import pypdfium2
import pytest

from tests.api.serving import served

PAGE = Path(__file__).parents[1] / "docs" / "inspection.md"
BLOCK = re.compile(r"```(?P<kind>sh|text) whole-case\n(?P<text>.*?)```", re.DOTALL)


def parts() -> dict[str, str]:
    return {found["kind"]: found["text"] for found in BLOCK.finditer(PAGE.read_text(encoding="utf-8"))}


def run(folder: Path) -> str:
    """Run the script against a server of its own; what it downloads lands in `folder`."""
    with served() as base:
        script = parts()["sh"].replace("http://127.0.0.1:8000", base)
        done = subprocess.run(
            ["sh", "-c", script], cwd=folder, capture_output=True, text=True, timeout=120, check=False
        )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.mark.skipif(shutil.which("curl") is None, reason="no curl on this machine")
def test_the_whole_case_goes_as_the_page_says(tmp_path: Path) -> None:
    printed = run(tmp_path)
    assert printed == parts()["text"]
    paper = pypdfium2.PdfDocument(tmp_path / "report.pdf")
    owner, sheet = (paper[i].get_textpage().get_text_range() for i in (0, 1))
    assert "Your car can be run at full load" in owner
    assert "Technical sheet" in sheet
    assert "Upper hose is getting soft" in "".join(
        paper[i].get_textpage().get_text_range() for i in range(len(paper))
    )
    assert (tmp_path / "watch-list.pdf").read_bytes().startswith(b"%PDF-")


def write() -> None:
    """Put what the script prints now into the page."""
    with tempfile.TemporaryDirectory() as folder:
        printed = run(Path(folder))
    text = PAGE.read_text(encoding="utf-8")
    new = BLOCK.sub(lambda m: m[0] if m["kind"] == "sh" else f"```text whole-case\n{printed}```", text)
    PAGE.write_text(new, encoding="utf-8")


if __name__ == "__main__":
    write()
