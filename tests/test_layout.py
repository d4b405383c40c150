"""What may import what, and how large a module may grow."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
MODULES = sorted(
    path.relative_to(ROOT) for folder in ("engine", "api") for path in (ROOT / folder).rglob("*.py")
)
ENGINE = [path for path in MODULES if path.parts[0] == "engine"]
API = [path for path in MODULES if path.parts[0] == "api"]

MAX_LINES = 450
COMPUTES = {
    "engine.bounds",
    "engine.elimination",
    "engine.explanations",
    "engine.network",
    "engine.next_steps",
    "engine.posterior",
    "engine.verdict",
}
"""Modules that compute probabilities or what rests on them; `engine.triage` is the way to them."""


def imported(path: Path) -> Iterator[str]:
    """Yield the full name of every module, and of everything taken from a module, that a file imports."""
    package = path.with_suffix("").parts[:-1]
    for node in ast.walk(ast.parse((ROOT / path).read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else ()
            module = ".".join((*base, *(node.module or "").split("."))).strip(".")
            yield module
            yield from (f"{module}.{alias.name}" for alias in node.names)
        elif isinstance(node, ast.Call) and node.args and isinstance(node.args[0], ast.Constant):
            called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            if called in {"import_module", "__import__"}:
                yield str(node.args[0].value)


def within(name: str, package: str) -> bool:
    return name == package or name.startswith(f"{package}.")


def test_there_is_something_to_look_at() -> None:
    assert len(ENGINE) > 20
    assert len(API) > 5
    assert "engine.triage.Triage" in set(imported(Path("api/app.py")))


@pytest.mark.parametrize("path", ENGINE, ids=str)
def test_engine_imports_nothing_from_api(path: Path) -> None:
    assert [name for name in imported(path) if within(name, "api")] == []


@pytest.mark.parametrize("path", API, ids=str)
def test_api_computes_no_probability(path: Path) -> None:
    names = set(imported(path))
    assert [name for name in names if within(name, "numpy")] == []
    assert [name for name in names for module in COMPUTES if within(name, module)] == []
    assert {name.rsplit(".", 1)[-1] for name in names}.isdisjoint({"walk", "Reasoner", "Lookahead"})


@pytest.mark.parametrize("path", MODULES, ids=str)
def test_no_module_grows_too_large(path: Path) -> None:
    lines = (ROOT / path).read_text(encoding="utf-8").count("\n")
    assert lines <= MAX_LINES, f"{path} has {lines} lines, more than {MAX_LINES}: split it"
