"""A long run of one durable chainer: is every closure right, and does memory stay where it is?

``python -m tests.soak.chaining_soak --cases 100000`` prints memory and wrong closures as it goes and exits
with 1 when a closure was wrong or memory grew by more than ``SLACK_MB`` after the warm-up.
"""

from __future__ import annotations

import argparse
import random
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from engine.chaining import Conjunction, RuleTable, make_chainer
from engine.errors import ChainerError

RULES = 400
FACTS = 20
SLACK_MB = 4.0
WARM_UP = 500


@dataclass(frozen=True)
class Soaked:
    """What a run saw; `wrong` counts closures unlike the compiled chainer's and cases without any."""

    wrong: int
    fired: int
    grown_mb: float


def joined_table(rules: int = RULES, seed: int = 1) -> RuleTable:
    """Rules that join one to six atoms, half of them giving an atom that later rules may need."""
    source = random.Random(seed)
    given = rules // 2
    conjunctions = []
    for number in range(rules):
        derived = given + number // 2
        needs = source.sample(range(derived), source.choice((1, 2, 2, 2, 3, 3, 4, 6)))
        gives = (derived,) if number % 2 else ()
        conjunctions.append(Conjunction(f"rule_{number}", tuple(needs), gives))
    return RuleTable(given + rules // 2 + 1, tuple(conjunctions))


def cases(table: RuleTable, count: int, seed: int = 2) -> Iterator[tuple[int, ...]]:
    """Fact sets made from the needs of a few rules, so that much of a case fires."""
    source = random.Random(seed)
    given = len(table.conjunctions) // 2
    for _ in range(count):
        facts: set[int] = set()
        while len(facts) < FACTS:
            needs = source.choice(table.conjunctions).needs
            facts.update(atom for atom in needs if atom < given or source.random() < 0.1)
        chosen = sorted(facts)
        source.shuffle(chosen)
        yield tuple(chosen[:FACTS])


def resident_mb() -> float:
    """Resident memory of this process now; `getrusage` would only know the peak."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * 4096 / 1e6


def soak(count: int, report_every: int = 0) -> Soaked:
    """Run `count` cases through one durable chainer, printing every `report_every` of them."""
    table = joined_table()
    durable = make_chainer(table, "durable")
    compiled = make_chainer(table, "compiled")
    wrong = fired = 0
    start = resident_mb()
    began = time.perf_counter()
    for done, facts in enumerate(cases(table, count), start=1):
        try:
            closure = durable.close(facts)
        except ChainerError as error:
            wrong += 1
            print(f"case {done}: {error}", flush=True)
        else:
            wrong += closure != compiled.close(facts)
            fired += len(closure.fired)
        if done == min(WARM_UP, count):
            start = resident_mb()
        if report_every and done % report_every == 0:
            seconds = time.perf_counter() - began
            print(f"{done:>9} cases {resident_mb():9.1f} MB {wrong:>4} wrong {seconds:8.1f} s", flush=True)
    return Soaked(wrong, fired, resident_mb() - start)


def main(arguments: list[str] | None = None) -> int:
    """Run the soak from the command line and return its exit code."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=100_000)
    count = parser.parse_args(arguments).cases
    seen = soak(count, report_every=max(1, count // 20))
    print(
        f"{count} cases, {seen.fired / count:.1f} conclusions a case, {seen.wrong} wrong, "
        f"{seen.grown_mb:+.1f} MB after the first {WARM_UP} (slack {SLACK_MB} MB)"
    )
    return int(seen.wrong > 0 or seen.grown_mb > SLACK_MB)


if __name__ == "__main__":
    sys.exit(main())
