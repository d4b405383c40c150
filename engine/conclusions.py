"""From what fired in the chainer to what follows: findings, exclusions, holds, cautions, and the trace."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from engine.chaining import Closure
from engine.errors import ChainerError
from engine.facts import Facts, holding_atoms
from engine.knowledge import Knowledge
from engine.model import Activity, Hold, KnownState


@dataclass(frozen=True)
class Support:
    """A statement that a rule rests on, and the field or the rule that it comes from."""

    statement: str
    origin: str


@dataclass(frozen=True)
class Fired:
    """A rule that fired and what it rests on."""

    rule: str
    because: tuple[Support, ...]


@dataclass(frozen=True)
class Derived:
    """A finding that rules concluded, and the first of the rules that did."""

    finding: str
    state: KnownState
    rule: str


@dataclass(frozen=True)
class Conflict:
    """A finding that was concluded to be one thing and said, or also concluded, to be the other."""

    finding: str
    used: KnownState | None
    message: str


@dataclass(frozen=True)
class Conclusions:
    """Everything that the rules say of a case. Tuples are in the order of the trace."""

    trace: tuple[Fired, ...]
    derived: Mapping[str, Derived]
    conflicts: tuple[Conflict, ...]
    excluded: Mapping[str, str]
    """Cause id -> the rule that excludes it."""
    holds: tuple[tuple[str, Hold], ...]
    cautions: Mapping[str, str]
    required_tests: Mapping[str, tuple[str, ...]]
    forbidden: Mapping[Activity, str]
    """Activity -> the rule that forbids it."""
    states: Mapping[str, KnownState]
    """All findings that are known, reported or derived; a report beats a derivation."""


def conclude(knowledge: Knowledge, facts: Facts) -> Conclusions:
    """Chain forward from the facts; raises `engine.errors.ChainerError` if the chainer fails."""
    holding = holding_atoms(knowledge, facts)
    closure = knowledge.chainer.close(holding)
    if not closure.atoms.issuperset(holding):
        raise ChainerError("the chainer lost facts that it was given")
    trace = _trace(knowledge, holding, closure)
    derived, conflicts = _derived(knowledge, facts, trace)
    excluded: dict[str, str] = {}
    holds: list[tuple[str, Hold]] = []
    cautions: dict[str, str] = {}
    required: dict[str, tuple[str, ...]] = {}
    forbidden: dict[Activity, str] = {}
    for fired in trace:
        then = knowledge.source.rules[fired.rule].then
        for cause in then.exclude:
            excluded.setdefault(cause, fired.rule)
        if then.hold is not None:
            holds.append((fired.rule, then.hold))
        for caution in then.caution:
            cautions.setdefault(caution, fired.rule)
        for test in then.require_test:
            required[test] = (*required.get(test, ()), fired.rule)
        for activity in then.forbid:
            forbidden.setdefault(activity, fired.rule)
    contradicted = {c.finding for c in conflicts if c.used is None}
    states = {f: d.state for f, d in derived.items() if f not in contradicted} | dict(facts.findings)
    return Conclusions(
        trace, derived, conflicts, excluded, tuple(holds), cautions, required, forbidden, states
    )


def _trace(knowledge: Knowledge, holding: Mapping[int, str], closure: Closure) -> tuple[Fired, ...]:
    chosen: dict[str, int] = {}
    maker: dict[int, str] = {}
    for index in closure.fired:
        chosen.setdefault(knowledge.table.conjunctions[index].rule, index)
    order = sorted(chosen, key=lambda rule: (knowledge.depth[rule], rule))
    for rule in order:
        for atom in knowledge.table.conjunctions[chosen[rule]].gives:
            maker.setdefault(atom, rule)
    return tuple(
        Fired(
            rule,
            tuple(
                Support(str(knowledge.atoms[atom]), holding.get(atom) or f"rules.{maker[atom]}")
                for atom in knowledge.table.conjunctions[chosen[rule]].needs
            ),
        )
        for rule in order
    )


def _derived(
    knowledge: Knowledge, facts: Facts, trace: tuple[Fired, ...]
) -> tuple[dict[str, Derived], tuple[Conflict, ...]]:
    derived: dict[str, Derived] = {}
    conflicts: list[Conflict] = []
    for fired in trace:
        for derivation in knowledge.source.rules[fired.rule].then.derive:
            finding, state = derivation.finding, derivation.is_
            reported = facts.findings.get(finding)
            earlier = derived.get(finding)
            if reported is not None and reported != state:
                message = (
                    f"{finding} was given as {reported} ({facts.origin[finding]}), but the rule "
                    f"{fired.rule} concludes {state}; the report is used for the probabilities, and any hold "
                    "that follows from the conclusion stands until it is cleared up"
                )
                conflicts.append(Conflict(finding, reported, message))
            elif earlier is not None and earlier.state != state:
                message = (
                    f"{finding} is {earlier.state} by the rule {earlier.rule} and {state} by the rule "
                    f"{fired.rule}; it counts as unknown"
                )
                conflicts.append(Conflict(finding, None, message))
            elif earlier is None and reported is None:
                derived[finding] = Derived(finding, state, fired.rule)
    return derived, tuple(conflicts)


__all__ = ["Conclusions", "Conflict", "Derived", "Fired", "Support", "conclude"]
