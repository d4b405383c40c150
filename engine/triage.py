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
from engine.explanations import Explanations, explain
from engine.facts import Facts, read_facts
from engine.knowledge import Knowledge
from engine.next_steps import Lookahead, Priced
from engine.offers import Offers
from engine.posterior import Evidence, Posterior, Reasoner
from engine.telling import Case
from engine.verdict import judge, loss_table

ALL_PARTS: frozenset[a.PartName] = frozenset(a.PART_NAMES)
LEADING_PROBABILITY = 0.25
MOST_LEADING = 2


@dataclass(frozen=True)
class Options:
    """Which parts are wanted and how many of each."""

    parts: frozenset[a.PartName] = ALL_PARTS
    causes: int = 10
    questions: int = 5
    tests: int = 6
    explanations: int = 3


@dataclass(frozen=True)
class Grounds:
    """What an answer rests on: the checked facts, what rules conclude of them, and the posterior."""

    facts: Facts
    conclusions: Conclusions
    posterior: Posterior


class Triage:
    """Answers cases with one knowledge base. Safe to share between threads."""

    def __init__(self, knowledge: Knowledge) -> None:
        self.knowledge = knowledge
        groups = np.stack([knowledge.consequence[name] for name in ("advise", "mend_first", "stop")])
        self.reasoner = Reasoner(knowledge.network, groups)
        decision = knowledge.source.manifest.decision
        self.offers = Offers.build(knowledge)
        worth = [
            decision.minutes_per_bit[knowledge.source.causes[c].consequence] for c in knowledge.cause_ids
        ]
        self.priced = Priced(loss_table(decision), np.array(worth), decision.general_check_share)

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
        parts = options.parts
        grounds = self.grounds(request, "causes" in parts)
        facts, conclusions, posterior = grounds.facts, grounds.conclusions, grounds.posterior
        judgement = judge(
            posterior.severity,
            self.priced.loss,
            tuple(hold.verdict for _, hold in conclusions.holds),
            posterior.exact,
        )
        explanations = self._explain(posterior, options.explanations) if "explanations" in parts else None
        questions = tests = None
        if "next_questions" in parts or "next_tests" in parts:
            lookahead = self.lookahead(grounds)
            if "next_questions" in parts:
                questions = self.offers.ask(lookahead, facts, options.questions)
            if "next_tests" in parts:
                leading = self._leading(posterior)
                tests = self.offers.test(lookahead, facts, conclusions, leading, options.tests)
        case = Case(
            self.knowledge,
            self.stamp,
            facts,
            conclusions,
            posterior,
            judgement,
            explanations,
            questions,
            tests,
        )
        return case.tell(_decision_id(self.stamp, request, options), parts, options.causes, options.tests)

    def grounds(self, request: TriageRequest, weights: bool = False) -> Grounds:
        """Return what the answer to a case rests on; raises as `answer` does.

        `weights` says whether the contribution of each finding to each cause is wanted as well.
        """
        facts = read_facts(self.knowledge, request)
        conclusions = conclude(self.knowledge, facts)
        return Grounds(facts, conclusions, self.reasoner.posterior(self._evidence(conclusions), weights))

    def _leading(self, posterior: Posterior) -> list[int]:
        """Return the causes that the evidence has made likely, at most `MOST_LEADING`."""
        marginal = posterior.marginal
        raised = (marginal >= LEADING_PROBABILITY) & (marginal > 2.0 * self.knowledge.network.prior)
        leading: list[int] = np.flatnonzero(raised).tolist()
        return sorted(leading, key=lambda c: -marginal[c])[:MOST_LEADING]

    def lookahead(self, grounds: Grounds) -> Lookahead:
        """Return what values questions, tests and points against what is known."""
        known = np.zeros(len(self.knowledge.finding_ids), dtype=np.bool_)
        known[[self.knowledge.finding_index[f] for f in grounds.conclusions.states]] = True
        return Lookahead(self.reasoner, grounds.posterior, self.priced, known)

    def _explain(self, posterior: Posterior, count: int) -> Explanations:
        model = posterior.lane_model
        return explain(
            self.knowledge.network, model.plan.present, model.prior, posterior.lane_log_evidence, count
        )

    def _evidence(self, conclusions: Conclusions) -> Evidence:
        index = self.knowledge.finding_index
        excluded = np.zeros(len(self.knowledge.cause_ids), dtype=np.bool_)
        excluded[[self.knowledge.cause_index[c] for c in conclusions.excluded]] = True
        return Evidence(
            tuple(sorted(index[f] for f, state in conclusions.states.items() if state == "present")),
            tuple(sorted(index[f] for f, state in conclusions.states.items() if state == "absent")),
            excluded,
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
