"""Cases drawn from the network of the knowledge base itself, answered and played on.

The figures say how well the questions, tests and verdicts work if the numbers of the knowledge base are
true. They do not say whether these are true; golden cases and outcomes do.

A caller names only some of what is there and hardly anything that is not, while the answer takes what was
not named as not asked. So the probabilities of a first answer are not those of the draw even without
noise: what many callers would have named and this one did not still counts as open.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from engine.answer import KbStamp
from engine.case import FindingReport, TriageRequest
from engine.errors import PrepullError
from engine.figures import Figure, Figures, by_group, figures, outcome
from engine.knowledge import Knowledge
from engine.model import KnownState, VerdictName
from engine.network import Bools, Floats, Network
from engine.playing import State, first_answer, play
from engine.triage import Triage
from engine.verdict import SEVERITIES, VERDICTS

NAMED = 0.7
"""P(a caller names a finding that is there and can be had on a call)."""
DENIED = 3
"""At most so many findings that are not there are denied, of those that bear on what was named."""
BATCH = 256
MOST_DRAWN = 1_000_000


class CannotDrawError(PrepullError):
    """Hardly any car of this knowledge base has a fault that shows on a call."""


class Simulation(Figure):
    """The figures of simulated cases, of all and by the worst consequence of what was there.

    The verdict that is right is the one of least loss for that consequence. `next_step`, `hold` and
    `reachable` are not judged.
    """

    kb: KbStamp
    seed: int
    wrong: float
    missing: float
    figures: Figures
    by_consequence: Mapping[str, Figures]


@dataclass(frozen=True)
class Drawn:
    """A car with what is wrong with it: masks of the causes [C] and findings [F] that are there."""

    causes: Bools
    findings: Bools


@dataclass(frozen=True)
class Noise:
    """Shares of the answers that say the opposite (`wrong`) and that are not given at all (`missing`)."""

    wrong: float = 0.0
    missing: float = 0.0

    def __post_init__(self) -> None:
        for name, share in (("wrong", self.wrong), ("missing", self.missing)):
            if not 0.0 <= share <= 1.0:
                raise ValueError(f"{name} is a share from 0 to 1, not {share}")

    def hear(self, there: bool, rng: np.random.Generator) -> State:
        """Return what is heard of a finding that is `there` or not."""
        lost, flipped = rng.random(2) < (self.missing, self.wrong)
        if lost:
            return "unknown"
        return "present" if there != flipped else "absent"


@dataclass(frozen=True)
class SimulatedCar:
    """Answers questions exactly and tests by their sensitivity and specificity, both then through noise."""

    knowledge: Knowledge
    drawn: Drawn
    noise: Noise
    rng: np.random.Generator

    def asked(self, finding: str) -> State:
        """Return what is heard when this finding is asked for."""
        return self.noise.hear(self._there(finding), self.rng)

    def tested(self, test: str) -> Mapping[str, KnownState]:
        """Return what is read off a test; a finding whose result is missing is left out."""
        shown: dict[str, KnownState] = {}
        for finding, accuracy in self.knowledge.source.tests[test].settles.items():
            share = accuracy.sensitivity if self._there(finding) else 1.0 - accuracy.specificity
            heard = self.noise.hear(bool(self.rng.random() < share), self.rng)
            if heard != "unknown":
                shown[finding] = heard
        return shown

    def _there(self, finding: str) -> bool:
        return bool(self.drawn.findings[self.knowledge.finding_index[finding]])


def simulate(
    triage: Triage, cases: int, seed: int, noise_wrong: float = 0.0, noise_missing: float = 0.0
) -> Simulation:
    """Draw, answer and play on `cases` cases; the same seed and knowledge base give the same figures.

    Each case has a cause and a finding that can be had on a call. The caller names each such finding with
    probability `NAMED` (one at least), and denies up to `DENIED` others. `noise_wrong` and `noise_missing`
    are shares of all answers, 0 to 1. Raises `CannotDrawError` where such cases are all but impossible.
    """
    noise = Noise(noise_wrong, noise_missing)
    knowledge = triage.knowledge
    draws = _Draws(knowledge, seed)
    outcomes, worst = [], []
    for number, drawn in zip(range(cases), draws, strict=False):
        rng = np.random.default_rng((seed, number))
        request = _call(knowledge, drawn, noise, rng)
        truth = [knowledge.cause_ids[c] for c in np.flatnonzero(drawn.causes)]
        severity = max(_severity(knowledge, cause) for cause in truth)
        answer = first_answer(triage, request)
        played = play(triage, request, answer, truth, SimulatedCar(knowledge, drawn, noise, rng))
        outcomes.append(outcome(answer, played, truth, (), [_right(triage, severity)]))
        worst.append(SEVERITIES[severity])
    return Simulation(
        kb=triage.stamp,
        seed=seed,
        wrong=noise_wrong,
        missing=noise_missing,
        figures=figures(outcomes),
        by_consequence=by_group(outcomes, worst),
    )


def _severity(knowledge: Knowledge, cause: str) -> int:
    return SEVERITIES.index(knowledge.source.causes[cause].consequence)


def _right(triage: Triage, severity: int) -> VerdictName:
    """Return the verdict of least loss when the worst that is there is known, the stricter of equal ones."""
    losses = triage.priced.loss[:, severity]
    return VERDICTS[min(range(4), key=lambda v: (float(losses[v]), -v))]


class _Draws(Iterator[Drawn]):
    """Endless cars with a cause and a finding that can be had on a call, by rejection."""

    def __init__(self, knowledge: Knowledge, seed: int) -> None:
        self.network = knowledge.network
        self.on_call = _on_call(knowledge)
        self.rng = np.random.default_rng(seed)
        self.waiting: list[Drawn] = []

    def __next__(self) -> Drawn:
        drawn = 0
        while not self.waiting:
            if drawn >= MOST_DRAWN:
                raise CannotDrawError(f"none of {drawn} cars drawn has a fault that shows on a call")
            causes, findings = draw(self.network, BATCH, self.rng)
            drawn += BATCH
            fit = causes.any(axis=1) & findings[:, self.on_call].any(axis=1)
            self.waiting = [Drawn(causes[i], findings[i]) for i in np.flatnonzero(fit)[::-1]]
        return self.waiting.pop()


def draw(network: Network, count: int, rng: np.random.Generator) -> tuple[Bools, Bools]:
    """Draw `count` cars from the network: masks of causes [count, C] and of findings [count, F]."""
    causes = rng.random((count, network.prior.size)) < network.prior
    log_absent: Floats = np.log1p(-network.background) + causes @ network.log_off.T
    findings = rng.random(log_absent.shape) < -np.expm1(log_absent)
    return causes, findings


def _on_call(knowledge: Knowledge) -> Bools:
    entries = knowledge.source.findings
    return np.array(
        ["call" in entries[finding].found_at for finding in knowledge.finding_ids], dtype=np.bool_
    )


def _call(knowledge: Knowledge, drawn: Drawn, noise: Noise, rng: np.random.Generator) -> TriageRequest:
    """Return what a caller says of a car."""
    network, on_call = knowledge.network, _on_call(knowledge)
    there = np.flatnonzero(drawn.findings & on_call)
    named = there[rng.random(there.size) < NAMED]
    if not named.size:
        named = rng.choice(there, 1)
    # What a caller denies is what comes up while the fault is spoken of, not any odd thing of the car.
    suspects = (network.strength[named] > 0.0).any(axis=0)
    near = (network.strength[:, suspects] > 0.0).any(axis=1)
    gone = np.flatnonzero(near & on_call & ~drawn.findings)
    denied = rng.permutation(gone)[:DENIED]
    reports = []
    for finding in [*named.tolist(), *denied.tolist()]:
        heard = noise.hear(bool(drawn.findings[finding]), rng)
        # A finding that is missing here was not named at all; it may still be asked for.
        if heard != "unknown":
            reports.append(FindingReport(id=knowledge.finding_ids[finding], state=heard))
    return TriageRequest(findings=reports)
