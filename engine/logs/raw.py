"""A log file as columns of numbers, whatever its format: what the reader asks of each format."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from engine.logs.layout import SHOWN_NAME, Caveat, Layout, shown_name
from engine.logs.stretch import Floats


@dataclass(frozen=True)
class RawColumn:
    """A column as the file has it: its name as written, and its unit where that stands by itself."""

    name: str
    unit: str


@dataclass(frozen=True)
class Piece:
    """Rows of the file: their times [s] as written, and the wanted columns, NaN where nothing was written."""

    times: Floats
    columns: Mapping[int, Floats]
    unreadable: int = 0


class RawLog(Protocol):
    """A file that holds columns over time."""

    @property
    def columns(self) -> Sequence[RawColumn]:
        """The columns, without their units in the names."""
        ...

    @property
    def time_column(self) -> int | None:
        """The number of the column that is the time; None where each channel has times of its own."""
        ...

    @property
    def time_unit(self) -> str | None:
        """The unit that the numbers of the time column were taken to be in; None for a clock."""
        ...

    @property
    def time_note(self) -> str | None:
        """What was assumed of the time."""
        ...

    def layout(self) -> Layout:
        """Return the form of the file, its columns not yet told."""
        ...

    def head(self, wanted: Sequence[int]) -> Piece:
        """Return the first rows, with the wanted columns at least."""
        ...

    def caveats(self) -> list[Caveat]:
        """Return what to mind about the file, as far as it was read."""
        ...

    def pieces(self, wanted: Sequence[int]) -> Iterator[Piece]:
        """Yield all rows with the wanted columns, in the order of the file."""
        ...


def numbered(names: Sequence[str]) -> list[str]:
    """Return the names with a number behind those that were there before.

    >>> numbered(["speed", "speed", "speed (2)"])
    ['speed', 'speed (2)', 'speed (2) (2)']
    """
    seen: set[str] = set()
    found = []
    for name in names:
        shown, count = name, 1
        while shown_name(shown) in seen:
            count += 1
            shown = f"{shown_name(name)[: SHOWN_NAME - 8]} ({count})"
        seen.add(shown_name(shown))
        found.append(shown)
    return found
