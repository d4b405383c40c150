"""What docs/ says is true: nothing real is missing from it, its links lead somewhere, its examples run."""

from __future__ import annotations

import ast
import contextlib
import io
import json
import re
import shutil
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

import click
import httpx
import numpy as np
import pytest
from pydantic import BaseModel

from api import problems
from api.app import create_app
from api.command import main
from api.shell import EXIT_DANGEROUS, EXIT_INPUT, EXIT_KB, EXIT_SERVICE, EXIT_VERDICT
from engine import model as m
from engine.answer import PART_NAMES, TriageAnswer
from engine.case import TriageRequest
from engine.checking import check
from engine.facts import read_facts
from engine.golden import CaseEntry, read_golden
from engine.kinds import KINDS, SINGLE_FILES
from engine.knowledge import Knowledge
from engine.loading import load_source
from engine.network import Network
from engine.posterior import Evidence, Reasoner
from engine.triage import Triage
from engine.verdict import VERDICTS
from engine.yaml_reader import read_yaml

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"
PAGES = {path.name: path.read_text(encoding="utf-8") for path in sorted(DOCS.glob("*.md"))}
FENCE = re.compile(r"^```(?P<info>[^\n]*)\n(?P<text>.*?)^```$", re.MULTILINE | re.DOTALL)
PLACEHOLDER = "http://127.0.0.1:8000"

KIND_PLACES: dict[str, type[m.Entry]] = {
    **{f"kb/{kind}/": model for kind, model in KINDS.items()},
    **{f"kb/{name}": model for name, model in SINGLE_FILES.items()},
    "kb/kb.yaml": m.Manifest,
}
CONDITIONS = (m.FindingIs, m.VehicleIs, m.Measured, m.AllOf, m.AnyOf, m.Comparison)


def blocks(page: str, info: str) -> list[str]:
    """Return the fenced blocks of a page that carry exactly this info string."""
    return [found["text"] for found in FENCE.finditer(PAGES[page]) if found["info"] == info]


def blocks_anywhere(info: str) -> list[tuple[str, str]]:
    return [(page, text) for page in PAGES for text in blocks(page, info)]


def prose(page: str) -> str:
    return FENCE.sub("", PAGES[page])


def code_words(text: str) -> set[str]:
    """Return everything that stands between backticks."""
    return set(re.findall(r"`([^`\n]+)`", text))


def named_anywhere(name: str) -> bool:
    """Whether some page has `name` as a word of its own in backticks or in a block."""
    word = re.compile(rf"(?<![\w-]){re.escape(name)}(?![\w-])")
    return any(
        word.search(text)
        for page in PAGES
        for text in (*code_words(prose(page)), *(found["text"] for found in FENCE.finditer(PAGES[page])))
    )


def sections(page: str) -> dict[str, str]:
    """Return the text below each heading of a page, by the heading."""
    parts = re.split(r"^#+ (.+)$", FENCE.sub("", PAGES[page]), flags=re.MULTILINE)
    return dict(zip(parts[1::2], parts[2::2], strict=True))


def models_in(annotation: object) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from models_in(part)


def with_parts(model: type[BaseModel], skip: tuple[type[BaseModel], ...] = ()) -> list[type[BaseModel]]:
    """Return a model and all models that its fields hold, each once."""
    found = [model]
    for here in found:
        for field in here.model_fields.values():
            found += [part for part in models_in(field.annotation) if part not in (*found, *skip)]
    return list(dict.fromkeys(found))


def field_names(model: type[BaseModel]) -> list[str]:
    return [field.alias or name for name, field in model.model_fields.items()]


def choices_in(annotation: object) -> Iterator[str]:
    origin = get_origin(annotation)
    if origin is Literal:
        yield from (choice for choice in get_args(annotation) if isinstance(choice, str))
    elif origin in (Annotated, Union, UnionType, tuple, list, dict):
        for part in get_args(annotation):
            yield from choices_in(part)


# What is real stands in docs/ ------------------------------------------------------------------------------


def commands(group: click.Command, path: str) -> Iterator[tuple[str, click.Command]]:
    yield path, group
    if isinstance(group, click.Group):
        for name, command in group.commands.items():
            yield from commands(command, f"{path} {name}")


COMMANDS = dict(commands(main, "prepull"))


@pytest.mark.parametrize("path", [p for p, c in COMMANDS.items() if not isinstance(c, click.Group)])
def test_every_command(path: str) -> None:
    assert any(path in word for word in code_words(prose("script.md"))), path


