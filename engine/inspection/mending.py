"""What has to be mended first and what may wait, each told once, whatever showed it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from engine.inspection import report_parts as r
from engine.inspection.answer import Inspection, PointPart
from engine.model import Hold, KnownState
from engine.triage import Grounds, Triage

LIKELY = 0.5
"""Probability from which a cause is told as one to mend or to advise on."""
EXPLAINS = 0.15
"""Strength of a link from which a cause explains what a point showed."""
NOT_A_GUESS = 0.1


@dataclass
class _Item:
    """One thing to mend while it is gathered: the cause is an index, or None where none is likely."""

    cause: int | None
    points: list[PointPart] = field(default_factory=list)
    findings: set[str] = field(default_factory=set)
    holds: list[tuple[str, Hold]] = field(default_factory=list)


class Mending:
    """Gathers points, likely causes and holds of one case into things to do."""

    def __init__(self, triage: Triage, grounds: Grounds, walk: Inspection) -> None:
        self.triage = triage
        self.knowledge = triage.knowledge
        self.grounds = grounds
        self.points = [point for stage in walk.stages for point in stage.points]

    def mend_first(self) -> list[r.MendPart]:
        """Return what has to be mended or ruled out first: what holds the car, then by probability."""
        items: list[_Item] = []
        for point in self.points:
            if point.answer == "mend":
                findings = {f for f, s in point.sets.mend.items() if s == "present" and self._is_present(f)}
                self._add(items, self._cause_of(findings), point, findings)
        for cause in self._likely(("stop", "mend_first")):
            if not any(item.cause == cause for item in items):
                items.append(_Item(cause, [], self._shown_by(cause)))
        for rule, hold in self.grounds.conclusions.holds:
            self._hold(items, rule, hold)
        order = sorted(
            items, key=lambda i: (not any(h.verdict == "stop" for _, h in i.holds), -self._chance(i))
        )
        return [self._told(item) for item in order]

    def advised(self) -> list[r.AdvicePart]:
        """Return what may wait: points that were answered so, then likely causes that only need advice."""
        source = self.knowledge.source
        found = [
            r.AdvicePart(
                what=self._shown(point, point.sets.advise),
                why=point.owner_words,
                horizon=point.horizon,
                horizon_words=r.HORIZONS[point.horizon],
                point=point.id,
                note=point.note,
            )
            for point in self.points
            if point.answer == "advise"
        ]
        told = {f for p in self.points if p.answer == "advise" for f in p.sets.advise}
        for cause in self._likely(("advise",)):
            if self._shown_by(cause) & told:
                continue
            entry = source.causes[self.knowledge.cause_ids[cause]]
            found.append(
                r.AdvicePart(
                    what=entry.label,
                    why=entry.if_ignored,
                    horizon="session",
                    horizon_words=r.HORIZONS["session"],
                    cause=self.knowledge.cause_ids[cause],
                )
            )
        return found

    def _shown(self, point: PointPart, sets: Mapping[str, KnownState]) -> str:
        """Return what a point showed: the finding that it set, or what was looked at where it set none."""
        labels = (self.knowledge.source.findings[f].label for f, s in sets.items() if s == "present")
        return next(labels, point.label)

    def _is_present(self, finding: str) -> bool:
        return self.grounds.conclusions.states.get(finding) == "present"

    def _likely(self, consequences: Iterable[str]) -> list[int]:
        marginal = self.grounds.posterior.marginal
        causes = self.knowledge.source.causes
        return sorted(
            (
                c
                for c, cause_id in enumerate(self.knowledge.cause_ids)
                if marginal[c] >= LIKELY and causes[cause_id].consequence in consequences
            ),
            key=lambda c: (-marginal[c], c),
        )

    def _cause_of(self, findings: Iterable[str]) -> int | None:
        """Return the likeliest cause that explains one of the findings, None where all would be a guess."""
        rows = [self.knowledge.finding_index[f] for f in findings]
        if not rows:
            return None
        explains = self.knowledge.network.strength[rows].max(axis=0) >= EXPLAINS
        marginal = self.grounds.posterior.marginal * explains
        best = int(marginal.argmax())
        return best if marginal[best] >= NOT_A_GUESS else None

    def _shown_by(self, cause: int) -> set[str]:
        strength = self.knowledge.network.strength[:, cause]
        return {
            f
            for f, state in self.grounds.conclusions.states.items()
            if state == "present" and strength[self.knowledge.finding_index[f]] >= EXPLAINS
        }

    def _add(self, items: list[_Item], cause: int | None, point: PointPart, findings: set[str]) -> None:
        item = next((i for i in items if cause is not None and i.cause == cause), None)
        if item is None:
            item = _Item(cause)
            items.append(item)
        item.points.append(point)
        item.findings |= findings

    def _hold(self, items: list[_Item], rule: str, hold: Hold) -> None:
        """Put a hold to the thing that it rests on, or make it one of its own."""
        rests_on = self._findings_below(rule)
        item = next((i for i in items if i.findings & rests_on), None)
        if item is None:
            cause = self._cause_of(rests_on)
            item = next((i for i in items if cause is not None and i.cause == cause), None)
            if item is None:
                item = _Item(cause)
                items.append(item)
            item.findings |= rests_on
        item.holds.append((rule, hold))

    def _findings_below(self, rule: str) -> set[str]:
        """Return the present findings that a rule rests on, through the rules that derived them."""
        fired = {one.rule: one for one in self.grounds.conclusions.trace}
        found: set[str] = set()
        waiting, seen = [rule], {rule}
        while waiting:
            for support in fired[waiting.pop()].because:
                if support.statement.endswith(" is present"):
                    found.add(support.statement.removesuffix(" is present"))
                below = support.origin.removeprefix("rules.")
                if support.origin.startswith("rules.") and below not in seen:
                    seen.add(below)
                    waiting.append(below)
        return found

    def _chance(self, item: _Item) -> float:
        return 0.0 if item.cause is None else float(self.grounds.posterior.marginal[item.cause])

    def _told(self, item: _Item) -> r.MendPart:
        source = self.knowledge.source
        cause_id = None if item.cause is None else self.knowledge.cause_ids[item.cause]
        cause = None if cause_id is None else source.causes[cause_id]
        sure = cause is not None and self._chance(item) >= LIKELY
        technical = [f"{p.label}: {p.note or 'to be mended'}" for p in item.points]
        if cause is not None:
            technical.append(f"{cause.label}: {100 * self._chance(item):.0f} %")
        technical += [f"{source.rules[rule].label}: {hold.why}" for rule, hold in item.holds]
        if sure and cause is not None:
            what = cause.label
        elif item.points:
            what = self._shown(item.points[0], item.points[0].sets.mend)
        elif item.holds:
            what = source.rules[item.holds[0][0]].label
        else:
            what = cause.label if cause is not None else "Something that holds the car"
        why = (
            item.points[0].owner_words
            if item.points
            else item.holds[0][1].why
            if item.holds
            else cause.if_ignored
            if cause is not None
            else ""
        )
        return r.MendPart(
            what=what,
            why=why,
            technical=technical,
            cause=cause_id,
            probability=None if cause_id is None else min(1.0, self._chance(item)),
            points=[point.id for point in item.points],
            holds=[rule for rule, _ in item.holds],
            lifted_by=[hold.lifted_by for _, hold in item.holds],
            work=None if cause is None else self._work(cause.fixes[0]),
        )

    def _work(self, fix_id: str) -> r.WorkPart:
        fix = self.knowledge.source.fixes[fix_id]
        proof = self.knowledge.source.tests[fix.proof]
        return r.WorkPart(
            fix=fix_id,
            label=fix.label,
            minutes=fix.minutes,
            proof=fix.proof,
            proof_label=proof.label,
            proof_minutes=proof.minutes,
        )
