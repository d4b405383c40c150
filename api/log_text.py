"""The answer to a log as readable text for a terminal, also a narrow one."""

from __future__ import annotations

from collections.abc import Iterable

from rich.console import Console, RenderableType
from rich.table import Table
from rich.text import Text

from api.measure_text import STATE_STYLE, number
from engine.logs.answer import EventView, LogAnswer, LogFinding

SHOWN_EVENTS = 5
SHOWN_EVIDENCE = 4


def print_log(answer: LogAnswer, console: Console) -> None:
    """Print what a log showed."""
    for part in render_log(answer):
        console.print(part)


def render_log(answer: LogAnswer) -> Iterable[RenderableType]:
    """Yield the answer from the top down: what shows, what does not, questions, caveats, how it was read."""
    gears = f", gears {', '.join(map(str, answer.gears))}" if answer.gears else ""
    minutes = f"{answer.duration_s / 60:.1f} min" if answer.duration_s >= 90 else f"{answer.duration_s:.0f} s"
    pulls = "1 pull" if answer.pulls == 1 else f"{answer.pulls} pulls"
    yield Text(f"{minutes} of log, {pulls}{gears}", style="bold")
    shown = [finding for finding in answer.findings if finding.state == "present"]
    yield _heading("Shows")
    if not shown:
        yield Text("Nothing beyond its limit.")
    for finding in shown:
        yield from _finding(finding)
    clear = [finding.label for finding in answer.findings if finding.state == "absent"]
    if clear:
        yield _heading("Clear in this log")
        yield from (Text(f"- {label}", style="green") for label in clear)
    if answer.questions:
        yield _heading("To be said before all can be judged")
        for question in answer.questions:
            accepted = f" ({', '.join(question.accepted)})" if question.accepted else ""
            yield Text(f"- {question.question}{accepted}", style="yellow")
    if answer.caveats:
        yield _heading("Mind")
        yield from (Text(f"- {caveat.text}") for caveat in answer.caveats)
    yield _heading("How it was read")
    yield _columns(answer)
    missing = [line for line in answer.not_judged if line.why != "channels_missing"]
    if missing:
        yield _heading("Not decided")
        yield from (Text(f"- {line.label}: {line.said}", style="dim") for line in missing)
    lacking = sorted({line.said for line in answer.not_judged if line.why == "channels_missing"})
    if lacking:
        yield Text(f"{len(lacking)} more cannot be judged without further channels (--json names them).")
    yield Text(f"\nknowledge base {answer.kb.version} ({answer.kb.revision})", style="dim")


def _heading(text: str) -> Text:
    return Text(f"\n{text}", style="bold underline")


def _finding(finding: LogFinding) -> Iterable[RenderableType]:
    of = f" of {finding.chances}" if finding.chances >= finding.seen else ""
    yield Text.assemble(
        (finding.label, STATE_STYLE["present"]), f": {finding.seen}{of} times, {finding.limit}"
    )
    for event in finding.events[:SHOWN_EVENTS]:
        yield Text(f"  {_event(event, finding.unit)}")
    if finding.seen > min(len(finding.events), SHOWN_EVENTS):
        yield Text(f"  and {finding.seen - min(len(finding.events), SHOWN_EVENTS)} more", style="dim")
    yield Text(f"  {finding.because}", style="dim")


def _event(event: EventView, unit: str) -> str:
    gear = "" if event.gear is None else f", gear {event.gear}"
    parts = [part for part in event.evidence if part.name != "gear"][:SHOWN_EVIDENCE]
    evidence = "".join(f", {part.name} {number(part.value)} {part.unit}".rstrip() for part in parts)
    size = f"{number(event.size, 3)} {unit}".strip()
    return f"{event.start_s:.1f} to {event.end_s:.1f} s: {size}{gear}{evidence}"


def _columns(answer: LogAnswer) -> Table:
    table = Table.grid(padding=(0, 2))
    for column in answer.layout.columns:
        if column.channel is not None:
            unit = " ".join(part for part in (column.unit, column.reference) if part)
            table.add_row(column.name, Text(f"{column.channel.replace('_', ' ')}", style="bold"), unit)
    unused = [column.name for column in answer.layout.columns if column.channel is None]
    if unused:
        shown = ", ".join(unused[:8]) + (f" and {len(unused) - 8} more" if len(unused) > 8 else "")
        table.add_row(Text(shown, style="dim"), Text("not used", style="dim"), "")
    return table
