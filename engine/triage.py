"""The one way from facts to an answer: conclusions, posterior, next steps, verdict, words.

Each arrow is one call; nothing flows back.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from engine import answer as a
from engine.case import TriageRequest
from engine.conclusions import Conclusions, conclude
from engine.conditions import Atom
from engine.explanations import Explanations, explain
from engine.facts import Facts, read_facts
from engine.knowledge import Knowledge
from engine.model import KnownState
from engine.network import Floats
from engine.next_steps import Candidate, Lookahead, Menu, Priced, Valued
from engine.posterior import Evidence, Posterior, Reasoner
from engine.verdict import Judgement, judge, loss_table

ALL_PARTS: frozenset[a.PartName] = frozenset(a.PART_NAMES)
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
class Options:
    """Which parts are wanted and how many of each."""

    parts: frozenset[a.PartName] = ALL_PARTS
    causes: int = 10
    questions: int = 5
    tests: int = 6
    explanations: int = 3


class Triage:
    """Answers cases with one knowledge base. Safe to share between threads."""

    def __init__(self, knowledge: Knowledge) -> None:
        self.knowledge = knowledge
        groups = np.stack([knowledge.consequence[name] for name in ("advise", "mend_first", "stop")])
        self.reasoner = Reasoner(knowledge.network, groups)
        decision = knowledge.source.manifest.decision
        self.priced = Priced(loss_table(decision), decision.minutes_per_bit)

    @cached_property
    def stamp(self) -> a.KbStamp:
        """Version and content hash of the knowledge base."""
        source = self.knowledge.source
        return a.KbStamp(
            version=source.manifest.version, revision=source.revision, content_hash=source.content_hash
        )

    def answer(self, request: TriageRequest, options: Options | None = None) -> a.TriageAnswer:
        """Answer one case; raises `engine.errors.InputError` and `engine.errors.ChainerError`."""
        options = options or Options()
        facts = read_facts(self.knowledge, request)
        conclusions = conclude(self.knowledge, facts)
        posterior = self.reasoner.posterior(self._evidence(conclusions), "causes" in options.parts)
        judgement = judge(
            posterior.severity,
            self.priced.loss,
            tuple(hold.verdict for _, hold in conclusions.holds),
            posterior.exact,
        )
        case = _Case(self, facts, conclusions, posterior, judgement, options)
        return case.write(_decision_id(self.stamp, request, options))

    def _evidence(self, conclusions: Conclusions) -> Evidence:
        index = self.knowledge.finding_index
        excluded = np.zeros(len(self.knowledge.cause_ids), dtype=np.bool_)
        excluded[[self.knowledge.cause_index[c] for c in conclusions.excluded]] = True
        return Evidence(
            tuple(sorted(index[f] for f, state in conclusions.states.items() if state == "present")),
            tuple(sorted(index[f] for f, state in conclusions.states.items() if state == "absent")),
            excluded,
        )

    @cached_property
    def questions(self) -> Menu:
        """The questions that can be asked on a call, named by finding."""
        minutes = self.knowledge.source.manifest.decision.question_minutes
        return Menu(
            [
                Candidate(finding, (self.knowledge.finding_index[finding],), ((1.0, 1.0),), minutes)
                for finding, entry in self.knowledge.source.findings.items()
                if "call" in entry.found_at
            ]
        )

    @cached_property
    def tests(self) -> Menu:
        """The tests, with the minutes that their risk counts for."""
        risk = self.knowledge.source.manifest.decision.risk_minutes
        return Menu(
            [
                Candidate(
                    test,
                    tuple(self.knowledge.finding_index[f] for f in entry.settles),
                    tuple((a.sensitivity, a.specificity) for a in entry.settles.values()),
                    entry.minutes,
                    sum(risk.get(activity, 0.0) for activity in entry.involves),
                )
                for test, entry in self.knowledge.source.tests.items()
            ]
        )


def _decision_id(stamp: a.KbStamp, request: TriageRequest, options: Options) -> str:
    told = "\n".join(
        [
            stamp.content_hash,
            request.model_dump_json(),
            ",".join(sorted(options.parts)),
            f"{options.causes} {options.questions} {options.tests} {options.explanations}",
        ]
    )
    return "d" + hashlib.sha256(told.encode()).hexdigest()[:23]


@dataclass(frozen=True)
class _Case:
    """One case on its way into words."""

    triage: Triage
    facts: Facts
    conclusions: Conclusions
    posterior: Posterior
    judgement: Judgement
    options: Options

    @property
    def knowledge(self) -> Knowledge:
        return self.triage.knowledge

    @cached_property
    def ranking(self) -> list[int]:
        """Causes that are not excluded, most probable first."""
        marginal = self.posterior.marginal
        order = np.argsort(-marginal, kind="stable")
        ranking: list[int] = order[~self.posterior.evidence.excluded[order]].tolist()
        return ranking

    @cached_property
    def lookahead(self) -> Lookahead:
        known = np.zeros(len(self.knowledge.finding_ids), dtype=np.bool_)
        known[[self.knowledge.finding_index[f] for f in self.conclusions.states]] = True
        return Lookahead(self.triage.reasoner, self.posterior, self.triage.priced, known)

    def write(self, decision_id: str) -> a.TriageAnswer:
        parts = self.options.parts
        answer = a.TriageAnswer(
            decision_id=decision_id,
            kb=self.triage.stamp,
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
            answer.causes = self._causes()
        if "explanations" in parts:
            answer.explanations = self._explanations()
        if "next_questions" in parts:
            answer.next_questions = self._questions()
        if "next_tests" in parts:
            answer.next_tests, answer.withheld_tests = self._tests()
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
            f"A fault that would stop the run is there with {_percent(worst['stop'])}, one to mend first "
            f"as the worst with {_percent(worst['mend_first'])}."
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

    def _causes(self) -> list[a.CausePart]:
        weights = self.posterior.weight
        assert weights is not None
        listed = []
        for c in self.ranking[: self.options.causes]:
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

    def _explanations(self) -> list[a.ExplanationPart]:
        model = self.posterior.lane_model
        present = model.plan.present
        found: Explanations = explain(
            self.knowledge.network,
            present,
            model.prior,
            self.posterior.lane_log_evidence,
            self.options.explanations,
        )
        return [
            a.ExplanationPart(
                causes=[self.knowledge.cause_ids[c] for c in explanation.causes],
                probability=explanation.probability,
                proven_best=found.proven and model.exact,
            )
            for explanation in found.best
        ]

    def _questions(self) -> list[a.QuestionPart]:
        undecided = self.facts.undecided
        asked = []
        for valued in self.lookahead.value(
            self.triage.questions, self.options.questions, lambda candidate: candidate.name not in undecided
        ):
            finding = valued.candidate.name
            entry = self.knowledge.source.findings[finding]
            asked.append(
                a.QuestionPart(
                    finding=finding, label=entry.label, question=entry.question, **self._value(valued)
                )
            )
        return asked

    def _tests(self) -> tuple[list[a.TestPart], list[a.WithheldPart]]:
        required = self.conclusions.required_tests
        refused: dict[str, list[str]] = {}
        check_first: dict[str, list[str]] = {}

        def allow(candidate: Candidate) -> bool:
            refusals, check_first[candidate.name] = self._prerequisites(candidate.name)
            if refusals:
                refused[candidate.name] = refusals
            return not refusals

        offered = self.lookahead.value(self.triage.tests, self.options.tests, allow, required)
        withheld = sorted(refused, key=lambda test: test not in required)
        return (
            [self._test(valued, check_first[valued.candidate.name]) for valued in offered],
            [
                a.WithheldPart(
                    id=test, label=self.knowledge.source.tests[test].label, because=refused[test]
                )
                for test in withheld[: self.options.tests]
            ],
        )

    def _prerequisites(self, test_id: str) -> tuple[list[str], list[str]]:
        """Return why the test must not be offered, and what is to be checked before it."""
        refusals, checks = [], []
        for activity in self.knowledge.source.tests[test_id].involves:
            rule = self.conclusions.forbidden.get(activity)
            if rule is not None:
                label = self.knowledge.source.rules[rule].label
                refusals.append(f"{activity.replace('_', ' ')} is forbidden while: {label}")
        for need in self.knowledge.needs[test_id]:
            truths = [self._truth_of_all(alternative) for alternative in need.alternatives]
            if True in truths:
                continue
            if None in truths and not need.must_be_known:
                checks.append(need.because)
            else:
                refusals.append(need.because)
        return refusals, checks

    def _truth_of_all(self, atoms: frozenset[Atom]) -> bool | None:
        truths = [self.facts.truth(atom, self.conclusions.states) for atom in atoms]
        if False in truths:
            return False
        return None if None in truths else True

    def _test(self, valued: Valued, check_first: list[str]) -> a.TestPart:
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
            check_first=check_first,
            cautions=list(entry.cautions),
            **self._value(valued),
        )

    def _value(self, valued: Valued) -> dict[str, object]:
        top = self.ranking[:TOP_OUTLOOK]
        results = []
        for result in valued.results:
            moved = sorted(
                {*top, *_largest(result.marginal, TOP_OUTLOOK)},
                key=lambda c: (-result.marginal[c], c),
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
        return {
            "bits": round(valued.bits, 6),
            "loss_reduction_minutes": round(valued.loss_reduction, 4),
            "minutes": valued.candidate.minutes,
            "worth_per_minute": round(valued.worth_per_minute, 6),
            "results": results,
        }

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
        listed = []
        for caution_id, owners in belongs.items():
            entry = self.knowledge.source.cautions[caution_id]
            listed.append(
                a.CautionPart(
                    id=caution_id,
                    label=entry.label,
                    hazard=entry.hazard,
                    wording=entry.wording,
                    defers_to=entry.defers_to,
                    belongs_to=owners,
                )
            )
        return listed


def _largest(values: Floats, count: int) -> list[int]:
    """Return the indices of the largest values, the lower index where two are equal."""
    floor = np.partition(values, -count)[-count] if values.size > count else -np.inf
    found: list[int] = np.flatnonzero(values >= floor).tolist()
    return sorted(found, key=lambda i: -values[i])[:count]


def _percent(p: float) -> str:
    if p >= 0.995:
        return "over 99 %"
    return f"{100 * p:.0f} %" if p >= 0.01 else "under 1 %"
