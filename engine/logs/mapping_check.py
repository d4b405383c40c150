"""Whether a mapping fits a file and the knowledge base."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from engine.errors import InputError, InputIssue
from engine.loading import KnowledgeSource
from engine.logs.column_units import known_unit
from engine.logs.mapping import ColumnMapping, Mapping
from engine.logs.naming import PREFIX, TIME
from engine.logs.text_log import CLOCK_UNIT, TIME_UNITS
from engine.nearest import nearest

ANY_UNIT = frozenset({"knock_level", "gear", "cut_active", "misfire_count"})
"""Channels that are compared with themselves only, or count: their unit says nothing."""


def check_mapping(mapping: Mapping | None, source: KnowledgeSource, names: Sequence[str]) -> None:
    """Raise `InputError` for what a mapping says of columns, channels and units that are not there.

    `names` are the columns of the file. A column that the mapping leaves out need not be there.
    """
    if mapping is None:
        return
    issues = [
        issue for i, column in enumerate(mapping.columns) for issue in _column(i, column, source, names)
    ]
    issues += _twice(mapping)
    if issues:
        raise InputError(issues)


def _column(
    i: int, column: ColumnMapping, source: KnowledgeSource, names: Sequence[str]
) -> Iterator[InputIssue]:
    where, said = f"mapping.columns.{i}", column.channel
    if said is None:
        return
    if column.column not in names:
        message = f"the file has no column {column.column!r}"
        close = nearest(column.column, names) or tuple(names[:5])
        yield InputIssue(f"{where}.column", column.column, message, close)
    known = {channel.removeprefix(PREFIX): channel for channel in source.channels}
    if said not in known:
        yield InputIssue(f"{where}.channel", said, f"no channel is called {said!r}", nearest(said, known))
        return
    channel = source.channels[known[said]]
    if column.reference is not None and channel.reference is None:
        message = f"{channel.label} is no pressure, so it is neither gauge nor absolute"
        yield InputIssue(f"{where}.reference", column.reference, message, ())
    if not column.unit or said in ANY_UNIT:
        return
    if said == TIME:
        taken = column.unit.strip().lower() in {*TIME_UNITS, CLOCK_UNIT}
        accepted: tuple[str, ...] = ("s", "ms", "min")
    else:
        share = column.unit == "share" and channel.unit == "percent"
        taken = share or known_unit(column.unit, channel.unit) is not None
        accepted = ("lambda", "afr") if channel.unit == "dimensionless" else (channel.unit,)
    if not taken:
        message = f"{column.unit!r} is no unit of {channel.label.lower()}"
        yield InputIssue(f"{where}.unit", column.unit, message, accepted)


def _twice(mapping: Mapping) -> Iterator[InputIssue]:
    used = [(i, column) for i, column in enumerate(mapping.columns)]
    channels = Counter(column.channel for _, column in used if column.channel is not None)
    columns = Counter(column.column for _, column in used)
    for i, column in used:
        where = f"mapping.columns.{i}"
        if column.channel is not None and channels[column.channel] > 1:
            message = f"{channels[column.channel]} columns are said to be {column.channel!r}; one can be"
            yield InputIssue(f"{where}.channel", column.channel, message, ())
        if columns[column.column] > 1:
            message = f"the column {column.column!r} is told of {columns[column.column]} times"
            yield InputIssue(f"{where}.column", column.column, message, ())
