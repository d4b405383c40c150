"""Posterior time against pyAgrum's LazyPropagation, in one run: `python -m tests.bench.posterior_bench`.

Both get the same network and the same findings. pyAgrum gets the findings of the case only, its net built
beforehand; what is timed is evidence plus inference plus reading all marginals. Ours is timed twice: the
first time a set of findings is seen (planning included) and again (plan remembered). Networks: random ones
(150 causes, 300 findings, 8 links a cause, positive findings drawn from three active causes or at random),
and the shipped knowledge base, positives drawn from its own causes. pyAgrum's cliques grow with the causes
of a finding, and the shipped knowledge base has findings of fifty causes: where it needs over 8 GB or ten
seconds it is told to have given up, and a last table keeps to findings of at most nine causes.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import resource
import statistics
import time
from collections.abc import Callable
from multiprocessing.connection import Connection

import numpy as np
import pyagrum as gum

from engine.knowledge import load
from engine.network import Network
from engine.posterior import Evidence, Reasoner
from tests.engine.networks import agrum_net, random_network

SIZES = (3, 6, 9, 12, 16, 20)
PATIENCE = 10.0
"""Seconds that pyAgrum may take for one case."""


def median_ms(work: Callable[[], object], rounds: int) -> float:
    """Return the median time of `work` in milliseconds."""
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return 1e3 * statistics.median(times)


def drawn_from_causes(network: Network, rng: np.random.Generator, count: int) -> tuple[int, ...]:
    """Return `count` positive findings that random active causes make present, hardest case first."""
    found: set[int] = set()
    while len(found) < count:
        cause = int(rng.integers(network.prior.size))
        for f in np.flatnonzero(network.strength[:, cause]):
            if len(found) < count and rng.random() < network.strength[f, cause]:
                found.add(int(f))
    return tuple(sorted(found))


def drawn_at_random(network: Network, rng: np.random.Generator, count: int) -> tuple[int, ...]:
    """Return `count` positive findings that have nothing to do with each other."""
    return tuple(sorted(int(f) for f in rng.choice(network.background.size, count, replace=False)))


def agrum_ms(network: Network, present: tuple[int, ...], rounds: int) -> float | None:
    """Return pyAgrum's median time in milliseconds, or None where it needs over 8 GB or `PATIENCE`.

    It runs in a process of its own, since neither can be stopped from within.
    """
    here, there = multiprocessing.Pipe(duplex=False)
    process = multiprocessing.get_context("fork").Process(
        target=_agrum_child, args=(network, present, rounds, there), daemon=True
    )
    process.start()
    there.close()
    try:
        return float(here.recv()) if here.poll(PATIENCE) else None
    except EOFError:
        return None
    finally:
        process.kill()
        process.join()


def _agrum_child(network: Network, present: tuple[int, ...], rounds: int, answer: Connection) -> None:
    resource.setrlimit(resource.RLIMIT_AS, (8 << 30, 8 << 30))
    net = agrum_net(network, present)

    def infer() -> None:
        inference = gum.LazyPropagation(net)
        inference.setEvidence({f"f{f}": 1 for f in present})
        inference.makeInference()
        for c in range(network.prior.size):
            inference.posterior(f"c{c}")

    with contextlib.suppress(Exception):
        answer.send(median_ms(infer, rounds))


def compare(title: str, network: Network, draw: Callable[..., tuple[int, ...]], samples: int = 3) -> None:
    """Print one table."""
    print(f"\n{title}")
    print(
        f"{'positive':>9} {'first ms':>9} {'again ms':>9} {'pyAgrum ms':>11} "
        f"{'ahead first':>12} {'ahead again':>12}  width"
    )
    groups = np.zeros((3, network.prior.size))
    groups[np.arange(network.prior.size) % 3, np.arange(network.prior.size)] = 1.0
    nobody = np.zeros(network.prior.size, dtype=bool)
    for count in SIZES:
        rng = np.random.default_rng(count)
        rows: list[tuple[float, float, float | None, int]] = []
        for _ in range(samples):
            present = draw(network, rng, count)
            evidence = Evidence(present, (), nobody)
            first = median_ms(lambda e=evidence: Reasoner(network, groups).posterior(e), 3)  # type: ignore[misc]
            reasoner = Reasoner(network, groups)
            plan = reasoner.plan(present, nobody)
            width = plan.width if plan else 99
            again = median_ms(lambda e=evidence, r=reasoner: r.posterior(e), 7)  # type: ignore[misc]
            rows.append((first, again, agrum_ms(network, present, 3), width))
        first = statistics.median(r[0] for r in rows)
        again = statistics.median(r[1] for r in rows)
        known = [r[2] for r in rows if r[2] is not None]
        widest = max(r[3] for r in rows)
        if known:
            theirs = statistics.median(known)
            print(
                f"{count:>9} {first:>9.2f} {again:>9.2f} {theirs:>11.2f} {theirs / first:>11.1f}x "
                f"{theirs / again:>11.1f}x  {widest}",
                flush=True,
            )
        else:
            print(
                f"{count:>9} {first:>9.2f} {again:>9.2f} {'gave up':>11} {'':>12} {'':>12}  {widest}",
                flush=True,
            )


def few_causes(network: Network, rng: np.random.Generator, count: int) -> tuple[int, ...]:
    """As `drawn_from_causes`, but only findings of at most nine causes."""
    few = np.array([0 < len(parents) <= 9 for parents in network.parents])
    found: set[int] = set()
    while len(found) < count:
        cause = int(rng.integers(network.prior.size))
        for f in np.flatnonzero(network.strength[:, cause] * few):
            if len(found) < count and rng.random() < network.strength[f, cause]:
                found.add(int(f))
    return tuple(sorted(found))


def run() -> None:
    """Print all tables."""
    rng = np.random.default_rng(0)
    compare(
        "random network, 8 links a cause, findings of active causes",
        random_network(rng, 150, 300, 8),
        drawn_from_causes,
    )
    compare(
        "random network, 8 links a cause, findings at random",
        random_network(rng, 150, 300, 8),
        drawn_at_random,
    )
    knowledge = load(chainer="compiled")
    title = "shipped knowledge base, findings of active causes"
    compare(title, knowledge.network, drawn_from_causes, samples=1)
    compare(f"{title}, at most nine causes each", knowledge.network, few_causes)


if __name__ == "__main__":
    run()
