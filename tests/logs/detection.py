"""How well faults are found in logs: `python -m tests.logs.detection [--cars N] [--through csv]`.

For every fault and size, sessions of N seeded cars of the model are looked at as the tool does, beside those
of sound cars. Prints per fault how often it was found and what was told that is not there; ends with 1 if
under 95 per cent of the faults that matter are found, or over 2 per cent of the logs hold a false finding.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
import tempfile
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

from rich.console import Console
from rich.table import Table

from engine.loading import KnowledgeSource, default_root, load_source
from engine.logs.looking import Looker, features
from engine.logs.reading import read_log
from tests.logs.model import Recording, record, to_stretch
from tests.logs.model_faults import FAULTS, Fault, faulty
from tests.logs.model_files import STYLES, mapping_for, write_csv

LEAST_FOUND = 0.95
MOST_FALSE = 0.02
TRUE_OF_SOUND_CARS = frozenset({"cut_flag_logged"})
"""What is told of sound cars and is true: some change gear at full throttle with an ignition cut."""


@dataclass(frozen=True)
class Look:
    """What was told of one session: findings that are present, each with the features that told them."""

    fault: int
    size: float
    seed: int
    present: tuple[tuple[str, str], ...]


@dataclass
class Row:
    """One line of the table: `false` counts the logs with a finding that is not there."""

    told: str
    size: str
    logs: int = 0
    found: int = 0
    false: int = 0
    missed: list[int] = field(default_factory=list)
    wrong: Counter[str] = field(default_factory=Counter)


@lru_cache(maxsize=1)
def knowledge() -> KnowledgeSource:
    """The knowledge base, loaded once for each process."""
    return load_source(default_root())


def told_of(recording: Recording, through: str | None = None) -> tuple[tuple[str, str], ...]:
    """Return the findings that are present in a recording, with their features.

    `through` writes it as a file first, in the form of a logger that the seed picks, and reads that.
    """
    looker = Looker(knowledge())
    if through == "csv":
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "log.csv"
            style = list(STYLES)[recording.car.seed % len(STYLES)]
            write_csv(recording, path, style)
            reader = read_log(path, knowledge(), mapping_for(style))
            for stretch in reader.stretches():
                looker.take(stretch)
    else:
        looker.take(to_stretch(recording))
    results = looker.told().results
    return tuple((one.finding, one.feature.id) for one in results if one.state == "present")


def look(job: tuple[int, float, int, str | None]) -> Look:
    """Drive one car with one fault (number -1: none) and look at its log."""
    number, size, seed, through = job
    recording = record(seed) if number < 0 else faulty(seed, FAULTS[number], size)
    return Look(number, size, seed, told_of(recording, through))


def known_findings() -> frozenset[str]:
    """The findings that some feature decides."""
    limits = knowledge().limits
    return frozenset(limits[feature.id].finding for feature in features())


def judge_look(fault: Fault | None, seen: Look) -> tuple[bool, list[str]]:
    """Return whether the fault was found, and the features that told what is not there."""
    wanted = fault.findings if fault else frozenset()
    allowed = TRUE_OF_SOUND_CARS | wanted | (fault.also if fault else frozenset())
    found = any(finding in wanted for finding, _ in seen.present)
    return found, [feature for finding, feature in seen.present if finding not in allowed]


def jobs_of(
    cars: int, sound_cars: int, sizes: str, through: str | None, only: str | None = None
) -> list[tuple[int, float, int, str | None]]:
    """Return what to drive: every known fault at its sizes over `cars`, and the sound cars."""
    known = known_findings()
    jobs: list[tuple[int, float, int, str | None]] = [(-1, 0.0, seed, through) for seed in range(sound_cars)]
    for number, fault in enumerate(FAULTS):
        if not fault.findings & known or (only and only not in fault.id):
            continue
        wanted = fault.matter if sizes == "matter" else (*fault.matter, *fault.too_small)
        jobs += [(number, size, 1000 + seed, through) for size in wanted for seed in range(cars)]
    # By car, so that one drive serves all the faults that do not change it.
    return sorted(jobs, key=lambda job: job[2])


def rows_of(looks: Sequence[Look]) -> tuple[dict[tuple[int, float], Row], Row]:
    """Return a row for each fault and size, and that of the sound cars."""
    rows: dict[tuple[int, float], Row] = {}
    sound = Row("sound cars", "")
    for seen in sorted(looks, key=lambda one: one.fault):
        fault = FAULTS[seen.fault] if seen.fault >= 0 else None
        row = sound
        if fault is not None:
            size = f"{seen.size:g} {fault.unit}".strip()
            row = rows.setdefault((seen.fault, seen.size), Row(fault.told, size))
        found, wrong = judge_look(fault, seen)
        row.logs += 1
        row.found += found
        row.false += bool(wrong)
        row.wrong.update(wrong)
        if not found:
            row.missed.append(seen.seed)
    return rows, sound


@dataclass(frozen=True)
class Score:
    """The two shares that count."""

    found: float
    false_sound: float
    false_faulty: float

    @property
    def good(self) -> bool:
        """Whether both are within their bounds."""
        return self.found >= LEAST_FOUND and max(self.false_sound, self.false_faulty) <= MOST_FALSE


def score_of(rows: dict[tuple[int, float], Row], sound: Row) -> Score:
    """Return the share found of what matters, and the share of logs with a false finding."""
    matter = [row for (number, size), row in rows.items() if size in FAULTS[number].matter]
    logs = sum(row.logs for row in matter)
    every = sum(row.logs for row in rows.values())
    return Score(
        found=sum(row.found for row in matter) / max(1, logs),
        false_sound=sound.false / max(1, sound.logs),
        false_faulty=sum(row.false for row in rows.values()) / max(1, every),
    )


def table_of(rows: dict[tuple[int, float], Row], sound: Row) -> Table:
    """Return the table to print."""
    table = Table(title="Faults of the model found in its logs")
    for name, right in (
        ("fault", False),
        ("size", True),
        ("logs", True),
        ("found", True),
        ("with a false finding", True),
        ("which", False),
    ):
        table.add_column(name, justify="right" if right else "left")
    for (number, size), row in rows.items():
        matters = size in FAULTS[number].matter
        found = f"{100 * row.found / row.logs:.0f} %" + ("" if matters else " (too small to count)")
        table.add_row(row.told, row.size, str(row.logs), found, str(row.false), _wrong(row))
    table.add_row(sound.told, "", str(sound.logs), "", str(sound.false), _wrong(sound))
    return table


def _wrong(row: Row) -> str:
    return ", ".join(f"{name} {count}" for name, count in row.wrong.most_common(4))


def main() -> int:
    """Drive, look, print; return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cars", type=int, default=12)
    parser.add_argument("--sound", type=int, default=None, help="sound cars, ten times --cars if left out")
    parser.add_argument("--through", choices=["csv"], default=None)
    parser.add_argument("--sizes", choices=["matter", "all"], default="all")
    parser.add_argument("--only", default=None, help="faults whose name holds this")
    parser.add_argument("--missed", action="store_true", help="name the cars on which a fault was missed")
    parser.add_argument("--processes", type=int, default=2)
    asked = parser.parse_args()
    sound_cars = 10 * asked.cars if asked.sound is None else asked.sound
    jobs = jobs_of(asked.cars, sound_cars, asked.sizes, asked.through, asked.only)
    Looker(knowledge())
    with multiprocessing.get_context("fork").Pool(asked.processes) as pool:
        looks = pool.map(look, jobs, chunksize=16)
    rows, sound = rows_of(looks)
    console = Console(width=150)
    console.print(table_of(rows, sound))
    if asked.missed:
        for (number, size), row in rows.items():
            if row.missed and size in FAULTS[number].matter:
                console.print(f"missed: {row.told}, {row.size}: cars {row.missed}")
        wrong = {
            seen.seed: names for seen in looks if seen.fault < 0 and (names := judge_look(None, seen)[1])
        }
        console.print(f"false on sound cars: {wrong}")
    known = known_findings()
    absent = [fault.told for fault in FAULTS if not fault.findings & known]
    if absent:
        console.print(f"not looked for: {', '.join(absent)}")
    score = score_of(rows, sound)
    console.print(
        f"found of what matters {100 * score.found:.1f} %; logs with a false finding: sound cars "
        f"{100 * score.false_sound:.1f} %, faulty cars {100 * score.false_faulty:.1f} %"
    )
    return 0 if score.good else 1


if __name__ == "__main__":
    sys.exit(main())
