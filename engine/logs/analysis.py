"""The whole way from a log file to an answer: read it, look at every stretch, tell what it showed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from engine.answer import KbStamp
from engine.case import FindingReport
from engine.loading import KnowledgeSource
from engine.logs.answer import (
    ChannelView,
    EventView,
    EvidenceView,
    LogAnswer,
    LogFinding,
    NotJudged,
    Plot,
)
from engine.logs.feature import Event
from engine.logs.looking import FeatureResult, LogLook, Looker
from engine.logs.mapping import Mapping
from engine.logs.reading import LogReader, ReadLimits, read_log
from engine.measures.answer import FactsForTriage
from engine.measures.run import source_view
from engine.model import Channel, Comparison

CHANNEL_PREFIX = "logged_"
DIGITS = 5
EVIDENCE_UNITS = frozenset({"rpm", "%", "kPa", "deg", "degC", "V", "g", "km/h", "ms", "K", "s"})


@dataclass(frozen=True)
class Wanted:
    """What a caller wants of a log besides its findings."""

    plots: bool = True
    mapping: Mapping | None = None
    limits: ReadLimits = field(default_factory=ReadLimits)


def analyse(
    path: Path,
    source: KnowledgeSource,
    wanted: Wanted,
    progress: Callable[[int, int], None] | None = None,
) -> LogAnswer:
    """Return what the log at `path` shows.

    `progress` is told the bytes read so far and in all. Raises `engine.logs.errors.LogError` for a file that
    cannot be read as a log, and `engine.errors.InputError` for a mapping that does not fit it.
    """
    reader = read_log(path, source, wanted.mapping, progress, wanted.limits)
    looker = Looker(source)
    for stretch in reader.stretches():
        looker.take(stretch)
    return _answer(source, reader, looker.told(), wanted)


def channel_of(source: KnowledgeSource, name: str) -> Channel:
    """Return the entry of a channel by its short name."""
    return source.channels[CHANNEL_PREFIX + name]


def _answer(source: KnowledgeSource, reader: LogReader, look: LogLook, wanted: Wanted) -> LogAnswer:
    labels = {
        name.removeprefix(CHANNEL_PREFIX): ", ".join(
            part for part in (entry.label, _unit(entry.unit)) if part
        )
        for name, entry in source.channels.items()
    }
    plots: list[Plot] = []
    decided = decide(look.results)
    findings = [_finding(source, result, labels, plots if wanted.plots else None) for result in decided]
    return LogAnswer(
        kb=KbStamp(
            version=source.manifest.version, revision=source.revision, content_hash=source.content_hash
        ),
        duration_s=round(look.duration_s, 2),
        pulls=look.pulls,
        gears=list(look.gears),
        findings=findings,
        facts=FactsForTriage(
            findings=[FindingReport(id=finding.id, state=finding.state) for finding in findings],
            measurements=[],
        ),
        questions=list(reader.questions),
        caveats=list(reader.caveats),
        not_judged=[_not_judged(source, result) for result in look.results if result.state == "unknown"],
        channels=[
            ChannelView(
                id=name,
                label=channel_of(source, name).label,
                unit=_unit(channel_of(source, name).unit),
                reference=channel_of(source, name).reference,
                lowest=rounded(summary.lowest),
                highest=rounded(summary.highest),
                mean=rounded(summary.mean),
                samples=summary.samples,
            )
            for name, summary in look.channels.items()
        ],
        layout=reader.layout,
        mapping=reader.mapping(),
        plots=plots,
    )


def decide(results: Sequence[FeatureResult]) -> list[FeatureResult]:
    """Return one result for each finding that the log decides: what shows outweighs what does not."""
    chosen: dict[str, FeatureResult] = {}
    for result in results:
        if result.state == "unknown":
            continue
        earlier = chosen.get(result.finding)
        if earlier is None or (earlier.state == "absent" and result.state == "present"):
            chosen[result.finding] = result
    return sorted(chosen.values(), key=lambda result: result.state != "present")


def _finding(
    source: KnowledgeSource, result: FeatureResult, labels: dict[str, str], plots: list[Plot] | None
) -> LogFinding:
    limit = source.limits[result.feature.id]
    events = []
    for event, clip in result.events:
        plot = None
        if plots is not None and clip is not None:
            # Late: drawing costs half a second to load, and a log without events needs none.
            from engine.logs.plots import draw  # noqa: PLC0415

            plot = f"{result.feature.id}_{sum(p.id.startswith(result.feature.id) for p in plots) + 1}"
            title = f"{limit.label}, {event.start_s:.1f} to {event.end_s:.1f} s"
            plots.append(Plot(id=plot, title=title, svg=draw(clip, event, labels)))
        events.append(_event(event, plot))
    return LogFinding(
        id=result.finding,
        label=source.findings[result.finding].label,
        state="present" if result.state == "present" else "absent",
        feature=result.feature.id,
        feature_label=limit.label,
        because=limit.because,
        source=source_view(source, limit.source),
        limit=_in_words(limit.present),
        unit=_unit(limit.unit),
        worst=None if result.largest is None else rounded(result.largest),
        seen=result.count,
        chances=result.chances,
        events=events,
    )


def _event(event: Event, plot: str | None) -> EventView:
    return EventView(
        start_s=round(event.start_s, 3),
        end_s=round(event.end_s, 3),
        size=rounded(event.size),
        gear=event.gear,
        evidence=[_evidence(name, value) for name, value in event.evidence.items()],
        plot=plot,
    )


def _evidence(named: str, value: float) -> EvidenceView:
    """Return a reading whose name ends with its unit, as "engine speed rpm", with the two apart."""
    name, _, last = named.rpartition(" ")
    if name and last in EVIDENCE_UNITS:
        return EvidenceView(name=name, value=rounded(value), unit=last)
    return EvidenceView(name=named, value=rounded(value))


def _not_judged(source: KnowledgeSource, result: FeatureResult) -> NotJudged:
    limit = source.limits[result.feature.id]
    assert result.why_unknown is not None
    said = {
        "channels_missing": f"the log lacks {', '.join(result.missing)}".replace("_", " "),
        "no_chance": "the car was never driven so that it could show",
        "too_few_chances": "it did not show, but the log is too short to rule it out",
        "between_limits": "the worst seen lies between clear and beyond the limit",
    }[result.why_unknown]
    return NotJudged(
        feature=result.feature.id,
        label=limit.label,
        finding=result.finding,
        why=result.why_unknown,
        said=said,
    )


def _in_words(comparison: Comparison) -> str:
    words = {"below": "below", "at_most": "at most", "above": "above", "at_least": "at least"}
    parts = [f"{said} {value}" for name, said in words.items() if (value := getattr(comparison, name))]
    return " and ".join(parts)


def _unit(unit: str) -> str:
    return "" if unit == "dimensionless" else {"percent": "%", "degree": "deg", "g_0": "g"}.get(unit, unit)


def rounded(value: float) -> float:
    """Return a value to five figures, for people."""
    return float(f"{value:.{DIGITS}g}")
