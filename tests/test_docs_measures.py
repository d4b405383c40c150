"""What docs/ says of measures and logs is what the program does; every worked example is worked again."""

from __future__ import annotations

import re
import shlex
import textwrap
from pathlib import Path

import pytest

from engine.loading import KnowledgeSource, default_root, load_source
from engine.logs.looking import features
from engine.measures.catalogue import measures
from engine.measures.declare import Measure
from engine.measures.run import run

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"
PAGES = sorted((DOCS / "measures").glob("*.md"))
COMMAND = re.compile(r"^prepull measure (.*(?:(?<=\\)\n.*)*)$", re.MULTILINE)


@pytest.fixture(scope="module")
def source() -> KnowledgeSource:
    return load_source(default_root())


def items(lines: list[str]) -> str:
    """Return lines as a list that fits a page."""
    return "\n".join(
        textwrap.fill(line, 108, initial_indent="- ", subsequent_indent="  ", break_long_words=False)
        for line in lines
    )


def measure_list() -> str:
    """Return the list of docs/measures.md as the program has it."""
    return items([f"[`{m.id}`](measures/{m.id}.md): {m.asks}" for m in measures().values()])


def feature_list(source: KnowledgeSource) -> str:
    """Return the list of docs/logs.md as the program has it."""
    lines = []
    for feature in features():
        needs = [f"`{name}`" for name in feature.needs]
        if feature.either:
            needs.append(" or ".join(f"`{name}`" for name in feature.either))
        limit = source.limits[feature.id]
        lines.append(f"{limit.label}: `{limit.finding}`; needs {', '.join(needs)}")
    return items(lines)


def test_the_pages_list_what_there_is(source: KnowledgeSource) -> None:
    assert measure_list() in (DOCS / "measures.md").read_text(encoding="utf-8")
    assert feature_list(source) in (DOCS / "logs.md").read_text(encoding="utf-8")


def test_every_measure_has_a_page() -> None:
    assert {path.stem for path in PAGES} == set(measures())


@pytest.mark.parametrize("measure", measures().values(), ids=lambda measure: str(measure.id))
def test_a_page_names_inputs_sources_and_a_command_that_works(
    measure: Measure, source: KnowledgeSource
) -> None:
    text = (DOCS / "measures" / f"{measure.id}.md").read_text(encoding="utf-8")
    commands = [shlex.split(found.replace("\\\n", " ")) for found in COMMAND.findall(text)]
    mine = [words for words in commands if words[0] == measure.id]
    assert mine, "no command"
    readings = [dict(word.split("=", 1) for word in words[1:] if "=" in word) for words in mine]
    assert dict(measure.example) in readings
    for given in readings:
        if given:
            assert run(source, measure, given).results
    for line in text.splitlines():
        assert len(line) <= 110
    assert "example" in text.lower()
    assert "first" in text or "caution" in text.lower() or "licensed" in text
    assert not re.search(r"/work/|/tmp/|transcript", text)


if __name__ == "__main__":
    # Writes both lists anew.
    knowledge = load_source(default_root())
    for name, table in (("measures.md", measure_list()), ("logs.md", feature_list(knowledge))):
        page = DOCS / name
        text = page.read_text(encoding="utf-8")
        mark = re.search(r"<!-- (?:measures|features): [^>]*-->\n\n", text)
        assert mark is not None
        rest = re.sub(r"\A(?:[-|] ?.*\n|  .*\n)+", "", text[mark.end() :])
        page.write_text(text[: mark.end()] + table + "\n" + rest, encoding="utf-8")
