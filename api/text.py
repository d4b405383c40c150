"""An answer as readable text for a terminal, also a narrow one."""

from __future__ import annotations

from collections.abc import Iterable

from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from engine.answer import CausePart, ResultPart, TestPart, TriageAnswer
from engine.knowledge import Knowledge

VERDICT_STYLE = {
    "run": "bold green",
    "run_with_advice": "bold green",
    "mend_first": "bold yellow",
    "stop": "bold red",
}
BAR_WIDTH = 12
LEAST_MOVE = 0.02


def percent(p: float) -> str:
    """Return a probability in words short enough for a column."""
    if p >= 0.995:
        return ">99 %"
    return f"{100 * p:.0f} %" if p >= 0.01 else "<1 %"


def render_answer(answer: TriageAnswer, knowledge: Knowledge) -> Iterable[RenderableType]:
    """Yield the answer from the top down: verdict and holds, questions, causes, tests, cautions."""
    now = {cause.id: cause.probability for cause in answer.causes or ()}
    yield _verdict(answer)
    for conflict in answer.conflicts:
        yield Text(f"! {conflict.message}", style="yellow")
    if answer.unmatched_codes:
        codes = ", ".join(answer.unmatched_codes)
        yield Text(f"Codes this knowledge base says nothing about: {codes}", style="dim")
    if answer.next_questions:
        yield _heading("Ask next")
        for i, question in enumerate(answer.next_questions, 1):
            yield Text(f"{i}. {question.question}", style="bold")
            yield from _moves(question.results, now, knowledge)
    if answer.causes:
        yield _heading("Likely causes")
        shown = [cause for cause in answer.causes if _worth_telling(cause)] or answer.causes[:1]
        yield from (_cause(cause) for cause in shown)
    if answer.explanations and any(len(e.causes) > 1 for e in answer.explanations):
        yield _heading("Together")
        for explanation in answer.explanations:
            labels = [knowledge.source.causes[c].label for c in explanation.causes]
            together = " + ".join(labels) or "none of these causes"
            yield Text(f"{percent(explanation.probability):>6}  {together}")
    if answer.next_tests:
        yield _heading("Test next")
        for i, test in enumerate(answer.next_tests, 1):
            yield from _test(i, test, now, knowledge)
    if answer.withheld_tests:
        yield _heading("Not now")
        for withheld in answer.withheld_tests:
            yield Text.assemble("- ", (withheld.label, "bold"), ": ", "; ".join(withheld.because))
    if answer.derived:
        yield _heading("Concluded by rules")
        for derived in answer.derived:
            yield Text(f"- {derived.label}: {derived.state} ({derived.rule})")
    if answer.cautions:
        yield _heading("Cautions")
        for caution in answer.cautions:
            yield Text.assemble(("! ", "bold yellow"), (caution.label, "bold"), ". ", caution.wording)
        deferral = "Local codes, the vehicle maker's procedures and licensed practice come first."
        yield Text(deferral, style="dim")
    stamp = f"knowledge base {answer.kb.version} ({answer.kb.revision})"
    yield Text(f"\n{stamp}, decision {answer.decision_id}", style="dim")


def _worth_telling(cause: CausePart) -> bool:
    """Whether the evidence has made the cause likelier, and likely enough for a line."""
    return cause.probability >= 0.01 and cause.probability > 1.2 * cause.prior


def _heading(words: str) -> RenderableType:
    return Text(f"\n{words}", style="bold underline")


def _verdict(answer: TriageAnswer) -> RenderableType:
    style = VERDICT_STYLE[answer.verdict.verdict]
    lines: list[RenderableType] = [Text(answer.verdict.headline, style=style)]
    for hold in answer.holds:
        word = "STOP" if hold.verdict == "stop" else "MEND FIRST"
        lines.append(Text.assemble((f"HOLD, {word}: ", style), hold.why))
        lines.append(Text(f"  lifted by: {hold.lifted_by}"))
    lines.extend(Text(reason) for reason in answer.verdict.reasons if not reason.startswith("Hold: "))
    title = answer.verdict.verdict.replace("_", " ").upper()
    return Panel(Group(*lines), title=Text(title, style=style), title_align="left", border_style=style)


def _moves(
    results: list[ResultPart], now: dict[str, float], knowledge: Knowledge, test: bool = False
) -> Iterable[RenderableType]:
    """Yield a line for each result that would move a cause by two points or more."""
    for result in results:
        moved = [o for o in result.causes if abs(o.probability - now.get(o.cause, 0.0)) >= LEAST_MOVE]
        moved.sort(key=lambda o: -abs(o.probability - now.get(o.cause, 0.0)))
        if not moved:
            continue
        if not test:
            shown = "if yes" if result.state == "present" else "if no"
        elif result.finding is None:
            shown = "none of these"
        else:
            absent = "" if result.state == "present" else ", absent"
            shown = f"{knowledge.source.findings[result.finding].label}{absent}"
        then = "; ".join(
            f"{knowledge.source.causes[o.cause].label} to {percent(o.probability)}" for o in moved[:2]
        )
        line = Text(f"{shown} ({percent(result.probability)}): {then}", style="dim")
        yield Padding(line, (0, 0, 0, 3), expand=False)


def _cause(cause: CausePart) -> RenderableType:
    filled = round(cause.probability * BAR_WIDTH)
    table = Table.grid(padding=(0, 1))
    table.add_column(justify="right", width=6, no_wrap=True)
    table.add_column(width=BAR_WIDTH, no_wrap=True)
    table.add_column()
    words = Text.assemble((cause.label, "bold"), f"  ({cause.consequence.replace('_', ' ')})")
    for sign, contributions in (("+", cause.speaks_for), ("-", cause.against)):
        for c in contributions[:3]:
            words.append(f"\n {sign} {c.label}{' (absent)' if c.state == 'absent' else ''}", style="dim")
    if cause.fixes:
        words.append(f"\n mend: {cause.fixes[0].label} ({cause.fixes[0].minutes:g} min)", style="dim")
    table.add_row(percent(cause.probability), "#" * filled + "." * (BAR_WIDTH - filled), words)
    return table


def _test(
    number: int, test: TestPart, now: dict[str, float], knowledge: Knowledge
) -> Iterable[RenderableType]:
    required = "required, " if test.required_by else ""
    confirms = "confirms, " if test.confirms else ""
    how = f"({required}{confirms}{test.minutes:g} min, {test.place}, {test.skill})"
    yield Text.assemble((f"{number}. {test.label} ", "bold"), how)
    if test.cautions:
        names = "; ".join(knowledge.source.cautions[caution].label for caution in test.cautions)
        yield Padding(Text(f"! {names}", style="yellow"), (0, 0, 0, 3), expand=False)
    for check in test.check_first:
        yield Padding(Text(f"first: {check}", style="yellow"), (0, 0, 0, 3), expand=False)
    yield from _moves(test.results, now, knowledge, test=True)


def print_answer(answer: TriageAnswer, knowledge: Knowledge, console: Console) -> None:
    """Print the answer to a console."""
    for piece in render_answer(answer, knowledge):
        console.print(piece)
