"""From what was worked out of a case to the answer, in words."""

from __future__ import annotations

from collections.abc import Container
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from engine import answer as a
from engine import cautions
from engine.conclusions import Conclusions
from engine.explanations import Explanations
from engine.facts import Facts
from engine.knowledge import Knowledge
from engine.model import KnownState
from engine.network import Floats
from engine.next_steps import Valued
from engine.offers import OfferedTests
from engine.posterior import Posterior
from engine.verdict import Judgement

NEGLIGIBLE_LOG_ODDS = 0.05
HAZARD_PROBABILITY = 0.05
REASON_PROBABILITY = 0.05
TOP_OUTLOOK = 3

HEADLINES = {
    "run": "It may run.",
    "run_with_advice": "It may run; tell the owner what is advised.",
    "mend_first": "Not yet: something has to be mended or ruled out first.",
    "stop": "Stop: do not run it.",
}
CONSEQUENCE_WORDS = {
    "advise": "may run with advice",
    "mend_first": "mend first",
    "stop": "would stop the run",
}


@dataclass(frozen=True)
class Case:
    """Everything that was worked out of one case; parts that were not wanted are None."""

    knowledge: Knowledge
    stamp: a.KbStamp
    facts: Facts
    conclusions: Conclusions
    posterior: Posterior
    judgement: Judgement
    explanations: Explanations | None
    questions: tuple[Valued, ...] | None
    tests: OfferedTests | None

    @cached_property
    def ranking(self) -> list[int]:
        """Causes that are not excluded, most probable first."""
        marginal = self.posterior.marginal
        order = np.argsort(-marginal, kind="stable")
        ranking: list[int] = order[~self.posterior.evidence.excluded[order]].tolist()
        return ranking

    def tell(self, decision_id: str, parts: Container[a.PartName], causes: int, tests: int) -> a.TriageAnswer:
        """Return the answer with these parts, at most so many causes and withheld tests."""
        answer = a.TriageAnswer(
            decision_id=decision_id,
            kb=self.stamp,
            verdict=self._verdict(),
            holds=self._holds(),
            method=a.MethodPart(
                exact=self.posterior.exact,
                next_steps_exact=self.posterior.lane_model.exact,
                left_out=[self.knowledge.finding_ids[f] for f in self.posterior.left_out],
                log_evidence=self.posterior.log_evidence,
            ),
            conflicts=[
                a.ConflictPart(finding=c.finding, used=c.used, message=c.message)
                for c in self.conclusions.conflicts
            ],
            unmatched_codes=list(self.facts.unmatched_codes),
        )
        if "causes" in parts:
            answer.causes = self._causes(causes)
        if self.explanations is not None:
            answer.explanations = self._explanations(self.explanations)
        if self.questions is not None:
            answer.next_questions = self._questions(self.questions)
        if self.tests is not None:
            answer.next_tests = [self._test(valued, self.tests) for valued in self.tests.tests]
            answer.withheld_tests = self._withheld(self.tests, tests)
        if "derived" in parts:
            answer.derived = self._derived()
        if "excluded" in parts:
            answer.excluded = self._excluded()
        if "trace" in parts:
            answer.trace = self._trace()
        if "cautions" in parts:
            answer.cautions = self._cautions(answer)
        return answer

    def _verdict(self) -> a.VerdictPart:
        judgement = self.judgement
        return a.VerdictPart(
            verdict=judgement.verdict,
            headline=HEADLINES[judgement.verdict],
            basis=judgement.basis,
            weighed=judgement.weighed,
            reasons=self._reasons(),
            expected_loss_minutes={name: round(v, 3) for name, v in judgement.expected_loss.items()},
            worst_consequence={name: min(1.0, max(0.0, p)) for name, p in judgement.worst.items()},
        )

    def _reasons(self) -> list[str]:
        reasons = [f"Hold: {hold.why}" for _, hold in self.conclusions.holds]
        if not self.conclusions.states:
            reasons.append(
                "Nothing is known of this car yet; the figures are those of any boosted car presented."
            )
        for c in self.ranking[:3]:
            p = float(self.posterior.marginal[c])
            entry = self.knowledge.source.causes[self.knowledge.cause_ids[c]]
            if p >= REASON_PROBABILITY:
                reasons.append(f"{entry.label}: {_percent(p)}, {CONSEQUENCE_WORDS[entry.consequence]}.")
        if not self.posterior.exact:
            reasons.append("So many findings hang together that only bounds on the probabilities are known.")
        worst = self.judgement.worst
        reasons.append(
            f"Chance that a fault is there which would stop the run: {_percent(worst['stop'])}; that the "
            f"worst there is has to be mended first: {_percent(worst['mend_first'])}."
        )
        return reasons

    def _holds(self) -> list[a.HoldPart]:
        order = sorted(self.conclusions.holds, key=lambda h: (h[1].verdict != "stop", h[0]))
        return [
            a.HoldPart(
                rule=rule,
                label=self.knowledge.source.rules[rule].label,
                verdict=hold.verdict,
                why=hold.why,
                lifted_by=hold.lifted_by,
            )
            for rule, hold in order
        ]

    def _causes(self, count: int) -> list[a.CausePart]:
        weights = self.posterior.weight
        assert weights is not None
        listed = []
        for c in self.ranking[:count]:
            cause_id = self.knowledge.cause_ids[c]
            entry = self.knowledge.source.causes[cause_id]
            shown = self._contributions(weights[:, c].tolist())
            listed.append(
                a.CausePart(
                    id=cause_id,
                    label=entry.label,
                    system=self.knowledge.source.system_of["causes", cause_id],
                    consequence=entry.consequence,
                    probability=float(self.posterior.marginal[c]),
                    low=None if self.posterior.exact else float(self.posterior.low[c]),
                    high=None if self.posterior.exact else float(self.posterior.high[c]),
                    prior=entry.prior_per_1000 / 1000.0,
                    if_ignored=entry.if_ignored,
                    speaks_for=[s for s in shown if s.log_odds > 0.0],
                    against=[s for s in reversed(shown) if s.log_odds < 0.0],
                    fixes=[self._fix(fix) for fix in entry.fixes],
                    hazards=list(entry.hazards),
                )
            )
        return listed

    def _contributions(self, weights: list[float]) -> list[a.Contribution]:
        evidence = self.posterior.evidence
        states: list[tuple[int, KnownState]] = [(f, "present") for f in evidence.present]
        states += [(f, "absent") for f in evidence.absent]
        ranked = sorted(
            (
                (w, f, state)
                for w, (f, state) in zip(weights, states, strict=True)
                if abs(w) >= NEGLIGIBLE_LOG_ODDS
            ),
            reverse=True,
        )
        return [
            a.Contribution(
                finding=self.knowledge.finding_ids[f],
                label=self.knowledge.source.findings[self.knowledge.finding_ids[f]].label,
                state=state,
                log_odds=round(w, 4),
            )
            for w, f, state in ranked
        ]

    def _fix(self, fix_id: str) -> a.FixRef:
        fix = self.knowledge.source.fixes[fix_id]
        return a.FixRef(id=fix_id, label=fix.label, minutes=fix.minutes, proof=fix.proof)

    def _explanations(self, found: Explanations) -> list[a.ExplanationPart]:
        return [
            a.ExplanationPart(
                causes=[self.knowledge.cause_ids[c] for c in explanation.causes],
                probability=explanation.probability,
                proven_best=found.proven and self.posterior.lane_model.exact,
            )
            for explanation in found.best
        ]

    def _questions(self, questions: tuple[Valued, ...]) -> list[a.QuestionPart]:
        return [
            a.QuestionPart(
                finding=valued.candidate.name,
                label=self.knowledge.source.findings[valued.candidate.name].label,
                question=self.knowledge.source.findings[valued.candidate.name].question,
                bits=round(valued.bits, 6),
                loss_reduction_minutes=round(valued.loss_reduction, 4),
                minutes=valued.candidate.minutes,
                worth_per_minute=round(valued.worth_per_minute, 6),
                results=self._results(valued),
            )
            for valued in questions
        ]

    def _withheld(self, offered: OfferedTests, count: int) -> list[a.WithheldPart]:
        required = self.conclusions.required_tests
        ordered = sorted(offered.refused, key=lambda test: test not in required)
        return [
            a.WithheldPart(
                id=test,
                label=self.knowledge.source.tests[test].label,
                because=offered.refused[test],
            )
            for test in ordered[:count]
        ]

    def _test(self, valued: Valued, offered: OfferedTests) -> a.TestPart:
        test_id = valued.candidate.name
        entry = self.knowledge.source.tests[test_id]
        return a.TestPart(
            id=test_id,
            label=entry.label,
            place=entry.place,
            skill=entry.skill,
            settles=list(entry.settles),
            involves=list(entry.involves),
            required_by=list(self.conclusions.required_tests.get(test_id, ())),
            confirms=offered.confirms.get(test_id, []),
            check_first=offered.check_first[test_id],
            cautions=list(entry.cautions),
            bits=round(valued.bits, 6),
            loss_reduction_minutes=round(valued.loss_reduction, 4),
            minutes=entry.minutes,
            worth_per_minute=round(valued.worth_per_minute, 6),
            results=self._results(valued),
        )

    def _results(self, valued: Valued) -> list[a.ResultPart]:
        """Return, per result, what it would make of the causes that are likely now or then."""
        top = self.ranking[:TOP_OUTLOOK]
        results = []
        for result in valued.results:
            moved = sorted(
                {*top, *_largest(result.marginal, TOP_OUTLOOK)}, key=lambda c: (-result.marginal[c], c)
            )
            results.append(
                a.ResultPart(
                    finding=None if result.finding is None else self.knowledge.finding_ids[result.finding],
                    state="present" if result.present else "absent",
                    probability=min(1.0, result.probability),
                    causes=[
                        a.Outlook(cause=self.knowledge.cause_ids[c], probability=float(result.marginal[c]))
                        for c in moved
                    ],
                )
            )
        return results

    def _derived(self) -> list[a.DerivedPart]:
        return [
            a.DerivedPart(
                finding=finding,
                label=self.knowledge.source.findings[finding].label,
                state=derived.state,
                rule=derived.rule,
            )
            for finding, derived in self.conclusions.derived.items()
        ]

    def _excluded(self) -> list[a.ExcludedPart]:
        return [
            a.ExcludedPart(cause=cause, rule=rule, because=self.knowledge.source.rules[rule].because)
            for cause, rule in self.conclusions.excluded.items()
        ]

    def _trace(self) -> list[a.TracePart]:
        return [
            a.TracePart(
                rule=fired.rule,
                label=self.knowledge.source.rules[fired.rule].label,
                because=self.knowledge.source.rules[fired.rule].because,
                rests_on=[a.SupportPart(statement=s.statement, origin=s.origin) for s in fired.because],
            )
            for fired in self.conclusions.trace
        ]

    def _cautions(self, answer: a.TriageAnswer) -> list[a.CautionPart]:
        belongs: dict[str, list[str]] = {}
        for caution, rule in self.conclusions.cautions.items():
            belongs.setdefault(caution, []).append(f"rules.{rule}")
        for c in self.ranking:
            if self.posterior.marginal[c] < HAZARD_PROBABILITY:
                break
            cause_id = self.knowledge.cause_ids[c]
            for caution in self.knowledge.source.causes[cause_id].hazards:
                belongs.setdefault(caution, []).append(f"causes.{cause_id}")
        for test in answer.next_tests or ():
            for caution in test.cautions:
                belongs.setdefault(caution, []).append(f"tests.{test.id}")
        return cautions.told(self.knowledge.source, belongs)


def _largest(values: Floats, count: int) -> list[int]:
    """Return the indices of the largest values, the lower index where two are equal."""
    floor = np.partition(values, -count)[-count] if values.size > count else -np.inf
    found: list[int] = np.flatnonzero(values >= floor).tolist()
    return sorted(found, key=lambda i: -values[i])[:count]


def _percent(p: float) -> str:
    if p >= 0.995:
        return "over 99 %"
    return f"{100 * p:.0f} %" if p >= 0.01 else "under 1 %"
