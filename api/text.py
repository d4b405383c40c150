"""An answer as readable text for a terminal, also a narrow one."""

from __future__ import annotations

from collections.abc import Iterable

from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from engine.answer import CausePart, QuestionPart, TestPart, TriageAnswer
from engine.knowledge import Knowledge

VERDICT_STYLE = {
    "run": "bold green",
    "run_with_advice": "bold green",
    "mend_first": "bold yellow",
    "stop": "bold red",
}
BAR_WIDTH = 12


def percent(p: float) -> str:
    """Return a probability in words short enough for a column."""
    if p >= 0.995:
        return ">99 %"
    return f"{100 * p:.0f} %" if p >= 0.01 else "<1 %"


def render_answer(answer: TriageAnswer, knowledge: Knowledge) -> Iterable[RenderableType]:
    """Yield the answer from the top down: verdict and holds, questions, causes, tests, cautions."""
    yield _verdict(answer)
    for conflict in answer.conflicts:
        yield Text(f"! {conflict.message}", style="yellow")
    if answer.unmatched_codes:
        codes = ", ".join(answer.unmatched_codes)
        yield Text(f"Codes this knowledge base says nothing about: {codes}", style="dim")
    if answer.next_questions:
        yield _heading("Ask next")
        for i, question in enumerate(answer.next_questions, 1):
            yield _question(i, question, knowledge)
    if answer.causes:
        yield _heading("Likely causes")
        for cause in answer.causes:
            if cause.probability >= 0.01 or cause is answer.causes[0]:
                yield _cause(cause)
    if answer.explanations:
        yield _heading("Together")
        for explanation in answer.explanations:
            labels = [knowledge.source.causes[c].label for c in explanation.causes]
            together = " + ".join(labels) or "none of these causes"
            yield Text(f"{percent(explanation.probability):>6}  {together}")
    if answer.next_tests:
        yield _heading("Test next")
        for i, test in enumerate(answer.next_tests, 1):
            yield _test(i, test, knowledge)
    if answer.withheld_tests:
        yield _heading("Not now")
        for withheld in answer.withheld_tests:
            yield Text.assemble(("- ", ""), (withheld.label, "bold"), ": ", "; ".join(withheld.because))
    if answer.cautions:
        yield _heading("Cautions")
        for caution in answer.cautions:
            yield Text.assemble(("! ", "bold yellow"), (caution.label, "bold"), ". ", caution.wording)
        deferral = "Local codes, the vehicle maker's procedures and licensed practice come first."
        yield Text(deferral, style="dim")
    stamp = f"knowledge base {answer.kb.version} ({answer.kb.revision})"
    yield Text(f"\n{stamp}, decision {answer.decision_id}", style="dim")


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


def _question(number: int, question: QuestionPart, knowledge: Knowledge) -> RenderableType:
    lines: list[RenderableType] = [Text(f"{number}. {question.question}", style="bold")]
    for result in question.results:
        word = "if yes" if result.state == "present" else "if no"
        moved = ", ".join(
            f"{knowledge.source.causes[o.cause].label} {percent(o.probability)}" for o in result.causes[:2]
        )
        lines.append(
            Padding(Text(f"{word} ({percent(result.probability)}): {moved}", style="dim"), (0, 0, 0, 3))
        )
    return Group(*lines)


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


def _test(number: int, test: TestPart, knowledge: Knowledge) -> RenderableType:
    head = f"{number}. {test.label}  ({test.minutes:g} min, {test.place}, {test.skill})"
    lines: list[RenderableType] = [Text(head, style="bold")]
    if test.required_by:
        lines.append(Padding(Text("required", style="bold yellow"), (0, 0, 0, 3)))
    for caution in test.cautions:
        text = Text(f"! {knowledge.source.cautions[caution].label}", style="yellow")
        lines.append(Padding(text, (0, 0, 0, 3)))
    lines.extend(Padding(Text(f"first: {check}", style="yellow"), (0, 0, 0, 3)) for check in test.check_first)
    for result in test.results:
        what = knowledge.source.findings[result.finding].label if result.finding else "none of these"
        shown = what if result.state == "present" else f"{what} absent" if result.finding else what
        moved = ", ".join(
            f"{knowledge.source.causes[o.cause].label} {percent(o.probability)}" for o in result.causes[:2]
        )
        line = Text(f"{shown} ({percent(result.probability)}): {moved}", style="dim")
        lines.append(Padding(line, (0, 0, 0, 3)))
    return Group(*lines)


def print_answer(answer: TriageAnswer, knowledge: Knowledge, console: Console) -> None:
    """Print the answer to a console."""
    for piece in render_answer(answer, knowledge):
        console.print(piece)
