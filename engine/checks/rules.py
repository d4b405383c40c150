"""Rules that cannot end, or that say nothing."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from engine.checks.report import error, leaves
from engine.errors import Problem
from engine.loading import KnowledgeSource
from engine.model import FindingIs, Rule

State = tuple[str, str]
Edges = Mapping[State, Mapping[State, str]]
"""State needed -> state concluded -> the first rule that does it."""


def empty_rules(source: KnowledgeSource) -> Iterator[Problem]:
    """Rules from which nothing follows."""
    for rule_id, rule in source.rules.items():
        then = rule.then
        if not (then.derive or then.exclude or then.hold or then.require_test or then.caution or then.forbid):
            yield error(source, "rules", rule_id, ("then",), "concludes nothing")


def self_deriving_rules(source: KnowledgeSource) -> Iterator[Problem]:
    """Rules that conclude what they need, or the opposite of it."""
    for rule_id, rule in source.rules.items():
        needed = _needed(rule)
        for i, derivation in enumerate(rule.then.derive):
            opposite = "absent" if derivation.is_ == "present" else "present"
            path = ("then", "derive", i)
            if (derivation.finding, derivation.is_) in needed:
                message = f"derives what it needs: {derivation.finding} is {derivation.is_}"
                yield error(source, "rules", rule_id, path, message)
            elif (derivation.finding, opposite) in needed:
                message = f"derives the opposite of what it needs: {derivation.finding} is {opposite}"
                yield error(source, "rules", rule_id, path, message)


def derivation_cycles(source: KnowledgeSource) -> Iterator[Problem]:
    """Derivations that lead back to where they began, each told once from end to end."""
    edges = _edges(source)
    left = {state for state in edges if _reaches(edges, state, state)}
    while left:
        cycle = _shortest_cycle(edges, min(left))
        told = _told(cycle[0])
        rules = [edges[here][there] for here, there in zip(cycle, [*cycle[1:], cycle[0]], strict=True)]
        for rule_id, state in zip(rules, [*cycle[1:], cycle[0]], strict=True):
            told += f" -> ({rule_id}) {_told(state)}"
        yield error(source, "rules", rules[0], ("then", "derive"), f"derivation cycle: {told}")
        # All that hang together are told by one cycle; the next run shows what is left of them.
        left = {s for s in left if not (_reaches(edges, s, cycle[0]) and _reaches(edges, cycle[0], s))}


def _needed(rule: Rule) -> set[State]:
    return {(leaf.finding, leaf.is_) for _, leaf in leaves(rule.when, ()) if isinstance(leaf, FindingIs)}


def _told(state: State) -> str:
    return f"{state[0]} is {state[1]}"


def _edges(source: KnowledgeSource) -> dict[State, dict[State, str]]:
    edges: dict[State, dict[State, str]] = {}
    for rule_id, rule in source.rules.items():
        given = [(derivation.finding, derivation.is_) for derivation in rule.then.derive]
        for needed in sorted(_needed(rule)):
            for state in given:
                # A rule that derives what it needs is told by `self_deriving_rules`.
                if state != needed:
                    edges.setdefault(needed, {}).setdefault(state, rule_id)
    return edges


def _reaches(edges: Edges, start: State, goal: State) -> bool:
    return _path(edges, start, goal) is not None


def _shortest_cycle(edges: Edges, start: State) -> list[State]:
    return _path(edges, start, start) or [start]


def _path(edges: Edges, start: State, goal: State) -> list[State] | None:
    """Return the states from `start` up to but not including `goal`, by breadth first."""
    came_from: dict[State, State | None] = {start: None}
    waiting = [start]
    for here in waiting:
        for there in sorted(edges.get(here, {})):
            if there == goal:
                path: list[State] = []
                step: State | None = here
                while step is not None:
                    path.append(step)
                    step = came_from[step]
                return path[::-1]
            if there not in came_from:
                came_from[there] = here
                waiting.append(there)
    return None
