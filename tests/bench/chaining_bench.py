"""How long a case takes in each chainer and in CLIPS: ``python -m tests.bench.chaining_bench``."""

from __future__ import annotations

import time
from collections.abc import Callable, Collection

from engine.chaining import Closure, RuleTable, make_chainer
from engine.chaining.durable import available
from tests.engine.clips_reference import ClipsReference
from tests.soak.chaining_soak import FACTS, RULES, cases, joined_table

LARGE = 100_000
CASES = 200
ROUNDS = 7


def run() -> None:
    """Print microseconds a case and ratios to the compiled chainer; best of `ROUNDS`, contestants in turn."""
    small, large = joined_table(), joined_table(LARGE)
    contestants: list[tuple[str, Callable[[Collection[int]], Closure], RuleTable]] = [
        (f"compiled, {RULES} rules", make_chainer(small, "compiled").close, small)
    ]
    if available():
        contestants.append((f"durable,  {RULES} rules", make_chainer(small, "durable").close, small))
    contestants.append((f"CLIPS,    {RULES} rules", ClipsReference(small).close, small))
    contestants.append((f"compiled, {LARGE} rules", make_chainer(large, "compiled").close, large))
    best = dict.fromkeys((label for label, _, _ in contestants), float("inf"))
    fired: dict[str, float] = {}
    for _ in range(ROUNDS):
        for label, close, table in contestants:
            facts = list(cases(table, CASES))
            began = time.perf_counter()
            closures = [close(case) for case in facts]
            spent = (time.perf_counter() - began) / CASES * 1e6
            best[label] = min(best[label], spent)
            fired[label] = sum(len(closure.fired) for closure in closures) / CASES
    base = best[contestants[0][0]]
    print(f"{FACTS} facts a case, {CASES} cases, best of {ROUNDS} rounds")
    print(f"{'chainer':<24}{'us a case':>10}{'ratio':>8}{'fired':>7}")
    for label, _, _ in contestants:
        print(f"{label:<24}{best[label]:>10.1f}{best[label] / base:>8.1f}{fired[label]:>7.1f}")


if __name__ == "__main__":
    run()
