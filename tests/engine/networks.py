"""Noisy-OR networks for the tests: random ones, brute-force sums over them, and the pyAgrum reference."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pyagrum as gum
from hypothesis import strategies as st

from engine.network import Floats, Network


def random_network(rng: np.random.Generator, causes: int, findings: int, links: int) -> Network:
    """Each cause reaches `links` findings; priors and backgrounds lie between 0.001 and 0.05."""
    strength = np.zeros((findings, causes))
    for cause in range(causes):
        strength[rng.choice(findings, min(links, findings), replace=False), cause] = rng.uniform(
            0.1, 0.95, min(links, findings)
        )
    return Network.build(rng.uniform(0.001, 0.05, causes), rng.uniform(0.001, 0.05, findings), strength)


@dataclass(frozen=True)
class SmallCase:
    """A network small enough to sum by brute force, with evidence."""

    network: Network
    present: tuple[int, ...]
    absent: tuple[int, ...]
    excluded: np.ndarray


@st.composite
def small_cases(draw: st.DrawFn) -> SmallCase:
    """Networks of up to 8 causes and 8 findings with every kind of evidence."""
    causes, findings = draw(st.integers(1, 8)), draw(st.integers(1, 8))
    unit = st.floats(0.0005, 0.97)
    prior = np.array(draw(st.lists(st.floats(0.0005, 0.6), min_size=causes, max_size=causes)))
    background = np.array(draw(st.lists(st.floats(0.0005, 0.5), min_size=findings, max_size=findings)))
    links = st.one_of(st.just(0.0), unit)
    flat = draw(st.lists(links, min_size=causes * findings, max_size=causes * findings))
    network = Network.build(prior, background, np.array(flat).reshape(findings, causes))
    states = draw(st.lists(st.sampled_from("ppau"), min_size=findings, max_size=findings))
    excluded = np.array(draw(st.lists(st.booleans().map(lambda b: b), min_size=causes, max_size=causes)))
    if draw(st.booleans()):
        excluded[:] = False
    return SmallCase(
        network,
        tuple(f for f, s in enumerate(states) if s == "p"),
        tuple(f for f, s in enumerate(states) if s == "a"),
        excluded,
    )


def joint_states(network: Network, prior: Floats) -> list[tuple[np.ndarray, float, Floats]]:
    """All states of the causes with their prior probability and P(finding absent | state)."""
    states = []
    for bits in itertools.product((False, True), repeat=prior.size):
        on = np.array(bits, dtype=bool)
        weight = float(np.prod(np.where(on, prior, 1.0 - prior)))
        off = (1.0 - network.background) * np.prod(1.0 - network.strength[:, on], axis=1)
        states.append((on, weight, off))
    return states


def brute(
    network: Network, prior: Floats, present: Sequence[int], absent: Sequence[int]
) -> tuple[float, Floats]:
    """Return P(evidence) and P(cause, evidence) / P(evidence) by summing over all states."""
    total, marginal = 0.0, np.zeros(prior.size)
    for on, weight, off in joint_states(network, prior):
        p = weight * float(np.prod(1.0 - off[list(present)]) * np.prod(off[list(absent)]))
        total += p
        marginal += p * on
    return total, marginal / total


def agrum_net(network: Network, findings: Sequence[int]) -> gum.BayesNet:
    """The same network in pyAgrum, with these findings only; a noisy-OR net with leak (addNoisyORNet)."""
    net = gum.BayesNet()
    for c, p in enumerate(network.prior):
        net.add(gum.LabelizedVariable(f"c{c}", f"c{c}", 2))
        net.cpt(f"c{c}").fillWith([1.0 - float(p), float(p)])
    for f in findings:
        net.addNoisyORNet(gum.LabelizedVariable(f"f{f}", f"f{f}", 2), float(network.background[f]))
        for c in network.parents[f]:
            net.addWeightedArc(f"c{c}", f"f{f}", float(network.strength[f, c]))
    return net


def agrum_posterior(network: Network, present: Sequence[int], absent: Sequence[int]) -> tuple[Floats, float]:
    """Return pyAgrum's posterior of every cause and P(evidence), by LazyPropagation."""
    net = agrum_net(network, [*present, *absent])
    inference = gum.LazyPropagation(net)
    inference.setEvidence({f"f{f}": 1 for f in present} | {f"f{f}": 0 for f in absent})
    inference.makeInference()
    marginal = np.array([float(inference.posterior(f"c{c}")[1]) for c in range(network.prior.size)])
    return marginal, float(inference.evidenceProbability())
