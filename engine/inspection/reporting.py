"""The verdict report: what was found of a car, for its owner and for the workshop."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime

from engine import cautions
from engine.answer import CautionPart
from engine.case import TriageRequest
from engine.conditions import Reading
from engine.facts import read_facts
from engine.inspection import report_parts as r
from engine.inspection.answer import Inspection, PointPart
from engine.inspection.mending import Mending
from engine.inspection.reading_plots import strip
from engine.inspection.walker import Inspector
from engine.inspection.watching import doubt_of, run_cautions, shown, watches
from engine.model import VerdictName
from engine.triage import Grounds, Triage

NOTICE = (
    "This report advises and does not certify. It says what was looked at and what follows from it; what was "
    "not looked at is listed. Local codes, the vehicle maker's procedures and licensed practice come first."
)
MOST_DOUBTS = 8
LEAST_DOUBT = 0.02
HEADLINES: dict[VerdictName, str] = {
    "run": "Your car can be run at full load.",
    "run_with_advice": "Your car can be run at full load; a few things should be seen to after.",
    "mend_first": "Something has to be mended before your car is run at full load.",
    "stop": "Your car must not be run now.",
}
NOT_YET = "Not yet: some checks that come before a full-load run are still open."


@dataclass(frozen=True)
class Said:
    """Facts that were added to a case."""

    entry: int
    at: datetime | None
    who: str | None
    facts: TriageRequest
    points: tuple[str, ...] = ()


@dataclass(frozen=True)
class Shop:
    """What the shop sets for its reports."""

    name: str | None = None
    per_hour: float | None = None
    currency: str | None = None


@dataclass(frozen=True)
class CaseFile:
    """All that a report is made of. `said` are the entries that stand, in order."""

    case: str
    reference: str | None
    made: datetime
    said: Sequence[Said]
    photographs: Sequence[r.PhotographPart] = ()
    shop: Shop = field(default_factory=Shop)


def report(inspector: Inspector, facts: TriageRequest, walk: Inspection, file: CaseFile) -> r.Report:
    """Return the report of a case; raises as `engine.triage.Triage.answer` does."""
    triage = inspector.triage
    grounds = triage.grounds(facts)
    mending = Mending(triage, grounds, walk)
    mend, advised = mending.mend_first(), mending.advised()
    may_run = walk.ready and walk.verdict.verdict in ("run", "run_with_advice")
    not_checked = _not_checked(walk)
    watched = watches(triage, grounds)
    return r.Report(
        kb=walk.kb,
        decision_id=walk.decision_id,
        case=file.case,
        reference=file.reference,
        shop=file.shop.name,
        made=file.made,
        verdict=walk.verdict.verdict,
        may_run=may_run,
        owner=r.OwnerPage(
            headline=headline(walk),
            words=_owner_words(walk, mend, advised),
            mend_first=mend,
            advised=advised,
            not_checked=_not_checked_words(walk, not_checked),
            estimate=_estimate(mend, file.shop),
            before_you_come=walk.before_you_come if not _looked_at(walk) else [],
        ),
        sheet=r.TechnicalSheet(
            verdict=walk.verdict,
            holds=walk.holds,
            mend_first=mend,
            advised=advised,
            not_checked=not_checked,
            seen=_seen(walk, file),
            readings=readings(triage, file.said),
            doubts=_doubts(triage, grounds),
            watch=watched,
        ),
        photographs=list(file.photographs),
        cautions=_cautions(triage, mend),
        notice=NOTICE,
    )


def watch_list(inspector: Inspector, facts: TriageRequest, walk: Inspection) -> r.WatchList:
    """Return what to watch during the first runs; raises as `engine.triage.Triage.answer` does."""
    grounds = inspector.triage.grounds(facts)
    may_run = walk.ready and walk.verdict.verdict in ("run", "run_with_advice")
    return r.WatchList(
        kb=walk.kb,
        decision_id=walk.decision_id,
        verdict=walk.verdict.verdict,
        may_run=may_run,
        headline=walk.verdict.headline if may_run or walk.ready else NOT_YET,
        watches=watches(inspector.triage, grounds),
        cautions=run_cautions(inspector.triage),
    )


def headline(walk: Inspection) -> str:
    """Return the verdict in the owner's words; open checks stand above a verdict that would let it run."""
    if not walk.ready and walk.verdict.verdict in ("run", "run_with_advice"):
        return NOT_YET
    return HEADLINES[walk.verdict.verdict]


