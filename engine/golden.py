"""Golden cases: what was told of a car, what was really wrong with it, and what a technician would answer.

The files are read as the same strict part of YAML as the knowledge base; whoever calls brings their text.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Annotated, Literal

from pydantic import Field, ValidationError

from engine.case import TriageRequest
from engine.entry_errors import explain, in_words
from engine.errors import InputError, KnowledgeError, Problem
from engine.facts import read_facts
from engine.knowledge import Knowledge
from engine.model import ID_RE, Entry, Id, KnownState, Text, VerdictName
from engine.nearest import nearest
from engine.yaml_reader import Marks, read_yaml

Kind = Literal["easy", "hard", "two_faults", "misleading", "benign", "must_mend", "must_stop"]

Ids = Annotated[tuple[Id, ...], Field(min_length=1)]


class CaseEntry(Entry):
    """A golden case as it stands in its file.

    `truth` are the causes really there, `first` those that may be ranked first, `verdict` the verdicts that
    are right, `next` questions (finding ids) and tests of which one must be offered. With `hold` a hold must
    be raised. `truthful` says what would be found if it were asked or tested; what is listed neither there
    nor in `case` nobody knows.
    """

    kind: Kind
    note: Text
    case: TriageRequest
    truth: Ids
    first: Ids
    verdict: Annotated[tuple[VerdictName, ...], Field(min_length=1)]
    next: Ids
    hold: bool = False
    truthful: dict[Id, KnownState] = Field(default_factory=dict)


class GoldenCase(CaseEntry):
    """A golden case with its name and the file and line that it stands at."""

    name: Id
    file: str
    line: int


def read_golden(texts: Mapping[str, str], knowledge: Knowledge) -> tuple[GoldenCase, ...]:
    """Return the cases in `texts` (name of the file -> what it says), in the order they stand in.

    Raises `KnowledgeError` with file and line for everything that is wrong with them, ids included that
    the knowledge base does not have.
    """
    reader = _Reader(knowledge)
    for file, text in texts.items():
        reader.read(file, text)
    if reader.problems:
        raise KnowledgeError(reader.problems)
    return tuple(reader.cases.values())


@dataclass
class _Reader:
    knowledge: Knowledge
    cases: dict[str, GoldenCase] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)

    def read(self, file: str, text: str) -> None:
        document = read_yaml(text, file)
        if document.problems:
            self.problems += document.problems
            return
        if not isinstance(document.value, dict):
            self.problems.append(Problem(file, 1, "must be a mapping from name to case"))
            return
        for name, raw in document.value.items():
            marks = document.marks.inside[name]
            try:
                # JSON in strict mode: a list is taken for a tuple, but text is not taken for a number.
                entry = CaseEntry.model_validate_json(json.dumps(raw), strict=True)
            except ValidationError as error:
                for path, message in explain(error, raw, CaseEntry):
                    self.complain(file, name, marks, path, message)
                continue
            if not ID_RE.fullmatch(name):
                self.complain(file, name, marks, (), "must be an id such as fuel_smell_in_bay")
            elif name in self.cases:
                first = self.cases[name]
                self.complain(file, name, marks, (), f"stands already at {first.file}:{first.line}")
            else:
                for path, message in self.misfits(entry):
                    self.complain(file, name, marks, path, message)
                fields = {part: getattr(entry, part) for part in CaseEntry.model_fields}
                self.cases[name] = GoldenCase.model_construct(**fields, name=name, file=file, line=marks.line)

    def complain(self, file: str, name: str, marks: Marks, path: tuple[str | int, ...], message: str) -> None:
        here = marks
        for part in path:
            if part not in here.inside:
                break
            here = here.inside[part]
        where = f"{name}.{in_words(path)}" if path else name
        self.problems.append(Problem(file, here.line, f"{where}: {message}"))

    def misfits(self, entry: CaseEntry) -> Iterator[tuple[tuple[str | int, ...], str]]:
        """Yield what the knowledge base does not have, each with its path in the case."""
        source = self.knowledge.source
        try:
            read_facts(self.knowledge, entry.case)
        except InputError as error:
            for issue in error.issues:
                parts = (int(part) if part.isdigit() else part for part in issue.field.split("."))
                hint = f" (accepted: {', '.join(issue.accepted)})" if issue.accepted else ""
                yield ("case", *parts), f"{issue.message}{hint}"
        listed = (
            ("truth", entry.truth, source.causes.keys(), "cause"),
            ("first", entry.first, source.causes.keys(), "cause"),
            ("next", entry.next, source.findings.keys() | source.tests.keys(), "finding or test"),
        )
        for part, ids, known, kind in listed:
            for i, wanted in enumerate(ids):
                if wanted not in known:
                    yield (part, i), _unknown(wanted, known, kind)
        for finding in entry.truthful:
            if finding not in source.findings:
                yield ("truthful", finding), _unknown(finding, source.findings, "finding")


def _unknown(wanted: str, known: Iterable[str], kind: str) -> str:
    hint = nearest(wanted, known)
    return f"no {kind} has the id {wanted!r}" + (f"; nearest known: {', '.join(hint)}" if hint else "")
