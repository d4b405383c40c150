"""Small logs as text, for the tests of the reader."""

from __future__ import annotations

from collections.abc import Mapping as AbcMapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from engine.loading import KnowledgeSource, default_root, load_source
from engine.logs.mapping import Mapping
from engine.logs.reading import LogReader, ReadLimits, read_log
from engine.logs.stretch import Floats

HERTZ = 20.0


@lru_cache(maxsize=1)
def knowledge() -> KnowledgeSource:
    """The shipped knowledge base."""
    return load_source(default_root())


def times(seconds: float = 60.0, hertz: float = HERTZ) -> Floats:
    """Even times [s] from 0."""
    return np.asarray(np.arange(round(seconds * hertz)) / hertz, dtype=np.float64)


def drive(seconds: float = 60.0, hertz: float = HERTZ, air_kpa: float = 98.0) -> dict[str, Floats]:
    """A drive: 5 s with the engine off, 15 s of idle, then pulls; boost [kPa] is gauge."""
    at = times(seconds, hertz)
    off, idle = at < 5.0, (at >= 5.0) & (at < 20.0)
    wave = 0.5 - 0.5 * np.cos((at - 20.0) * 2.0 * np.pi / 15.0)
    speed = np.where(off, 0.0, np.where(idle, 850.0, 1500.0 + 4500.0 * wave))
    throttle = np.where(off | idle, 1.5, 100.0 * wave)
    boost = np.where(off, 0.0, np.where(idle, 35.0 - air_kpa, -50.0 + 150.0 * wave))
    return {
        "time": at,
        "engine_speed": speed,
        "throttle": throttle,
        "boost": boost,
        "lambda": np.where(off, 1.3, np.where(idle, 1.0, 1.0 - 0.2 * wave)),
        "oil_pressure": np.where(off, 0.0, 100.0 + speed / 20.0),
        "coolant_temperature": 85.0 + at / 60.0,
        "intake_temperature": 25.0 + 20.0 * wave,
    }


def text_of(
    columns: AbcMapping[str, Floats],
    delimiter: str = ",",
    decimal: str = ".",
    digits: int = 4,
    end: str = "\n",
) -> str:
    """Return columns as text, the keys as header; NaN becomes an empty cell."""
    rows = [delimiter.join(columns)]
    for row in zip(*columns.values(), strict=True):
        cells = ("" if np.isnan(value) else f"{value:.{digits}f}".replace(".", decimal) for value in row)
        rows.append(delimiter.join(cells))
    return end.join(rows) + end


@dataclass(frozen=True)
class Read:
    """A log read to its end."""

    reader: LogReader
    channels: dict[str, Floats]
    time: Floats
    stretches: int
    longest: int

    @property
    def codes(self) -> list[str]:
        """Codes of the caveats."""
        return [caveat.code for caveat in self.reader.caveats]

    def column(self, name: str) -> object:
        """What a column was taken for."""
        return next(c.channel for c in self.reader.layout.columns if c.name == name)


def read_text(
    folder: Path, text: str | bytes, mapping: Mapping | None = None, limits: ReadLimits | None = None
) -> Read:
    """Write a text, read it as a log to its end, and join the stretches."""
    path = folder / "log.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_path(path, mapping, limits)


def read_path(path: Path, mapping: Mapping | None = None, limits: ReadLimits | None = None) -> Read:
    """Read a log to its end and join the stretches."""
    reader = read_log(path, knowledge(), mapping, limits=limits)
    parts = list(reader.stretches())
    names = parts[0].channels if parts else {}
    return Read(
        reader,
        {name: np.concatenate([part.channels[name] for part in parts]) for name in names},
        np.concatenate([part.time for part in parts]) if parts else np.empty(0),
        len(parts),
        max((part.length for part in parts), default=0),
    )
