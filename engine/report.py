"""What a knowledge base cannot do: causes it cannot tell apart or confirm, findings that change nothing."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from engine.answer import KbStamp
from engine.checks.report import all_conditions
from engine.differential import INSEPARABLE, Pair, Separator, pairs
from engine.figures import Figure
from engine.knowledge import Knowledge
from engine.model import FindingIs
from engine.network import Floats, Network
from engine.posterior import Evidence
from engine.triage import Triage

CONFIRMED = 0.5
"""P(cause | what the test shows) from which on the test counts as confirming it."""
COMPLAINT = 2
"""Findings that a caller is taken to report beside what a test shows."""
MOVES_PROBABILITY = 0.01
MOVES_LOG_ODDS = 0.1


class Told(Figure):
    """A finding or a test that separates two causes, and the bits that it tells (at most 1)."""

    id: str
    bits: float


class PairPower(Figure):
    """Two causes of a system and what separates them best: see `engine.differential`."""

    system: str
    first: str
    second: str
    bits: float
    question: Told | None
    finding: Told | None
    test: Told | None


class Unconfirmed(Figure):
    """A cause that no test brings to `CONFIRMED`, the test that comes nearest, and the reason given.

    `probability` is that of the cause when the `findings` of this test that it makes are all present and
    nothing else is known; without a test it is the prior. `reason` is the note of the cause.
    """

    cause: str
    system: str
    test: str | None
    findings: tuple[str, ...]
    probability: float
    reason: str | None


class Silent(Figure):
    """A finding that moves no cause when it is all that is known; `rules` are those that look at it."""

    finding: str
    system: str
    rules: tuple[str, ...]


class Report(Figure):
    """What a knowledge base, or one system of it, cannot do. Pairs come worst separated first."""

    kb: KbStamp
    causes: int
    pairs: tuple[PairPower, ...]
    inseparable: int
    """Pairs that nothing separates by `engine.differential.INSEPARABLE` bits."""
    unconfirmed: tuple[Unconfirmed, ...]
    silent: tuple[Silent, ...]


def report(triage: Triage, system: str | None = None) -> Report:
    """Return the report on all systems, or on one."""
    knowledge = triage.knowledge
    source = knowledge.source
    told = sorted(
        (_told(pair) for pair in pairs(source) if system in {None, pair.system}),
        key=lambda pair: (pair.bits, pair.system, pair.first, pair.second),
    )
    alone = present_alone(knowledge.network)
    causes = [c for c in knowledge.cause_ids if system in {None, source.system_of["causes", c]}]
    return Report(
        kb=triage.stamp,
        causes=len(causes),
        pairs=tuple(told),
        inseparable=sum(pair.bits < INSEPARABLE for pair in told),
        unconfirmed=tuple(
            found for cause in causes if (found := _confirm(triage, alone, cause)).probability < CONFIRMED
        ),
        silent=tuple(s for s in _silent(knowledge, alone) if system in {None, s.system}),
    )


def present_alone(network: Network) -> Floats:
    """Return P(cause | this finding is present and nothing else is known) [F, C].

    By Bayes' rule from P(f | c), in which every cause but c is there with its prior:
    P(f absent | c) = (1 - b) (1 - q_c) * prod over the others of (1 - p q).
    """
    spent = np.log1p(-network.prior * network.strength)
    idle = np.log1p(-network.background) + spent.sum(axis=1)
    with_cause = -np.expm1(idle[:, None] - spent + network.log_off)
    present = -np.expm1(idle)
    whole: Floats = network.prior * with_cause / np.maximum(present, 1e-300)[:, None]
    return whole


def _told(pair: Pair) -> PairPower:
    return PairPower(
        system=pair.system,
        first=pair.first,
        second=pair.second,
        bits=pair.bits,
        question=_separator(pair.question),
        finding=_separator(pair.finding),
        test=_separator(pair.test),
    )


def _separator(separator: Separator | None) -> Told | None:
    return None if separator is None else Told(id=separator.id, bits=separator.bits)


def _confirm(triage: Triage, alone: Floats, cause: str) -> Unconfirmed:
    """Return the test that brings a cause nearest to certainty, whether that is near or not.

    Alone first; where that is not enough, together with what a caller with this fault would most likely
    report, since no test is made on a car that nobody complains of.
    """
    knowledge = triage.knowledge
    source, number = knowledge.source, knowledge.cause_index[cause]
    makes = source.links[cause].makes
    best: tuple[float, str | None, tuple[str, ...]] = (float(knowledge.network.prior[number]), None, ())
    together: list[tuple[str, tuple[str, ...]]] = []
    for test, entry in source.tests.items():
        shown = tuple(finding for finding in entry.settles if finding in makes)
        for finding in shown:
            p = float(alone[knowledge.finding_index[finding], number])
            best = max(best, (p, test, (finding,)), key=lambda item: item[0])
        if shown:
            together.append((test, shown))
    nothing = np.zeros(len(knowledge.cause_ids), dtype=np.bool_)
    for complained in (False, True):
        for test, shown in together:
            # Most causes are confirmed by one finding alone; only for the rest are several walked together.
            if best[0] >= CONFIRMED:
                break
            told = _complaint(knowledge, cause, shown) if complained else ()
            present = tuple(sorted(knowledge.finding_index[finding] for finding in (*shown, *told)))
            p = float(triage.reasoner.posterior(Evidence(present, (), nothing)).marginal[number])
            best = max(best, (p, test, shown), key=lambda item: item[0])
    return Unconfirmed(
        cause=cause,
        system=source.system_of["causes", cause],
        test=best[1],
        findings=best[2],
        probability=best[0],
        reason=source.causes[cause].note,
    )


def _complaint(knowledge: Knowledge, cause: str, shown: tuple[str, ...]) -> tuple[str, ...]:
    """Return the findings a caller would most likely report of a cause, but for those a test shows."""
    strength = knowledge.network.strength[:, knowledge.cause_index[cause]]
    asked = [
        finding
        for finding in knowledge.source.links[cause].makes
        if "call" in knowledge.source.findings[finding].found_at and finding not in shown
    ]
    asked.sort(key=lambda finding: (-strength[knowledge.finding_index[finding]], finding))
    return tuple(asked[:COMPLAINT])


def _silent(knowledge: Knowledge, alone: Floats) -> Iterator[Silent]:
    source, prior = knowledge.source, knowledge.network.prior
    moved = np.abs(alone - prior).max(axis=1, initial=0.0) >= MOVES_PROBABILITY
    odds = np.abs(_log_odds(alone) - _log_odds(prior)).max(axis=1, initial=0.0) >= MOVES_LOG_ODDS
    used: dict[str, set[str]] = {}
    for kind, entry, _, leaf in all_conditions(source):
        if kind == "rules" and isinstance(leaf, FindingIs):
            used.setdefault(leaf.finding, set()).add(entry)
    for i in np.flatnonzero(~(moved | odds)).tolist():
        finding = knowledge.finding_ids[i]
        yield Silent(
            finding=finding,
            system=source.system_of["findings", finding],
            rules=tuple(sorted(used.get(finding, ()))),
        )


def _log_odds(p: Floats) -> Floats:
    inside = np.clip(p, 1e-12, 1.0 - 1e-12)
    odds: Floats = np.log(inside) - np.log1p(-inside)
    return odds
