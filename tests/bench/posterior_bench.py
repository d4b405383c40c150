"""Posterior time against pyAgrum's LazyPropagation, in one run: `python -m tests.bench.posterior_bench`.

Both get the same network and the same findings. pyAgrum gets the findings of the case only, its net built
beforehand; what is timed is evidence plus inference plus reading all marginals. Ours is timed twice: the
first time a set of findings is seen (planning included) and again (plan remembered). Networks: random ones
(150 causes, 300 findings, 8 links a cause, positive findings drawn from three active causes or at random),
and the shipped knowledge base, positives drawn from its own causes. A step of pyAgrum that cannot get its
memory, or that takes over a minute, is told as such.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

import numpy as np
import pyagrum as gum

from engine.knowledge import load
from engine.network import Network
from engine.posterior import Evidence, Reasoner
from tests.engine.networks import agrum_net, random_network

SIZES = (3, 6, 9, 12, 16, 20)


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
    """Return pyAgrum's median time in milliseconds, or None where it runs out of memory."""
    net = agrum_net(network, present)

    def infer() -> None:
        inference = gum.LazyPropagation(net)
        inference.setEvidence({f"f{f}": 1 for f in present})
        inference.makeInference()
        for c in range(network.prior.size):
            inference.posterior(f"c{c}")

    try:
        return median_ms(infer, rounds)
    except Exception as error:
        if "alloc" in str(error) or isinstance(error, MemoryError):
            return None
        raise


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
                f"{count:>9} {first:>9.2f} {again:>9.2f} {'no memory':>11} {'':>12} {'':>12}  {widest}",
                flush=True,
            )


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
    compare("shipped knowledge base, findings of active causes", knowledge.network, drawn_from_causes)


if __name__ == "__main__":
    run()