def points_of(walk: Inspection) -> list[tuple[str, PointPart]]:
    """Return the points on a walk, each with the label of its stage."""
    return [(stage.label, point) for stage in walk.stages for point in stage.points]


def _looked_at(walk: Inspection) -> bool:
    return any(point.answer not in (None, "not_checked") for _, point in points_of(walk))


def _owner_words(walk: Inspection, mend: list[r.MendPart], advised: list[r.AdvicePart]) -> list[str]:
    words = []
    if mend:
        count = "One thing" if len(mend) == 1 else f"{len(mend)} things"
        words.append(f"{count} first, so that nothing breaks, burns or hurts somebody at full load.")
    if advised:
        count = "One thing holds" if len(advised) == 1 else f"{len(advised)} things hold"
        words.append(f"{count} for now and should be seen to later; how soon is said with each.")
    if not mend and not advised and walk.ready:
        words.append("Nothing was found that speaks against it.")
    return words


def _not_checked(walk: Inspection) -> list[r.NotCheckedPart]:
    rollers = set(walk.before_rollers)
    found = []
    for stage, point in points_of(walk):
        if point.answer not in (None, "not_checked"):
            continue
        if point.answer == "not_checked":
            because = point.note or "left out by whoever walked round the car"
        elif point.state == "withheld":
            because = point.because[0]
            if len(point.because) > 1:
                because += f"; and {len(point.because) - 1} more"
        else:
            because = "not looked at yet"
        found.append(
            r.NotCheckedPart(
                point=point.id,
                label=point.label,
                stage=stage,
                because=because,
                before_rollers=point.id in rollers,
            )
        )
    found += [
        r.NotCheckedPart(
            point=left.id, label=left.label, stage="Short of time", because=left.because, before_rollers=False
        )
        for left in walk.left_for_later
    ]
    return found


def _not_checked_words(walk: Inspection, parts: list[r.NotCheckedPart]) -> str:
    if not _looked_at(walk):
        return "Nobody has looked at the car yet: this rests on what was told."
    if not parts:
        return "Everything on the walk round the car was looked at."
    first = sum(part.before_rollers for part in parts)
    words = f"{len(parts)} points were not looked at; the sheet names them."
    return words + (f" {first} of them must be good before a full-load run." if first else "")


def _estimate(mend: list[r.MendPart], shop: Shop) -> r.Estimate:
    work = {m.work.fix: m.work.minutes for m in mend if m.work is not None}
    proofs = {m.work.proof: m.work.proof_minutes for m in mend if m.work is not None}
    minutes = sum(work.values()) + sum(proofs.values())
    unknown = sum(m.work is None for m in mend)
    words = (
        "No work is needed first."
        if not mend
        else f"About {_duration(minutes)} of work with its proof tests."
    )
    if unknown and not minutes:
        words = "How long the work takes shows when it is begun."
    elif unknown:
        words += " Not counted: what is found on the way."
    amount = None
    if shop.per_hour is not None and minutes:
        amount = round(minutes / 60.0 * shop.per_hour)
        words += f" At the shop's rate about {amount:g} {shop.currency or ''}".rstrip() + ", without parts."
    return r.Estimate(
        minutes=minutes, amount=amount, currency=shop.currency if amount is not None else None, words=words
    )


def _duration(minutes: float) -> str:
    if minutes < 90:
        return f"{minutes:.0f} minutes"
    return f"{round(minutes / 30) / 2:g} hours"


