"""Every exception that the engine raises on purpose, under one root class."""

from __future__ import annotations

from dataclasses import dataclass


class PrepullError(Exception):
    """Root of all errors that this project raises on purpose."""


@dataclass(frozen=True, order=True)
class Problem:
    """One thing that is wrong in the knowledge base, with the place it stands at."""

    file: str
    line: int
    message: str
    level: str = "error"

    def __str__(self) -> str:
        return f"{self.file}:{self.line}: {self.level}: {self.message}"


class KnowledgeError(PrepullError):
    """The knowledge base cannot be used; carries every problem found, not just the first."""

    def __init__(self, problems: list[Problem]) -> None:
        self.problems = sorted(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


@dataclass(frozen=True)
class InputIssue:
    """One thing that is wrong with what a caller sent.

    `field` is a path such as ``findings.3.id``; `accepted` says what would have been taken,
    for an unknown id the nearest known ones.
    """

    field: str
    value: object
    message: str
    accepted: tuple[str, ...] = ()

    def __str__(self) -> str:
        hint = f" (accepted: {', '.join(self.accepted)})" if self.accepted else ""
        return f"{self.field}: {self.message}{hint}"


class InputError(PrepullError):
    """The facts of a case cannot be used; carries every issue found."""

    def __init__(self, issues: list[InputIssue]) -> None:
        self.issues = issues
        super().__init__("\n".join(str(issue) for issue in issues))


class UnknownEntryError(PrepullError):
    """An id that the knowledge base does not know, with the nearest that it does know."""

    def __init__(self, kind: str, entry_id: str, nearest: tuple[str, ...]) -> None:
        self.kind = kind
        self.entry_id = entry_id
        self.nearest = nearest
        hint = f"; nearest known: {', '.join(nearest)}" if nearest else ""
        super().__init__(f"no {kind} has the id {entry_id!r}{hint}")


class ChainerError(PrepullError):
    """A chainer could not be built, or failed while it ran; never a wrong conclusion instead.

    `rule` is the id of the rule that cannot be taken, where one is to blame.
    """

    def __init__(self, message: str, rule: str | None = None) -> None:
        self.rule = rule
        super().__init__(message)
