"""The README's case answers as the README says. `python -m tests.test_readme` writes the answer anew."""

from __future__ import annotations

import json
import math
import re
import subprocess
from pathlib import Path

import httpx
import pytest

from tests.api.serving import served

README = Path(__file__).parents[1] / "README.md"
CASE = re.compile(r"(readme-case.*?```sh\n)(?P<curl>.*?)(\n```\n\n```json\n)(?P<answer>.*?)(```)", re.DOTALL)


def readme_case() -> re.Match[str]:
    match = CASE.search(README.read_text(encoding="utf-8"))
    assert match is not None
    return match


def run_curl(base: str) -> object:
    """Run the README's command as it stands, against a server on another port."""
    command = readme_case()["curl"].replace("http://127.0.0.1:8000", base)
    done = subprocess.run(["sh", "-c", command], capture_output=True, text=True, check=True, timeout=30)
    return json.loads(done.stdout)


def same(one: object, other: object) -> bool:
    """Equal, numbers to nine digits: the last digits depend on the machine."""
    if isinstance(one, float) and isinstance(other, float):
        return math.isclose(one, other, rel_tol=1e-9, abs_tol=1e-12)
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(same(one[key], other[key]) for key in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(same, one, other))
    return one == other


def test_the_case_answers_as_the_readme_says(server: str) -> None:
    curl = subprocess.run(["sh", "-c", "command -v curl"], capture_output=True, check=False)
    if curl.returncode:
        pytest.skip("no curl on this machine")
    assert same(run_curl(server), json.loads(readme_case()["answer"]))


def test_the_case_is_what_the_readme_promises(server: str) -> None:
    told = json.loads(readme_case()["answer"])
    assert told["verdict"]["verdict"] == "mend_first"
    assert told["causes"][0]["id"] == "purge_valve_passes_boost"
    assert told["next_tests"][0]["id"] == "purge_line_blow_test"
    assert told["kb"]["revision"] == httpx.get(f"{server}/v1/kb").json()["kb"]["revision"]


def write() -> None:
    """Put the answer of the knowledge base as it is now into the README."""
    with served() as base:
        answer = json.dumps(run_curl(base), indent=2, ensure_ascii=False)
    text = README.read_text(encoding="utf-8")
    README.write_text(CASE.sub(lambda m: f"{m[1]}{m['curl']}{m[3]}{answer}\n{m[5]}", text), encoding="utf-8")


if __name__ == "__main__":
    write()
