"""Numbers that say nothing, that add up to too much, or that are not there."""

from __future__ import annotations

from collections.abc import Iterator
from typing import get_args

from engine.checks.report import error, warning
from engine.errors import Problem
from engine.loading import KnowledgeSource
from engine.model import Activity, Consequence, Strength, VerdictName

MOST_PER_1000 = {"stop": 4.0, "mend_first": 25.0, "advise": 60.0}
"""Most presented cars are sound: no system may claim more faults than this per 1,000 of them."""


def empty_links(source: KnowledgeSource) -> Iterator[Problem]:
    """Links that make a finding no more likely than it is anyway."""
    for cause_id, links in source.links.items():
        for finding_id, value in links.makes.items():
            strength = value.strength if isinstance(value, Strength) else value
            finding = source.findings.get(finding_id)
            if finding is not None and strength <= finding.background:
                message = f"the link says nothing: strength {strength:g}, background {finding.background:g}"
                yield error(source, "links", cause_id, ("makes", finding_id), message)


def uninformative_tests(source: KnowledgeSource) -> Iterator[Problem]:
    """Tests whose result is as likely with the finding as without."""
    for test_id, test in source.tests.items():
        for finding_id, accuracy in test.settles.items():
            if accuracy.sensitivity + accuracy.specificity <= 1.0:
                message = (
                    f"the result says nothing: sensitivity {accuracy.sensitivity:g} and"
                    f" specificity {accuracy.specificity:g} do not add up to more than 1"
                )
                yield error(source, "tests", test_id, ("settles", finding_id), message)


def prior_totals(source: KnowledgeSource) -> Iterator[Problem]:
    """Systems whose causes would spoil more cars than can be."""
    totals: dict[tuple[str, str], float] = {}
    first: dict[tuple[str, str], str] = {}
    for cause_id, cause in source.causes.items():
        key = (source.system_of["causes", cause_id], cause.consequence)
        totals[key] = totals.get(key, 0.0) + cause.prior_per_1000
        if key not in first or source.place("causes", cause_id) < source.place("causes", first[key]):
            first[key] = cause_id
    for (system, consequence), total in totals.items():
        most = MOST_PER_1000[consequence]
        if total > most * (1 + 1e-9):
            causes = f"the {consequence} causes of {system}"
            message = f"{causes} add up to {total:g} per 1,000, more than {most:g}"
            yield warning(source, "causes", first[system, consequence], ("prior_per_1000",), message)


def incomplete_decision(source: KnowledgeSource) -> Iterator[Problem]:
    """Verdicts without losses, consequences without a worth of a bit, and activities without a risk."""
    decision = source.manifest.decision
    wanted = (
        ("loss_minutes", get_args(VerdictName), set[str](decision.loss_minutes)),
        ("minutes_per_bit", get_args(Consequence), set[str](decision.minutes_per_bit)),
        ("risk_minutes", get_args(Activity), set[str](decision.risk_minutes)),
    )
    for name, all_names, given in wanted:
        missing = [entry for entry in all_names if entry not in given]
        if missing:
            yield error(source, "kb", "", ("decision", name), f"{', '.join(missing)} missing")
