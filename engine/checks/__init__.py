"""The lints of the knowledge base: what can only be seen when several entries are read together."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from engine.checks import (
    hazards,
    limits,
    measures,
    numbers,
    phrases,
    points,
    reach,
    references,
    rules,
    siblings,
    words,
)
from engine.errors import Problem
from engine.loading import KnowledgeSource

Lint = Callable[[KnowledgeSource], Iterator[Problem]]

LINTS: tuple[Lint, ...] = (
    references.unknown_ids,
    references.shared_ids,
    references.unused_sources,
    reach.causes_without_links,
    reach.findings_without_cause,
    reach.causes_without_confirmation,
    reach.tests_of_nothing,
    reach.findings_out_of_reach,
    reach.proofs_of_nothing,
    siblings.inseparable_causes,
    rules.empty_rules,
    rules.self_deriving_rules,
    rules.derivation_cycles,
    numbers.empty_links,
    numbers.uninformative_tests,
    numbers.prior_totals,
    numbers.incomplete_decision,
    phrases.count_of_phrases,
    phrases.same,
    phrases.nearly_same,
    phrases.shared_codes,
    phrases.untitled_codes,
    words.words_in_two_groups,
    words.runs_too_long,
    words.vehicle_wordings,
    measures.units,
    measures.fact_definitions,
    measures.vehicle_conditions,
    measures.reading_conditions,
    limits.limit_units,
    limits.limit_bounds,
    limits.limits_in_use,
    hazards.uncovered_activities,
    hazards.vents_not_asked_for,
    hazards.risky_steps_without_caution,
    hazards.tests_without_limits,
    hazards.stop_without_hazard,
    points.stages_complete,
    points.guards_come_first,
    points.answers_say_something,
    points.owners_stay_safe,
    points.hazards_of_points,
    points.watch_bounds,
    references.long_lines,
)


def check(source: KnowledgeSource) -> list[Problem]:
    """Return everything that is wrong with the knowledge base, sorted by file and line.

    A problem of level ``error`` would make answers wrong or unsafe; one of level ``warning`` is for the
    author to look at. Raises nothing.
    """
    return sorted({problem for lint in LINTS for problem in lint(source)})
