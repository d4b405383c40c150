"""What the columns of a log are, as a person corrects it and saves it for the next log of that logger."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from engine.errors import InputError, InputIssue
from engine.yaml_reader import read_yaml

Name = Annotated[str, Field(min_length=1, max_length=200)]
MOST_UNIT = 80
Short = Annotated[str, Field(max_length=MOST_UNIT)]


class ColumnMapping(BaseModel):
    """One column: the channel it is (none: not used), its unit, and what a pressure is counted from."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    column: Name = Field(description="Name as it stands in the file.")
    channel: Annotated[str, Field(max_length=64)] | None = Field(
        default=None, description="Channel by its id without `logged_`; none leaves the column out."
    )
    unit: Short | None = None
    reference: Literal["gauge", "absolute"] | None = None
    scale: Annotated[float, Field(allow_inf_nan=False)] | None = Field(
        default=None, description="What a number of the column is multiplied with before its unit counts."
    )
    offset: Annotated[float, Field(allow_inf_nan=False)] | None = Field(
        default=None, description="What is added after that."
    )


class Mapping(BaseModel):
    """What the columns of a log are. What is left out is found out anew in each file."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    columns: Annotated[list[ColumnMapping], Field(max_length=2000)] = []
    delimiter: Literal[",", ";", "\t", "|"] | None = None
    decimal: Literal[".", ","] | None = None
    header_line: Annotated[int, Field(ge=1, le=1000)] | None = None
    stoichiometric_ratio: Annotated[float, Field(gt=2.0, lt=40.0)] | None = Field(
        default=None, description="What turns an air-fuel ratio into lambda; 14.7 if left out."
    )


def dump_mapping(mapping: Mapping) -> str:
    """Return a mapping as text that a person can correct."""
    return mapping.model_dump_json(indent=2, exclude_none=True) + "\n"


def load_mapping(text: str) -> Mapping:
    """Return the mapping in a JSON or YAML text; raises `InputError` with the field of everything wrong."""
    try:
        if text.lstrip().startswith("{"):
            return Mapping.model_validate_json(text)
        document = read_yaml(text, "mapping")
        if document.problems:
            issues = [InputIssue("mapping", None, str(problem), ()) for problem in document.problems[:20]]
            raise InputError(issues)
        return Mapping.model_validate({} if document.value is None else document.value)
    except ValidationError as error:
        issues = [
            InputIssue(".".join(["mapping", *(str(part) for part in item["loc"])]), None, item["msg"], ())
            for item in error.errors()[:50]
        ]
        raise InputError(issues) from error
