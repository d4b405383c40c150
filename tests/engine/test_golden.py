"""Golden cases: what a technician would answer, against what the engine answers."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from engine.case import TriageRequest
from engine.triage import Triage
from engine.yaml_reader import read_yaml

FOLDER = Path(__file__).parents[1] / "golden"


def cases() -> dict[str, dict[str, Any]]:
    found: dict[str, dict[str, Any]] = {}
    for path in sorted(FOLDER.glob("*.yaml")):
        document = read_yaml(path.read_text(encoding="utf-8"), path.name)
        assert not document.problems, document.problems
        assert isinstance(document.value, dict)
        for name, case in document.value.items():
            assert name not in found, f"two cases are called {name}"
            assert isinstance(case, dict)
            found[name] = {**case, "file": path.name}
    return found


CASES = cases()
FIRST = [name for name, case in CASES.items() if case["file"] == "first_cases.yaml"]


@pytest.mark.parametrize("name", FIRST)
def test_golden_case(name: str, triage: Triage) -> None:
    case = CASES[name]
    answer = triage.answer(TriageRequest.model_validate(case["case"]))
    assert answer.causes is not None
    assert answer.next_questions is not None
    assert answer.next_tests is not None
    ranked = [cause.id for cause in answer.causes]
    assert ranked[0] in case["first"], ranked[:4]
    assert answer.verdict.verdict in case["verdict"]
    offered = [q.finding for q in answer.next_questions] + [t.id for t in answer.next_tests]
    assert set(offered) & set(case["next"]), offered
    if case.get("hold"):
        assert answer.holds


@pytest.mark.parametrize("name", CASES)
def test_golden_case_speaks_of_what_the_knowledge_base_has(name: str, triage: Triage) -> None:
    source, case = triage.knowledge.source, CASES[name]
    assert set(case) >= {"kind", "note", "case", "truth", "first", "verdict", "next"}
    for cause in case["truth"] + case["first"]:
        assert cause in source.causes, cause
    for step in case["next"]:
        assert step in source.findings or step in source.tests, step


@pytest.mark.parametrize("name", FIRST)
def test_golden_case_does_not_hang_on_one_number(name: str, triage: Triage) -> None:
    """What may stand first leads what may not by a clear margin, not by a hair."""
    case = CASES[name]
    answer = triage.answer(TriageRequest.model_validate(case["case"]))
    assert answer.causes is not None
    first = max(c.probability for c in answer.causes if c.id in case["first"])
    others = max(
        (c.probability for c in answer.causes if c.id not in case["first"] + case["truth"]), default=0.0
    )
    assert first > 1.2 * others, (first, others)
