"""Reads the knowledge base from its YAML files and refuses whatever is not plainly right.

What can be told from one entry alone is refused here; what needs several entries at once (references,
reachability, cycles) is the business of `engine.checking`.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TypeVar

from pydantic import ValidationError

from engine import model as m
from engine.entry_errors import explain, in_words
from engine.errors import KnowledgeError, Problem
from engine.inspection.entries import Point, Stage, Watch
from engine.kinds import GENERAL_KINDS, KINDS, SINGLE_FILES
from engine.yaml_reader import JSON, MAX_PROBLEMS, Marks, read_yaml

MAX_BYTES = 2 * 1024 * 1024
MANIFEST_FILE = "kb.yaml"
OTHER_NAMES = frozenset({"README.md", "schema"})

E = TypeVar("E", bound=m.Entry)


@dataclass(frozen=True)
class KnowledgeSource:
    """All entries of a knowledge base as they were written, by kind and id, each kind sorted by id."""

    root: Path
    manifest: m.Manifest
    sources: dict[str, m.Source]
    cautions: dict[str, m.Caution]
    findings: dict[str, m.Finding]
    causes: dict[str, m.Cause]
    links: dict[str, m.Links]
    tests: dict[str, m.Test]
    fixes: dict[str, m.Fix]
    rules: dict[str, m.Rule]
    vehicle_facts: dict[str, m.VehicleFact]
    quantities: dict[str, m.Quantity]
    trouble_codes: dict[str, m.TroubleCodeTitle]
    word_groups: dict[str, m.WordGroup]
    channels: dict[str, m.Channel]
    limits: dict[str, m.Judgement]
    points: dict[str, Point]
    stages: dict[str, Stage]
    watches: dict[str, Watch]
    system_of: dict[tuple[str, str], str]
    """(kind, id) -> stem of the file that the entry stands in."""
    files: dict[tuple[str, str], str] = field(repr=False)
    """(kind, id) -> file that the entry stands in."""
    marks: dict[tuple[str, str], Marks] = field(repr=False)
    texts: dict[str, str] = field(repr=False)
    """File -> its text."""

    def entries(self, kind: str) -> Mapping[str, m.Entry]:
        """Return the entries of one kind, named as in `engine.kinds.KINDS` or by its single file's stem."""
        by_kind: dict[str, Mapping[str, m.Entry]] = {
            "sources": self.sources,
            "cautions": self.cautions,
            "findings": self.findings,
            "causes": self.causes,
            "links": self.links,
            "tests": self.tests,
            "fixes": self.fixes,
            "rules": self.rules,
            "vehicle_facts": self.vehicle_facts,
            "quantities": self.quantities,
            "trouble_codes": self.trouble_codes,
            "word_groups": self.word_groups,
            "channels": self.channels,
            "limits": self.limits,
            "points": self.points,
            "stages": self.stages,
            "watches": self.watches,
        }
        return by_kind[kind]

    def place(self, kind: str, entry_id: str, *path: str | int) -> tuple[str, int]:
        """Return the file and line of a part of an entry, or of the nearest known part around it.

        `kind` may be ``kb`` for the manifest; its `entry_id` is not looked at. For an entry that is not
        known the answer is the first line of where entries of its kind stand.
        """
        key = ("kb", "") if kind == "kb" else (kind, entry_id)
        if key not in self.files:
            single = f"{kind}.yaml" in SINGLE_FILES
            return f"{self.root.name}/{kind}{'.yaml' if single else ''}", 1
        marks = self.marks[key]
        for part in path:
            if part not in marks.inside:
                break
            marks = marks.inside[part]
        return self.files[key], marks.line

    @cached_property
    def content_hash(self) -> str:
        """SHA-256 (hex) of what the entries say, whatever their comments, layout and order."""
        said: dict[str, JSON] = {"kb": _dumped(self.manifest)}
        for kind in (*KINDS, *(name.removesuffix(".yaml") for name in SINGLE_FILES)):
            said[kind] = {
                entry_id: [self.system_of[kind, entry_id], _dumped(entry)]
                for entry_id, entry in self.entries(kind).items()
            }
        canonical = json.dumps(said, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
        return hashlib.sha256(canonical.encode()).hexdigest()

    @property
    def revision(self) -> str:
        """The first 16 digits of `content_hash`."""
        return self.content_hash[:16]


def default_root() -> Path:
    """Return the folder of the knowledge base to use when none is named.

    ``PREPULL_KB`` if it is set, else ``kb/`` beside the package (a checkout), else ``engine/kb`` (an
    installed wheel).
    """
    named = os.environ.get("PREPULL_KB")
    if named:
        return Path(named)
    package = Path(__file__).resolve().parent
    beside = package.parent / "kb"
    return beside if (beside / MANIFEST_FILE).is_file() else package / "kb"


def load_source(root: Path) -> KnowledgeSource:
    """Read every file of the knowledge base under `root`.

    Raises `KnowledgeError` with file and line for everything that is wrong in any of them: files that
    do not belong there, YAML beyond the strict subset, entries that do not fit their kind, ids that are
    given twice within a kind.
    """
    shelf = _Shelf(root.resolve())
    shelf.read_all()
    if shelf.problems or shelf.manifest is None:
        raise KnowledgeError(list(dict.fromkeys(shelf.problems)))
    return KnowledgeSource(
        root=shelf.root,
        manifest=shelf.manifest,
        sources=shelf.sorted("sources", m.Source),
        cautions=shelf.sorted("cautions", m.Caution),
        findings=shelf.sorted("findings", m.Finding),
        causes=shelf.sorted("causes", m.Cause),
        links=shelf.sorted("links", m.Links),
        tests=shelf.sorted("tests", m.Test),
        fixes=shelf.sorted("fixes", m.Fix),
        rules=shelf.sorted("rules", m.Rule),
        vehicle_facts=shelf.sorted("vehicle_facts", m.VehicleFact),
        quantities=shelf.sorted("quantities", m.Quantity),
        trouble_codes=shelf.sorted("trouble_codes", m.TroubleCodeTitle),
        word_groups=shelf.sorted("word_groups", m.WordGroup),
        channels=shelf.sorted("channels", m.Channel),
        limits=shelf.sorted("limits", m.Judgement),
        points=shelf.sorted("points", Point),
        stages=shelf.sorted("stages", Stage),
        watches=shelf.sorted("watches", Watch),
        system_of={key: Path(file).stem for key, file in shelf.files.items()},
        files=shelf.files,
        marks=shelf.marks,
        texts=shelf.texts,
    )


def _dumped(entry: m.Entry) -> JSON:
    # Defaults are left out so that writing one down, or a new optional field, is not a new meaning.
    dumped: JSON = entry.model_dump(mode="json", by_alias=True, exclude_defaults=True)
    return dumped


class _Shelf:
    """Collects entries and problems file by file."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.manifest: m.Manifest | None = None
        self.problems: list[Problem] = []
        self.entries: dict[tuple[str, str], m.Entry] = {}
        self.files: dict[tuple[str, str], str] = {}
        self.marks: dict[tuple[str, str], Marks] = {}
        self.texts: dict[str, str] = {}

    def sorted(self, kind: str, model: type[E]) -> dict[str, E]:
        found = {i: entry for (k, i), entry in self.entries.items() if k == kind and isinstance(entry, model)}
        return dict(sorted(found.items()))

    def complain(self, file: str, line: int, message: str) -> None:
        self.problems.append(Problem(file, line, message))

    def read_all(self) -> None:
        try:
            names = sorted(path.name for path in self.root.iterdir())
        except OSError as error:
            self.complain(self.root.name, 1, f"not a folder that can be read: {error.strerror}")
            return
        for name in names:
            path = self.root / name
            if name in KINDS and path.is_dir():
                self.read_folder(name, path)
            elif name not in SINGLE_FILES and name not in OTHER_NAMES and name != MANIFEST_FILE:
                self.complain(f"{self.root.name}/{name}", 1, "does not belong in a knowledge base")
        for name, model in SINGLE_FILES.items():
            self.read_entries(name.removesuffix(".yaml"), model, self.root / name)
        self.read_manifest()

    def read_folder(self, kind: str, folder: Path) -> None:
        stems = {*m.SYSTEMS, *(["general"] if kind in GENERAL_KINDS else [])}
        for path in sorted(folder.iterdir()):
            if path.suffix == ".yaml" and path.stem in stems:
                self.read_entries(kind, KINDS[kind], path)
            elif path.suffix == ".yaml":
                self.complain(self.name(path), 1, f"is not named after a system ({', '.join(sorted(stems))})")
            else:
                self.complain(self.name(path), 1, "does not belong in a knowledge base")

    def name(self, path: Path) -> str:
        return path.relative_to(self.root.parent).as_posix()

    def read_file(self, path: Path) -> tuple[JSON, Marks, set[int]] | None:
        """Return the value of a file, its marks and the lines that could not be read, or None."""
        name = self.name(path)
        try:
            if path.exists() and not path.is_file():
                self.complain(name, 1, "is not a file")
                return None
            with path.open("rb") as stream:
                content = stream.read(MAX_BYTES + 1)
        except OSError as error:
            self.complain(name, 1, f"cannot be read: {error.strerror}")
            return None
        if len(content) > MAX_BYTES:
            self.complain(name, 1, f"is larger than {MAX_BYTES} bytes")
            return None
        try:
            text = content.decode("utf-8")
        except UnicodeDecodeError as error:
            self.complain(name, content.count(b"\n", 0, error.start) + 1, "is not UTF-8")
            return None
        self.texts[name] = text
        document = read_yaml(text, name)
        self.problems += document.problems
        return document.value, document.marks, {problem.line for problem in document.problems}

    def read_manifest(self) -> None:
        path = self.root / MANIFEST_FILE
        read = self.read_file(path)
        if read is None:
            return
        value, marks, spoilt = read
        if spoilt:
            return
        entry = self.fit(m.Manifest, value, marks, self.name(path), "kb")
        if isinstance(entry, m.Manifest):
            self.manifest = entry
            self.files["kb", ""] = self.name(path)
            self.marks["kb", ""] = marks

    def read_entries(self, kind: str, model: type[m.Entry], path: Path) -> None:
        read = self.read_file(path)
        if read is None:
            return
        value, marks, spoilt = read
        name = self.name(path)
        if not isinstance(value, dict):
            if not spoilt:
                self.complain(name, marks.line, "must be a mapping from id to entry")
            return
        before = len(self.problems)
        starts = [marks.inside[entry_id].line for entry_id in value]
        ends = [*starts, len(self.texts[name]) + 2][1:]
        for (entry_id, raw), start, end in zip(value.items(), starts, ends, strict=True):
            if len(self.problems) - before > MAX_PROBLEMS:
                self.complain(name, start, "more is wrong from here on; mend what is above first")
                break
            # What else is wrong with an entry that could not be read in full would only be noise.
            if not spoilt.isdisjoint(range(start, max(end, start + 1))):
                continue
            self.add(kind, entry_id, self.fit(model, raw, marks.inside[entry_id], name, f"{kind}.{entry_id}"))
            self.place(kind, entry_id, name, marks.inside[entry_id])

    def add(self, kind: str, entry_id: str, entry: m.Entry | None) -> None:
        if entry is not None:
            self.entries.setdefault((kind, entry_id), entry)

    def place(self, kind: str, entry_id: str, file: str, marks: Marks) -> None:
        if not m.ID_RE.fullmatch(entry_id) or len(entry_id) > 64:
            shown = f"{kind}.{entry_id[:80]}"
            self.complain(file, marks.line, f"{shown}: the key must be an id such as fuel_smell_in_bay")
        elif (kind, entry_id) in self.files:
            first, line = self.files[kind, entry_id], self.marks[kind, entry_id].line
            self.complain(file, marks.line, f"{kind}.{entry_id}: stands already at {first}:{line}")
        else:
            self.files[kind, entry_id] = file
            self.marks[kind, entry_id] = marks

    def fit(self, model: type[m.Entry], raw: JSON, marks: Marks, file: str, label: str) -> m.Entry | None:
        try:
            # JSON in strict mode: a list is taken for a tuple, but text is not taken for a number.
            return model.model_validate_json(json.dumps(raw), strict=True)
        except ValidationError as error:
            for path, message in explain(error, raw, model):
                here = marks
                for part in path:
                    if part not in here.inside:
                        break
                    here = here.inside[part]
                where = f"{label}.{in_words(path)}" if path else label
                self.complain(file, here.line, f"{where}: {message}")
            return None
