"""The walk round one car: which points, in which order, which of them now, and what they are worth."""

from __future__ import annotations

import threading
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from engine import cautions
from engine.answer import CautionPart, TriageAnswer
from engine.case import FindingReport, TriageRequest
from engine.checks.points import NEED_NO_GUARD, activities_of
from engine.conditions import Atom, FindingAtom, Translator
from engine.inspection import answer as a
from engine.inspection.entries import STAGES, Point
from engine.inspection.marks import Mark, with_answers
from engine.inspection.order import Step, before, ordered
from engine.inspection.short import worth_most
from engine.model import Activity, VerdictName
from engine.next_steps import Candidate, Menu, Valued
from engine.offers import all_hold
from engine.triage import Grounds, Options, Triage
from engine.verdict import VERDICTS

MOST_AT_HOME = 8
NO_PARTS = Options(parts=frozenset())
SAFE = ("good", "advise")


@dataclass(frozen=True)
class _Compiled:
    """A point with its conditions as alternatives of atoms and all that it involves."""

    entry: Point
    activities: frozenset[Activity]
    matters_when: tuple[frozenset[Atom], ...]
    added_when: tuple[frozenset[Atom], ...]


class Inspector:
    """Plans walks with one knowledge base. Safe to share between threads."""

    def __init__(self, triage: Triage) -> None:
        self.triage = triage
        self.source = source = triage.knowledge.source
        translator = Translator(source.vehicle_facts, source.quantities)
        self.points = {
            point_id: _Compiled(
                entry,
                activities_of(source, entry),
                tuple(translator.alternatives(entry.matters_when)),
                tuple(translator.alternatives(entry.added_when)),
            )
            for point_id, entry in source.points.items()
        }
        self.menu = Menu([self._candidate(point_id) for point_id in self.points])
        self._would: dict[str, VerdictName] = {}
        self._lock = threading.Lock()

    def _candidate(self, point_id: str) -> Candidate:
        point = self.source.points[point_id]
        index = self.triage.knowledge.finding_index
        shown = [
            finding
            for finding in dict.fromkeys((*point.sets.mend, *point.sets.advise))
            if "present" in (point.sets.mend.get(finding), point.sets.advise.get(finding))
        ]
        return Candidate(
            point_id,
            tuple(index[finding] for finding in shown),
            tuple((point.sensitivity, point.specificity) for _ in shown),
            point.minutes,
        )

    def would(self, point_id: str) -> VerdictName:
        """Return the verdict if all that is known of a car were that this point has to be mended."""
        with self._lock:
            if point_id not in self._would:
                sets = self.source.points[point_id].sets.mend
                facts = TriageRequest(findings=[FindingReport(id=f, state=s) for f, s in sets.items()])
                self._would[point_id] = self.triage.answer(facts, NO_PARTS).verdict.verdict
            return self._would[point_id]

    def inspect(
        self, request: TriageRequest, answers: Sequence[Mark] = (), minutes: float | None = None
    ) -> a.Inspection:
        """Return the walk for a car of which these facts are known and these answers were given.

        With `minutes` only the points worth most within that time are on it. Raises
        `engine.errors.InputError` and `engine.errors.ChainerError`.
        """
        return self.standing(with_answers(request, answers), answers, minutes)

    def standing(
        self, facts: TriageRequest, answers: Sequence[Mark], minutes: float | None = None
    ) -> a.Inspection:
        """Return the walk where the facts hold already what the answers say; raises as `inspect` does."""
        told = self.triage.answer(facts, NO_PARTS)
        return _Walk(self, self.triage.grounds(facts), told, {m.point: m for m in answers}, minutes).told()

    def forbidden(self, facts: TriageRequest) -> frozenset[Activity]:
        """Return the activities that rules forbid as things stand; raises as `inspect` does."""
        return frozenset(self.triage.grounds(facts).conclusions.forbidden)

    def unsafe(self, point_id: str, walk: a.Inspection, forbidden: frozenset[Activity]) -> list[str]:
        """Return why a point must not have been looked at: `forbidden` before, or guards that are not good.

        `walk` is the walk with the answer to the point and those given with it.
        """
        point = self.points[point_id]
        answered = {p.id: p.answer for stage in walk.stages for p in stage.points}
        reasons = [
            f"{activity.replace('_', ' ')} is forbidden as things stand"
            for activity in sorted(point.activities & forbidden)
        ]
        needed = point.activities - NEED_NO_GUARD
        for other_id, other in self.points.items():
            if other_id in answered and set(other.entry.guards) & needed and other_id != point_id:
                if answered[other_id] == "mend":
                    reasons.append(f"{other.entry.label} ({other_id}) has to be mended first")
                elif answered[other_id] not in SAFE:
                    reasons.append(f"{other.entry.label} ({other_id}) has to be looked at first")
        return reasons


