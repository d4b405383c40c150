"""How a log file was understood: its form, and what each column was taken for."""

from __future__ import annotations

import re
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

SHOWN_NAME = 80
CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]")


def shown_name(text: str) -> str:
    """Return a name out of a file so that it can be shown: no control signs, at most 80 signs.

    >>> shown_name("MAP\\x1b[31m")
    'MAP[31m'
    """
    clean = CONTROL.sub("", text).strip()
    return clean if len(clean) <= SHOWN_NAME else f"{clean[: SHOWN_NAME - 1]}…"


class Frozen(BaseModel):
    """What all parts share."""

    model_config = ConfigDict(frozen=True)


class Column(Frozen):
    """A column and what it was taken for."""

    name: str
    written_unit: str = Field(description="Unit as the file has it; empty if it has none.")
    channel: str | None = Field(default=None, description="Id of the channel without `logged_`, if used.")
    unit: str | None = Field(default=None, description="Unit that its numbers were taken to be in.")
    reference: Literal["gauge", "absolute"] | None = None
    confidence: float = Field(default=0.0, description="How well the name fits, 0 to 1.")
    why: str = ""
    candidates: list[str] = Field(default_factory=list, description="Other channels that it could be.")


class Layout(Frozen):
    """How the file was read."""

    format: Literal["csv", "mdf4"]
    encoding: str | None = None
    delimiter: str | None = None
    decimal: str | None = None
    header_line: int | None = None
    units_line: int | None = None
    first_data_line: int | None = None
    columns: list[Column]


class Caveat(Frozen):
    """Something to mind about a log."""

    code: str
    text: str
    channel: str | None = None


class Question(Frozen):
    """What a person must say before a column can be used."""

    column: str
    channel: str
    question: str
    accepted: list[str]
