"""Puts what a log showed to what is known of a case."""

from __future__ import annotations

from engine.case import FindingReport, TriageRequest
from engine.logs.answer import LogAnswer
from engine.logs.reading import Caveat


def merge(facts: TriageRequest, answer: LogAnswer) -> tuple[TriageRequest, list[Caveat]]:
    """Return the facts of a case with what a log showed.

    Where a person said the other way, their word is kept and a caveat tells it.
    """
    said = {report.id: report.state for report in facts.findings if report.state != "unknown"}
    added, caveats = [], []
    for report in answer.facts.findings:
        earlier = said.get(report.id)
        if earlier is None:
            added.append(FindingReport(id=report.id, state=report.state))
        elif earlier != report.state:
            text = f"the log shows {report.id} {report.state}, the case says {earlier}; the case is believed"
            caveats.append(Caveat(code="contradicts_case", text=text))
    known = {report.id for report in added}
    kept = [report for report in facts.findings if report.id not in known]
    return facts.model_copy(update={"findings": [*kept, *added]}), caveats