class _Walk:
    """One walk while it is put together."""

    def __init__(
        self,
        inspector: Inspector,
        grounds: Grounds,
        told: TriageAnswer,
        marks: Mapping[str, Mark],
        budget: float | None,
    ) -> None:
        self.inspector = inspector
        self.source = inspector.source
        self.grounds = grounds
        self.answer = told
        self.marks = marks
        self.budget = budget
        self.left_out: list[a.LeftOut] = []
        self.added: dict[str, list[str]] = {}
        self.on = [point_id for point_id in inspector.points if self._belongs(point_id)]
        self.worth = self._values()
        self.steps = ordered([self._step(point_id) for point_id in self.on])
        self.by_id = {step.id: step for step in self.steps}
        self.guards = {step.id: before(step, self.steps) for step in self.steps}

    # Which ----------------------------------------------------------------------------------------------

    def _belongs(self, point_id: str) -> bool:
        """Whether the point is on the walk of this car; keeps why it is not, or what put it there."""
        point = self.inspector.points[point_id]
        truths = [self._holds(atoms) for atoms in point.added_when]
        if point.added_when and point.entry.added_when:
            met = [atoms for atoms, truth in zip(point.added_when, truths, strict=True) if truth]
            if not met and point_id not in self.marks:
                return False
            self.added[point_id] = sorted(
                {atom.finding for atoms in met for atom in atoms if isinstance(atom, FindingAtom)}
            )
        if point_id in self.marks:
            return True
        if all(self._holds(atoms) is False for atoms in point.matters_when):
            self._leave_out(point_id, "this car does not have it")
            return False
        if not point.entry.guards and self._all_causes_excluded(point_id):
            self._leave_out(point_id, "nothing that it could show can be the cause on this car")
            return False
        return True

    def _holds(self, atoms: frozenset[Atom]) -> bool | None:
        return all_hold(atoms, self.grounds.facts, self.grounds.conclusions)

    def _leave_out(self, point_id: str, because: str) -> None:
        label = self.source.points[point_id].label
        self.left_out.append(a.LeftOut(id=point_id, label=label, because=because))

    def _all_causes_excluded(self, point_id: str) -> bool:
        network = self.inspector.triage.knowledge.network
        findings = list(self.inspector.menu.candidates[self._place(point_id)].findings)
        can_make = (network.strength[findings] > 0.0).any(axis=0)
        excluded = self.grounds.posterior.evidence.excluded
        return bool(can_make.any()) and not bool((can_make & ~excluded).any())

    def _place(self, point_id: str) -> int:
        return self.inspector.menu.names.index(point_id)

    # Worth ----------------------------------------------------------------------------------------------

    def _values(self) -> dict[str, Valued]:
        wanted = {point_id for point_id in self.on if point_id not in self.marks}
        lookahead = self.inspector.triage.lookahead(self.grounds)
        menu = self.inspector.menu
        found = lookahead.value(menu, len(menu.names), lambda candidate: candidate.name in wanted)
        return {valued.candidate.name: valued for valued in found}

    def _step(self, point_id: str) -> Step:
        point = self.inspector.points[point_id]
        valued = self.worth.get(point_id)
        return Step(
            point_id,
            STAGES.index(point.entry.stage),
            point.entry.spot,
            point.entry.minutes,
            point.activities - NEED_NO_GUARD,
            frozenset(point.entry.guards),
            len(VERDICTS) - 1 - VERDICTS.index(self.inspector.would(point_id)),
            0.0 if valued is None else valued.worth_per_minute * point.entry.minutes,
        )

    # Whether now ----------------------------------------------------------------------------------------

    def _done(self, point_id: str) -> bool:
        return point_id in self.marks

    def _is_safe(self, guard: Step) -> bool:
        return self._done(guard.id) and self.marks[guard.id].answer in SAFE

    def _withheld(self, step: Step) -> list[str]:
        """Return why a point must not be done as things stand."""
        reasons = [
            f"{activity.replace('_', ' ')} is forbidden while: {self.source.rules[rule].label}"
            for activity, rule in sorted(self.grounds.conclusions.forbidden.items())
            if activity in self.inspector.points[step.id].activities
        ]
        for guard in self.guards[step.id]:
            if self._done(guard.id) and not self._is_safe(guard):
                label = self.source.points[guard.id].label
                mended = self.marks[guard.id].answer == "mend"
                reasons.append(f"{label}: {'has to be mended first' if mended else 'was not checked'}")
            elif not self._done(guard.id) and self._withheld(guard):
                reasons.append(f"{self.source.points[guard.id].label}: cannot be looked at either")
        return reasons

    def _waits_for(self, step: Step) -> list[str]:
        return [guard.id for guard in self.guards[step.id] if not self._done(guard.id)]

    def _state(self, step: Step) -> a.PointState:
        if self._done(step.id):
            return "answered"
        if self._withheld(step):
            return "withheld"
        return "waits" if self._waits_for(step) else "open"

    # Telling --------------------------------------------------------------------------------------------

    def told(self) -> a.Inspection:
        """Return the walk."""
        state = {step.id: self._state(step) for step in self.steps}
        chosen, later = self._chosen(state)
        shown = chosen | {i for i, one in state.items() if one in ("answered", "withheld")}
        walked = [step for step in self.steps if step.id in shown]
        stages = [stage for i, stage in enumerate(STAGES) if any(step.stage == i for step in walked)]
        to_do = [step for step in walked if state[step.id] in ("open", "waits")]
        ways = sum(self.source.stages[STAGES[i]].minutes for i in {step.stage for step in to_do})
        unmet = self._unmet_for("rollers")
        return a.Inspection(
            kb=self.answer.kb,
            decision_id=self.answer.decision_id,
            verdict=self.answer.verdict,
            holds=self.answer.holds,
            ready=not unmet,
            before_rollers=unmet,
            minutes=ways + sum(step.minutes for step in to_do),
            budget=self.budget,
            stages=[
                a.StagePart(
                    id=stage,
                    label=self.source.stages[stage].label,
                    position=self.source.stages[stage].position,
                    minutes=self.source.stages[stage].minutes,
                    cautions=list(self.source.stages[stage].cautions),
                    points=[self._point(s, state[s.id]) for s in walked if s.stage == STAGES.index(stage)],
                )
                for stage in stages
            ],
            left_for_later=[
                a.LeftOut(
                    id=step.id,
                    label=self.source.points[step.id].label,
                    because="not within the minutes there are",
                )
                for step in self.steps
                if step.id in later
            ],
            left_out=self.left_out,
            before_you_come=self._at_home(),
            cautions=self._cautions(walked),
        )

    def _chosen(self, state: Mapping[str, a.PointState]) -> tuple[frozenset[str], frozenset[str]]:
        """Return the points to do within the minutes there are, and those left for later."""
        to_do = [step for step in self.steps if state[step.id] in ("open", "waits")]
        every = frozenset(step.id for step in to_do)
        if self.budget is None:
            return every, frozenset()
        ways = {i: self.source.stages[stage].minutes for i, stage in enumerate(STAGES)}
        chosen, _ = worth_most(to_do, ways, self.budget)
        return chosen, every - chosen

    def _unmet_for(self, activity: Activity) -> list[str]:
        """Return the points on the walk that guard an activity and are not good, in order."""
        return [s.id for s in self.steps if activity in s.guards and not self._is_safe(s)]

    def _point(self, step: Step, state: a.PointState) -> a.PointPart:
        entry = self.source.points[step.id]
        valued, mark = self.worth.get(step.id), self.marks.get(step.id)
        return a.PointPart(
            id=step.id,
            label=entry.label,
            system=self.source.system_of["points", step.id],
            spot=entry.spot,
            state=state,
            good=entry.good,
            by_hand=list(entry.by_hand),
            limits=[a.LimitPart(text=limit.text, source=limit.source) for limit in entry.limits],
            reads=list(entry.reads),
            minutes=entry.minutes,
            skill=entry.skill,
            involves=sorted(self.inspector.points[step.id].activities),
            guards=list(entry.guards),
            would=self.inspector.would(step.id),
            worth=None if valued is None else _worth(valued),
            waits_for=[] if state == "answered" else self._waits_for(step),
            because=[] if state == "answered" else self._withheld(step),
            added_by=self.added.get(step.id, []),
            sets=entry.sets,
            cautions=list(entry.cautions),
            horizon=entry.horizon,
            owner_words=entry.owner_words,
            answer=None if mark is None else mark.answer,
            note=None if mark is None else mark.note,
        )

    def _at_home(self) -> list[a.HomeCheck]:
        """Return what the owner can look at, what would stop the job first, then what is worth most."""
        found = [s for s in self.steps if self.source.points[s.id].at_home and not self._done(s.id)]
        found.sort(key=lambda step: step.urgency)
        return [
            a.HomeCheck(point=step.id, text=self.source.points[step.id].at_home or "")
            for step in found[:MOST_AT_HOME]
        ]

    def _cautions(self, walked: Iterable[Step]) -> list[CautionPart]:
        belongs: dict[str, list[str]] = {}
        for step in walked:
            stage = STAGES[step.stage]
            for caution in self.source.stages[stage].cautions:
                owners = belongs.setdefault(caution, [])
                if f"stages.{stage}" not in owners:
                    owners.append(f"stages.{stage}")
            for caution in self.source.points[step.id].cautions:
                belongs.setdefault(caution, []).append(f"points.{step.id}")
        return cautions.told(self.source, belongs)


def _worth(valued: Valued) -> a.WorthPart:
    return a.WorthPart(
        not_good=min(1.0, max(0.0, 1.0 - valued.results[-1].probability)),
        bits=round(valued.bits, 6),
        loss_reduction_minutes=round(valued.loss_reduction, 4),
        minutes=round(valued.worth_per_minute * valued.candidate.minutes, 4),
    )