def _seen(walk: Inspection, file: CaseFile) -> list[r.SeenPart]:
    last = {point: said for said in file.said for point in said.points}
    pictures: dict[str, list[str]] = {}
    for photograph in file.photographs:
        if photograph.point is not None:
            pictures.setdefault(photograph.point, []).append(photograph.id)
    return [
        r.SeenPart(
            point=point.id,
            label=point.label,
            stage=stage,
            answer=point.answer,
            note=point.note,
            at=last[point.id].at if point.id in last else None,
            who=last[point.id].who if point.id in last else None,
            photographs=pictures.get(point.id, []),
        )
        for stage, point in points_of(walk)
        if point.answer is not None
    ]


def readings(triage: Triage, said: Sequence[Said]) -> list[r.ReadingPart]:
    """Return every quantity that was read, by the conditions it was read at, with all its values in order."""
    source = triage.knowledge.source
    rows: dict[tuple[str, tuple[tuple[str, float], ...]], list[tuple[Reading, Said]]] = {}
    for one in said:
        if one.facts.measurements:
            only = TriageRequest(measurements=one.facts.measurements)
            for reading in read_facts(triage.knowledge, only).readings:
                rows.setdefault((reading.quantity, tuple(sorted(reading.at.items()))), []).append(
                    (reading, one)
                )
    found = []
    for (quantity, at), values in rows.items():
        entry = source.quantities[quantity]
        limits = _limits(triage, values[-1][0])
        numbers = [float(f"{reading.value:.4g}") for reading, _ in values]
        found.append(
            r.ReadingPart(
                quantity=quantity,
                label=entry.label,
                unit=shown(entry.unit),
                conditions=", ".join(
                    f"{at_entry.label.lower()} {value:g} {shown(at_entry.unit)}".strip()
                    for at_entry, value in ((source.quantities[q], value) for q, value in at)
                ),
                values=[
                    r.ReadValue(value=number, at=one.at, entry=one.entry)
                    for number, (_, one) in zip(numbers, values, strict=True)
                ],
                limits=limits,
                plot=strip(numbers, limits, shown(entry.unit), entry.label),
            )
        )
    return found


def _limits(triage: Triage, reading: Reading) -> list[r.LimitLine]:
    """Return what the rules say of values of a quantity under the conditions of a reading."""
    knowledge = triage.knowledge
    rule_of = {atom: c.rule for c in reversed(knowledge.table.conjunctions) for atom in c.needs}
    unit = shown(knowledge.source.quantities[reading.quantity].unit)
    found: dict[tuple[float | None, float | None], r.LimitLine] = {}
    for number, atom in knowledge.reading_atoms.get(reading.quantity, ()):
        if not all(q in reading.at and bounds.holds(reading.at[q]) for q, bounds in atom.at):
            continue
        low = None if atom.bounds.low == float("-inf") else round(atom.bounds.low, 6)
        high = None if atom.bounds.high == float("inf") else round(atom.bounds.high, 6)
        label = knowledge.source.rules[rule_of[number]].label
        found.setdefault(
            (low, high), r.LimitLine(low=low, high=high, text=f"{atom.bounds} {unit}".strip() + f": {label}")
        )
    return sorted(found.values(), key=lambda line: (line.low is not None, line.low or 0.0, line.high or 0.0))


def _doubts(triage: Triage, grounds: Grounds) -> list[r.DoubtPart]:
    marginal = grounds.posterior.marginal
    order = sorted(range(marginal.size), key=lambda c: -marginal[c])[:MOST_DOUBTS]
    return [doubt_of(triage, grounds, c) for c in order if marginal[c] >= LEAST_DOUBT]


def _cautions(triage: Triage, mend: list[r.MendPart]) -> list[CautionPart]:
    source = triage.knowledge.source
    belongs: dict[str, list[str]] = {}
    for part in mend:
        if part.work is not None:
            for caution in source.fixes[part.work.fix].cautions:
                belongs.setdefault(caution, []).append(f"fixes.{part.work.fix}")
        if part.cause is not None:
            for caution in source.causes[part.cause].hazards:
                belongs.setdefault(caution, []).append(f"causes.{part.cause}")
    run = run_cautions(triage)
    known = {caution.id for caution in run}
    return run + cautions.told(source, {c: owners for c, owners in belongs.items() if c not in known})