@pytest.mark.parametrize("path", COMMANDS)
def test_every_option(path: str) -> None:
    for parameter in COMMANDS[path].params:
        for option in (*parameter.opts, *parameter.secondary_opts):
            if option.startswith("-"):
                assert named_anywhere(option), f"{path} {option}"


def test_every_exit_code() -> None:
    table = sections("script.md")["Exit codes"]
    for code in {EXIT_DANGEROUS, EXIT_INPUT, EXIT_KB, EXIT_SERVICE, *EXIT_VERDICT.values()}:
        assert f"| {code} |" in table


def test_a_taken_port_leaves_with_the_code_that_operate_tells() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        command = [sys.executable, "-m", "api.command", "serve", "--port", str(taken.getsockname()[1])]
        done = subprocess.run(command, cwd=ROOT, capture_output=True, timeout=60, check=False)
    assert "with 6 when it cannot be started" in PAGES["operate.md"]
    assert done.returncode == EXIT_SERVICE, "3 would be read as mend_first"


def test_every_route(triage: Triage) -> None:
    for path, operations in create_app(triage=triage).openapi()["paths"].items():
        for method in operations:
            assert f"`{method.upper()} {path}`" in prose("integrate.md"), path
    assert "/openapi.json" in prose("integrate.md")


def test_every_setting() -> None:
    read = {
        name
        for folder in ("api", "engine")
        for path in (ROOT / folder).rglob("*.py")
        for name in re.findall(r"PREPULL_[A-Z_]+", path.read_text(encoding="utf-8"))
    }
    assert read
    for name in read:
        assert f"`{name}`" in prose("operate.md"), name


@pytest.mark.parametrize("place", KIND_PLACES)
def test_every_entry_kind_and_field(place: str) -> None:
    found = [text for heading, text in sections("authoring.md").items() if f"`{place}`" in heading]
    assert len(found) == 1, f"authoring.md needs one section on {place}"
    words = code_words(found[0])
    for model in with_parts(KIND_PLACES[place], skip=CONDITIONS):
        for name in field_names(model):
            assert name in words, f"{place}: {model.__name__}.{name}"


def test_every_condition() -> None:
    text = sections("authoring.md")["How rules match"]
    words = set(re.findall(r"\w+", " ".join(code_words(text))))
    for model in CONDITIONS:
        for name in field_names(model):
            assert name in words, f"{model.__name__}.{name}"


def test_every_choice_of_an_author() -> None:
    words = code_words(prose("authoring.md"))
    models = {part for model in KIND_PLACES.values() for part in with_parts(model)}
    for model in models:
        for field in model.model_fields.values():
            for choice in choices_in(field.annotation):
                assert choice in words, f"{model.__name__}: {choice}"
    assert words.issuperset(m.SYSTEMS)


def test_every_verdict() -> None:
    for verdict in VERDICTS:
        assert f"| `{verdict}` |" in prose("why.md"), verdict
        assert f"`{verdict}`" in prose("integrate.md"), verdict


def test_every_problem_kind() -> None:
    for kind, (status, title) in problems.MEANINGS.items():
        assert f"| `{kind}` | {status} | {title} |" in prose("integrate.md"), kind


def test_every_part_of_the_answer_and_every_field() -> None:
    words = code_words(prose("integrate.md"))
    shown = set(re.findall(r'"(\w+)":', "".join(blocks("integrate.md", "json answer"))))
    assert words.issuperset(PART_NAMES)
    for page in ("integrate.md", "script.md"):
        assert code_words(prose(page)).issuperset(PART_NAMES), page
    for model in with_parts(TriageAnswer):
        for name in field_names(model):
            assert name in words | shown, f"{model.__name__}.{name}"


def test_every_field_of_a_case() -> None:
    for page in ("integrate.md", "script.md"):
        words = set(re.findall(r"\w+", " ".join(code_words(prose(page)))))
        for model in with_parts(TriageRequest):
            for name in field_names(model):
                assert name in words, f"{page}: {model.__name__}.{name}"


