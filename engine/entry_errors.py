"""Plain messages for entries that do not fit their model, each with the place it is about."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import NamedTuple, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from engine import model as m
from engine.nearest import nearest
from engine.yaml_reader import JSON

Path = tuple[str | int, ...]

MAX_FAULTS = 2000
"""Beyond this an entry is not a slip but something else altogether, and telling each would take minutes."""

CONDITION_KEYS: dict[str, type[m.Entry]] = {
    "finding": m.FindingIs,
    "vehicle": m.VehicleIs,
    "measured": m.Measured,
    "all": m.AllOf,
    "any": m.AnyOf,
}
_CONDITION_BRANCHES = {kind.__name__: kind for kind in CONDITION_KEYS.values()}
_STRENGTH_BRANCHES = {"Strength": True, "constrained-float": False, "float": False}
_ANSWER_BRANCHES = {"constrained-str": True, "str": True, "bool": False}

_PATTERNS = {
    m.ID_PATTERN: "must be an id such as fuel_smell_in_bay",
    m.QUANTITY_PATTERN: "must be a number with its unit such as 100 kPa",
    m.CODE_PATTERN: "must be a trouble code such as P0301",
    r"^\d+\.\d+\.\d+$": "must be a version such as 1.4.0",
}
_TYPES = {
    "string_type": "must be text",
    "float_type": "must be a number",
    "int_type": "must be a whole number",
    "bool_type": "must be true or false",
    "tuple_type": "must be a list",
    "dict_type": "must be a mapping",
    "model_type": "must be a mapping",
    "finite_number": "must be a finite number",
}
_BOUNDS = {
    "greater_than": ("greater than", "gt"),
    "greater_than_equal": ("at least", "ge"),
    "less_than": ("less than", "lt"),
    "less_than_equal": ("at most", "le"),
}


class Explained(NamedTuple):
    """What is wrong with one part of an entry."""

    path: Path
    message: str


def explain(error: ValidationError, raw: JSON, kind: type[m.Entry]) -> list[Explained]:
    """Return what `error` says about the entry `raw` of the given kind, in plain words, each once.

    Where a part may be one of several models, only the one that the writer meant is spoken of.
    """
    if error.error_count() > MAX_FAULTS:
        return [Explained((), "is nothing like what belongs here")]
    found: dict[Explained, None] = {}
    for details in error.errors(include_url=False):
        explained = _Walk(raw, kind).explain(details)
        if explained is not None:
            found[explained] = None
    return list(found)


def in_words(path: Path) -> str:
    """Return a path as it is written in messages: ``when.0.finding``."""
    return ".".join(str(part) for part in path)


class _Walk:
    """Follows the location of one error through the entry as it was written."""

    def __init__(self, raw: JSON, kind: type[m.Entry]) -> None:
        self.value: JSON = raw
        self.kind: type[BaseModel] = kind
        self.path: list[str | int] = []
        self.present = True

    def explain(self, details: ErrorDetails) -> Explained | None:
        for part in details["loc"]:
            if part == "[key]":
                return self.said(f"{_reason(details, self.path[-1])}")
            if isinstance(part, str) and self.is_branch(part):
                misfit = self.condition_misfit() if part in _CONDITION_BRANCHES else None
                if misfit:
                    return self.said(misfit)
                if not self.meant(part):
                    return None
                if part in _ANSWER_BRANCHES:
                    return self.said(f"must be text or true or false, got {_shown(self.value)}")
                self.kind = _CONDITION_BRANCHES.get(part, self.kind)
                continue
            self.step(part)
        if details["type"] == "too_short" and isinstance(self.value, list) and self.value:
            return None
        if details["type"] == "extra_forbidden":
            return self.said(self.unknown_field())
        return self.said(_reason(details, self.value if self.present else None))

    def said(self, message: str) -> Explained:
        return Explained(tuple(self.path), message)

    def is_branch(self, part: str) -> bool:
        known = part in _CONDITION_BRANCHES or part in _STRENGTH_BRANCHES or part in _ANSWER_BRANCHES
        return known and not (isinstance(self.value, dict) and part in self.value)

    def condition_misfit(self) -> str | None:
        keys = ", ".join(CONDITION_KEYS)
        if not isinstance(self.value, dict):
            return f"a condition is a mapping with one of {keys}, got {_shown(self.value)}"
        given = [key for key in CONDITION_KEYS if key in self.value]
        if not given:
            return f"a condition needs one of {keys}"
        if len(given) > 1:
            return f"a condition has one of {keys}, not {' and '.join(given)} together"
        return None

    def meant(self, branch: str) -> bool:
        if branch in _CONDITION_BRANCHES:
            written = self.value if isinstance(self.value, dict) else {}
            return any(key in written and kind.__name__ == branch for key, kind in CONDITION_KEYS.items())
        if branch in _STRENGTH_BRANCHES:
            return _STRENGTH_BRANCHES[branch] == isinstance(self.value, dict)
        return _ANSWER_BRANCHES[branch]

    def step(self, part: str | int) -> None:
        self.path.append(part)
        self.value, self.present = _inside(self.value, part)
        for name, field in self.kind.model_fields.items():
            if part == (field.alias or name):
                inner = list(_models_in(field.annotation))
                self.kind = inner[0] if len(inner) == 1 else self.kind
                break

    def unknown_field(self) -> str:
        fields = [field.alias or name for name, field in self.kind.model_fields.items()]
        hint = nearest(str(self.path[-1]), fields, 1)
        return f"is not a field here{f'; did you mean {hint[0]}?' if hint else ''}"


def _inside(value: JSON, part: str | int) -> tuple[JSON, bool]:
    if isinstance(value, dict) and isinstance(part, str) and part in value:
        return value[part], True
    if isinstance(value, list) and isinstance(part, int) and part < len(value):
        return value[part], True
    return None, False


def _models_in(annotation: object) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from _models_in(part)


def _reason(details: ErrorDetails, value: JSON) -> str:
    kind, context = details["type"], details.get("ctx", {})
    if kind == "missing":
        return "is missing"
    if kind == "string_type" and isinstance(value, int | float):
        return f"must be text, got {_shown(value)}: quote it"
    if kind == "string_type" and isinstance(value, dict) and len(value) == 1:
        return f"must be text, got {_shown(value)}: quote text that has a colon in it"
    if kind in _TYPES:
        return f"{_TYPES[kind]}, got {_shown(value)}"
    if kind in _BOUNDS:
        words, key = _BOUNDS[kind]
        return f"must be {words} {context[key]:g}, got {_shown(value)}"
    if kind == "string_pattern_mismatch":
        pattern = str(context["pattern"])
        return f"{_PATTERNS.get(pattern, f'must match {pattern}')}, got {_shown(value)}"
    if kind == "literal_error":
        return f"must be {context['expected']}, got {_shown(value)}"
    if kind == "string_too_short":
        return f"must have at least {context['min_length']} characters, got {_shown(value)}"
    if kind == "string_too_long":
        return f"must have at most {context['max_length']} characters, has {len(str(value))}"
    if kind == "too_short":
        return f"needs at least {context['min_length']} of them"
    return details["msg"][:1].lower() + details["msg"][1:]


def _shown(value: JSON) -> str:
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 60 else f"{text[:57]}..."
