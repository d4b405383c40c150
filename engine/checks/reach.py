"""Entries that no case can lead to: findings without cause or test, causes without proof, idle tests."""

from __future__ import annotations

from collections.abc import Iterator

from engine.checks.report import all_conditions, error, makers_of, warning
from engine.errors import Problem
from engine.loading import KnowledgeSource
from engine.model import FindingIs, Strength

CONFIRMING_STRENGTH = 0.6
CONFIRMING_BACKGROUND = 0.05
READ_OFF = frozenset({"gauge", "log", "code"})


def causes_without_links(source: KnowledgeSource) -> Iterator[Problem]:
    """Causes that make nothing, so that nothing could ever speak for them."""
    for cause_id in source.causes:
        if cause_id not in source.links:
            yield error(source, "causes", cause_id, (), "has no entry in links")


def findings_without_cause(source: KnowledgeSource) -> Iterator[Problem]:
    """Findings that no cause makes: an error where no rule or requirement uses them either."""
    made = makers_of(source)
    used = {leaf.finding for _, _, _, leaf in all_conditions(source) if isinstance(leaf, FindingIs)}
    used |= {derivation.finding for rule in source.rules.values() for derivation in rule.then.derive}
    for finding_id in source.findings:
        if finding_id in made:
            continue
        if finding_id in used:
            message = "no cause makes it; only rules or requirements use it"
            yield warning(source, "findings", finding_id, (), message)
        else:
            yield error(source, "findings", finding_id, (), "no cause makes it and no rule uses it")


def causes_without_confirmation(source: KnowledgeSource) -> Iterator[Problem]:
    """Causes of which no test settles a finding that nearly always goes with them and seldom without."""
    settled = {finding_id for test in source.tests.values() for finding_id in test.settles}
    for cause_id in source.causes:
        links = source.links.get(cause_id)
        if links is None:
            continue
        for finding_id, value in links.makes.items():
            strength = value.strength if isinstance(value, Strength) else value
            finding = source.findings.get(finding_id)
            seldom_without = finding is not None and finding.background <= CONFIRMING_BACKGROUND
            if strength >= CONFIRMING_STRENGTH and seldom_without and finding_id in settled:
                break
        else:
            message = (
                f"no test can confirm it: none settles a finding that it makes with strength"
                f" {CONFIRMING_STRENGTH} or more and that has a background of {CONFIRMING_BACKGROUND} or less"
            )
            yield error(source, "causes", cause_id, (), message)


def tests_of_nothing(source: KnowledgeSource) -> Iterator[Problem]:
    """Tests whose result bears on no cause."""
    made = makers_of(source)
    for test_id, test in source.tests.items():
        if made.keys().isdisjoint(test.settles):
            yield error(source, "tests", test_id, ("settles",), "settles nothing that a cause makes")


def findings_out_of_reach(source: KnowledgeSource) -> Iterator[Problem]:
    """Findings that cannot be asked for on a call, tested for, or read off."""
    settled = {finding_id for test in source.tests.values() for finding_id in test.settles}
    for finding_id, finding in source.findings.items():
        places = set(finding.found_at)
        if "call" not in places and finding_id not in settled and not places & READ_OFF:
            message = "cannot be asked on a call, and no test settles it"
            yield error(source, "findings", finding_id, ("found_at",), message)


def proofs_of_nothing(source: KnowledgeSource) -> Iterator[Problem]:
    """Fixes that no cause names, or whose proof looks at nothing that their causes make."""
    mended: dict[str, list[str]] = {}
    for cause_id, cause in source.causes.items():
        for fix_id in cause.fixes:
            mended.setdefault(fix_id, []).append(cause_id)
    for fix_id, fix in source.fixes.items():
        causes = mended.get(fix_id)
        if causes is None:
            yield warning(source, "fixes", fix_id, (), "no cause names this fix")
            continue
        proof = source.tests.get(fix.proof)
        made = {f for cause_id in causes if cause_id in source.links for f in source.links[cause_id].makes}
        if proof is not None and made.isdisjoint(proof.settles):
            message = f"{fix.proof} settles nothing that {', '.join(causes)} would make"
            yield warning(source, "fixes", fix_id, ("proof",), message)