def complaints(path: Path) -> Iterator[str]:
    """Yield the longest fixed piece of each message that a module can give."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    skip = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            pieces = [part.value for part in node.values if isinstance(part, ast.Constant)]
            skip.update(id(part) for part in ast.walk(node))
            yield max((str(piece).strip() for piece in pieces), key=len, default="")
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in skip:
            yield node.value.strip()


@pytest.mark.parametrize(
    "path",
    [*sorted((ROOT / "engine" / "checks").glob("*.py")), ROOT / "engine" / "loading.py"],
    ids=lambda path: str(path.stem),
)
def test_every_complaint_of_the_check(path: Path) -> None:
    told = sections("authoring.md")
    text = "".join(text for heading, text in told.items() if heading.startswith("About "))
    for piece in complaints(path):
        if " " in piece and len(piece) >= 9:
            assert piece.strip(":;( ") in text, f"{path.name}: {piece!r} is not explained in authoring.md"


def test_every_complaint_explained_is_one_that_is_made() -> None:
    made = " ".join(
        piece
        for path in (ROOT / "engine").rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and isinstance(piece := node.value, str)
    )
    for heading in ("About a file", "About one entry", "About entries that do not go together"):
        for line in sections("authoring.md")[heading].splitlines():
            if line.startswith("| `"):
                for complaint in code_words(line.split(" | ")[0]):
                    for piece in complaint.split("..."):
                        words = piece.strip(" :;,").replace("crankcase_vents_capped", "").strip()
                        assert words in made or words.removeprefix("must be ") in made, complaint


# Links and words -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md", *(f"docs/{page}" for page in PAGES)])
def test_every_link_leads_somewhere(name: str) -> None:
    path = ROOT / name
    text = FENCE.sub("", path.read_text(encoding="utf-8"))
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        if re.match(r"[a-z]+:", target):
            continue
        file, _, anchor = target.partition("#")
        linked = (path.parent / file).resolve() if file else path
        assert linked.exists(), f"{name}: {target}"
        if anchor:
            headings = re.findall(r"^#+ (.+)$", FENCE.sub("", linked.read_text()), flags=re.MULTILINE)
            anchors = {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}
            assert anchor in anchors, f"{name}: {target}"


def test_the_change_log_knows_the_version_of_the_knowledge_base(knowledge: Knowledge) -> None:
    assert f"## {knowledge.source.manifest.version}\n" in PAGES["kb-changelog.md"]
    assert PAGES["changelog.md"].index("## Unreleased") == PAGES["changelog.md"].index("## ")


def test_every_page_is_in_the_index() -> None:
    linked = set(re.findall(r"\]\(([^)#]+)", PAGES["README.md"]))
    assert linked.issuperset(PAGES.keys() - {"README.md"})


FORBIDDEN = re.compile(
    r"/work/|/tmp/|/home/|/root/|/usr/|\btranscript|\bseed document|\bpypi\.org|\bgithub\.com", re.IGNORECASE
)


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md", *(f"docs/{page}" for page in PAGES)])
def test_no_words_that_do_not_belong(name: str) -> None:
    text = (ROOT / name).read_text(encoding="utf-8")
    found = FORBIDDEN.search(text)
    assert found is None, f"{name}: {found and found.group()}"


@pytest.mark.parametrize("page", PAGES)
def test_lines_fit(page: str) -> None:
    for number, line in enumerate(PAGES[page].splitlines(), 1):
        assert len(line) <= 110, f"{page}:{number}"


# Examples --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("page", "text"), blocks_anywhere("yaml case"))
def test_every_case_is_accepted(page: str, text: str, knowledge: Knowledge) -> None:
    document = read_yaml(text, page)
    assert document.problems == []
    read_facts(knowledge, TriageRequest.model_validate(document.value))


def test_the_golden_case_of_authoring_is_one(knowledge: Knowledge) -> None:
    (text,) = blocks("authoring.md", "yaml golden")
    (case,) = read_golden({"authoring.md": text}, knowledge)
    told = code_words(sections("authoring.md")["Golden cases"])
    assert told.issuperset(CaseEntry.model_fields)
    assert told.issuperset(choices_in(CaseEntry.model_fields["kind"].annotation))
    assert case.truthful


def test_the_python_of_integrate_runs(server: str, capsys: pytest.CaptureFixture[str]) -> None:
    examples = blocks("integrate.md", "python")
    assert examples
    names: dict[str, Any] = {}
    for example in examples:
        assert PLACEHOLDER in example or "base" in names
        printed = io.StringIO()
        with contextlib.redirect_stdout(printed):
            exec(compile(example.replace(PLACEHOLDER, server), "docs/integrate.md", "exec"), names)
        assert printed.getvalue().strip(), example


def test_the_body_given_to_curl_is_that_given_by_python(server: str) -> None:
    shell = next(text for text in blocks("integrate.md", "sh") if "-d '" in text)
    body = json.loads(shell.partition("-d '")[2].rpartition("'")[0])
    names: dict[str, Any] = {}
    with contextlib.redirect_stdout(io.StringIO()):
        exec(blocks("integrate.md", "python")[0].replace(PLACEHOLDER, server), names)
    assert body == names["case"]


def same_shape(shown: object, real: object, where: str) -> None:
    """Fail where something shown has other fields than the real thing; lists may be cut."""
    if isinstance(shown, dict):
        assert isinstance(real, dict), where
        assert shown.keys() == real.keys(), where
        for key, value in shown.items():
            same_shape(value, real[key], f"{where}.{key}")
    elif isinstance(shown, list):
        assert isinstance(real, list), where
        for i, item in enumerate(shown):
            if real and isinstance(item, dict):
                same_shape(item, closest(item, real), f"{where}.{i}")
    else:
        assert isinstance(shown, bool) == isinstance(real, bool), where
        assert isinstance(shown, str) == isinstance(real, str), where


def closest(shown: dict[str, object], real: list[Any]) -> object:
    return next((item for item in real if shown.keys() == item.keys()), real[0])


def test_the_answer_shown_has_the_shape_of_the_real_one(server: str) -> None:
    case = json.loads(
        next(text for text in blocks("integrate.md", "sh") if "-d '" in text)
        .partition("-d '")[2]
        .rpartition("'")[0]
    )
    answer = httpx.post(f"{server}/v1/triage", json=case).json()
    shown = blocks("integrate.md", "json answer")
    assert len(shown) >= 8
    for text in shown:
        for part, value in json.loads(text).items():
            same_shape(value, answer[part], part)


def test_the_problem_shown_is_given(server: str) -> None:
    (case,), (shown,) = blocks("integrate.md", "json case"), blocks("integrate.md", "json problem")
    response = httpx.post(f"{server}/v1/triage", json=json.loads(case))
    given, told = response.json(), json.loads(shown)
    assert response.status_code == told["status"]
    for document in (given, told):
        for error in document["errors"]:
            assert error.pop("accepted")
    assert given == told


KB_EXAMPLES = [
    (found["info"].removeprefix("yaml "), found["text"])
    for found in FENCE.finditer(PAGES["authoring.md"])
    if found["info"].startswith("yaml kb/")
]


def test_there_is_an_example_of_every_entry_kind() -> None:
    shown = {place for file, _ in KB_EXAMPLES for place in KIND_PLACES if file.startswith(place)}
    assert shown == KIND_PLACES.keys() - {"kb/kb.yaml", "kb/stages.yaml"}, (
        "stages are fixed: none can be added"
    )


def test_the_entries_of_authoring_can_be_added_to_the_knowledge_base(
    tmp_path: Path, knowledge: Knowledge
) -> None:
    folder = tmp_path / "kb"
    shutil.copytree(knowledge.source.root, folder)
    ids = []
    for file, text in KB_EXAMPLES:
        path = tmp_path / file
        old = path.read_text(encoding="utf-8") if path.exists() else ""
        path.write_text(f"{old.rstrip()}\n\n{text}" if old else text, encoding="utf-8")
        ids += re.findall(r"^(\w+):", text, flags=re.MULTILINE)
    found = check(load_source(folder))
    assert [problem for problem in found if problem.level == "error"] == []
    told = [problem for problem in found if any(entry in problem.message for entry in ids)]
    # Which limits there are is the program's business; one more than it uses is told, and no more than that.
    assert [problem for problem in told if "uses no limit of this id" not in problem.message] == []


def test_the_worked_example_is_what_the_engine_computes() -> None:
    text = "\n".join(found["text"] for found in FENCE.finditer(PAGES["authoring.md"]))
    examples = dict(KB_EXAMPLES)
    cause = read_yaml(examples["kb/causes/airpath.yaml"], "").value
    finding = read_yaml(examples["kb/findings/airpath.yaml"], "").value
    links = read_yaml(examples["kb/links/airpath.yaml"], "").value
    assert isinstance(cause, dict) and isinstance(finding, dict) and isinstance(links, dict)
    entry = m.Cause.model_validate(cause["intercooler_cover_left_on"])
    covered = m.Finding.model_validate(finding["cooler_face_covered"])
    makes = m.Links.model_validate(links["intercooler_cover_left_on"]).makes
    hot = makes["charge_air_too_hot"]
    assert isinstance(hot, m.Strength)
    network = Network.build(
        np.array([entry.prior_per_1000 / 1000.0]),
        np.array([covered.background, 0.004]),
        np.array([[makes["cooler_face_covered"]], [hot.strength]]),
    )
    reasoner = Reasoner(network, np.zeros((3, 1)))
    for present, absent, told in (((0,), (), ".1%"), ((0, 1), (), ".1%"), ((), (0,), ".3%")):
        evidence = Evidence(present, absent, np.zeros(1, dtype=np.bool_))
        p = float(reasoner.posterior(evidence).marginal[0])
        assert f"{p:{told}}".replace("%", " %") in text
