"""A strict reader for the small part of YAML that the knowledge base is written in.

YAML has constructs that hide meaning from a reviewer (anchors, merge keys, tags, several documents)
and words that change type without a sign (`no`, `on`, dates, octal numbers). They are refused with
their line instead of being read in one of several ways. The reader works on parser events, so an
alias is refused before anything could be expanded and nesting is bounded before it is followed.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from math import isfinite
from types import MappingProxyType
from typing import NamedTuple, TypeAlias

import yaml
from yaml.events import (
    AliasEvent,
    DocumentStartEvent,
    Event,
    MappingEndEvent,
    MappingStartEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
)

from engine.errors import Problem

JSON: TypeAlias = "bool | int | float | str | list[JSON] | dict[str, JSON] | None"

MAX_DEPTH = 20
MAX_VALUES = 100_000
MAX_PROBLEMS = 100
MAX_DIGITS = 17

FAST_LOADER: type[yaml.SafeLoader | yaml.CSafeLoader] = getattr(yaml, "CSafeLoader", yaml.SafeLoader)

_CONSTANTS: Mapping[str, bool | None] = {"": None, "null": None, "true": True, "false": False}
_TRUTH_WORDS = frozenset({"yes", "no", "on", "off", "y", "n"})
_NUMBER_START = frozenset("+-.0123456789")
_INTEGER = re.compile(r"[-+]?(0|[1-9][0-9]*)")
_DECIMAL = re.compile(r"[-+]?((0|[1-9][0-9]*)(\.[0-9]*)?|\.[0-9]+)([eE][-+]?[0-9]+)?")
_NOT_FINITE = re.compile(r"(?i)[-+]?\.(inf|nan)")
_OTHER_NUMBER = re.compile(
    r"[-+]?(0[box][0-9a-fA-F_]+|\.?[0-9][0-9_]*(\.[0-9_]*)?([eE][-+]?[0-9]+)?"
    r"|[0-9][0-9_]*(:[0-5]?[0-9])+(\.[0-9_]*)?)"
)
_DATE = re.compile(r"[0-9]{4}-[0-9]{1,2}-[0-9]{1,2}([Tt \t].*)?")
_CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f\ud800-\udfff]")


class Marks(NamedTuple):
    """The line of a value and, inside a mapping or list, the marks of its parts."""

    line: int
    inside: Mapping[str | int, Marks]


_NOTHING_INSIDE: Mapping[str | int, Marks] = MappingProxyType({})


class Document(NamedTuple):
    """What a YAML text says, where each part of it stands, and what is wrong with it."""

    value: JSON
    marks: Marks
    problems: list[Problem]


class _CannotGoOn(Exception):  # noqa: N818 - never leaves this module
    """Nothing sensible can be read after this point."""


def read_yaml(
    text: str, file: str, loader: type[yaml.SafeLoader | yaml.CSafeLoader] = FAST_LOADER
) -> Document:
    """Return what `text` says, with the line of every part.

    Raises nothing: whatever is wrong stands in `Document.problems`, under the name `file`. A part that
    could not be read is None.
    """
    reader = _Reader(file)
    value: JSON = None
    marks = Marks(1, _NOTHING_INSIDE)
    try:
        events = yaml.parse(text, Loader=loader)
        for event in events:
            if isinstance(event, DocumentStartEvent):
                value, marks = reader.value(next(events), events, 0)
                break
        for event in events:
            if isinstance(event, DocumentStartEvent):
                reader.complain(event, "a second document begins; a file holds one")
                break
    except _CannotGoOn:
        pass
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        reader.problems.append(Problem(file, mark.line + 1 if mark else 1, f"not YAML: {_plain(error)}"))
    except yaml.reader.ReaderError as error:
        line = text.count("\n", 0, error.position) + 1
        reader.problems.append(Problem(file, line, f"not YAML: {error.reason}"))
    except (yaml.YAMLError, ValueError, OverflowError) as error:
        reader.problems.append(Problem(file, 1, f"not YAML: {error}"))
    return Document(value, marks, reader.problems)


def _line(event: Event) -> int:
    return 1 if event.start_mark is None else event.start_mark.line + 1


def _plain(error: yaml.MarkedYAMLError) -> str:
    return ", ".join(part for part in (error.context, error.problem) if part) or "it cannot be read"


class _Reader:
    def __init__(self, file: str) -> None:
        self.file = file
        self.problems: list[Problem] = []
        self.values = 0

    def complain(self, event: Event, message: str) -> None:
        self.problems.append(Problem(self.file, _line(event), message))
        if len(self.problems) >= MAX_PROBLEMS:
            raise _CannotGoOn

    def value(self, event: Event, events: Iterator[Event], depth: int) -> tuple[JSON, Marks]:
        line = _line(event)
        self.values += 1
        if self.values > MAX_VALUES:
            self.complain(event, f"a file holds at most {MAX_VALUES} values; split it")
            raise _CannotGoOn
        if isinstance(event, ScalarEvent):
            self.refuse_extras(event)
            return self.scalar(event), Marks(line, _NOTHING_INSIDE)
        if isinstance(event, AliasEvent):
            self.complain(event, f"alias *{event.anchor}: aliases are not used here, write the value out")
            return None, Marks(line, _NOTHING_INSIDE)
        if depth >= MAX_DEPTH:
            self.complain(event, f"nested deeper than {MAX_DEPTH} levels")
            raise _CannotGoOn
        if isinstance(event, SequenceStartEvent):
            self.refuse_extras(event)
            return self.sequence(line, events, depth + 1)
        if isinstance(event, MappingStartEvent):
            self.refuse_extras(event)
            return self.mapping(line, events, depth + 1)
        raise _CannotGoOn

    def sequence(self, line: int, events: Iterator[Event], depth: int) -> tuple[JSON, Marks]:
        items: list[JSON] = []
        inside: dict[str | int, Marks] = {}
        for event in events:
            if isinstance(event, SequenceEndEvent):
                break
            item, inside[len(items)] = self.value(event, events, depth)
            items.append(item)
        return items, Marks(line, inside)

    def mapping(self, line: int, events: Iterator[Event], depth: int) -> tuple[JSON, Marks]:
        items: dict[str, JSON] = {}
        inside: dict[str | int, Marks] = {}
        for event in events:
            if isinstance(event, MappingEndEvent):
                break
            key, key_marks = self.key(event, events, depth)
            item, marks = self.value(next(events), events, depth)
            if key is None:
                continue
            if key in items:
                first = inside[key].line
                self.complain(event, f"key {key[:60]!r} stands here a second time, first in line {first}")
                continue
            items[key] = item
            inside[key] = Marks(key_marks.line, marks.inside)
        return items, Marks(line, inside)

    def key(self, event: Event, events: Iterator[Event], depth: int) -> tuple[str | None, Marks]:
        if isinstance(event, ScalarEvent) and event.implicit[0] and event.value == "<<":
            self.complain(event, "merge keys are not used here, write the values out")
            return None, Marks(_line(event), _NOTHING_INSIDE)
        before = len(self.problems)
        key, marks = self.value(event, events, depth)
        if isinstance(key, str):
            return key, marks
        if len(self.problems) == before:
            self.complain(event, f"a key must be text, got {str(key)[:60]}")
        return None, marks

    def refuse_extras(self, event: ScalarEvent | SequenceStartEvent | MappingStartEvent) -> None:
        if event.anchor is not None:
            self.complain(event, f"anchor &{event.anchor}: anchors are not used here")
        if event.tag is not None:
            self.complain(event, f"tag {event.tag[:60]}: tags are not used here")

    def scalar(self, event: ScalarEvent) -> JSON:
        text = event.value
        if _CONTROL.search(text):
            self.complain(event, "a control character stands in the text")
            return None
        if not event.implicit[0]:
            return text
        if text in _CONSTANTS:
            return _CONSTANTS[text]
        if text[0] in _NUMBER_START:
            return self.number(event, text)
        if len(text) <= 5:
            word = text.lower()
            if word in _TRUTH_WORDS:
                self.complain(event, f"{text} may be read as true or false: quote it, or write true or false")
                return None
            if word in _CONSTANTS or word == "~":
                meant = "null" if word == "~" else word
                self.complain(event, f"{text} may be read in two ways: quote it, or write {meant}")
                return None
            if word in {"=", "<<"}:
                self.complain(event, f"{text} has a meaning of its own in YAML: quote it")
                return None
        return text

    def number(self, event: ScalarEvent, text: str) -> JSON:
        if _INTEGER.fullmatch(text) and len(text) <= MAX_DIGITS:
            return int(text)
        if _DECIMAL.fullmatch(text):
            number = float(text)
            if isfinite(number) and not (_INTEGER.fullmatch(text)):
                return number
            self.complain(event, f"{text[:60]} is out of range for a number")
            return None
        if _NOT_FINITE.fullmatch(text):
            self.complain(event, f"{text} is not a finite number")
            return None
        if _OTHER_NUMBER.fullmatch(text):
            self.complain(
                event, f"{text[:60]} may be read as another number: quote it, or write a plain decimal number"
            )
            return None
        if _DATE.fullmatch(text):
            self.complain(event, f"{text[:60]} may be read as a date: quote it")
            return None
        return text
