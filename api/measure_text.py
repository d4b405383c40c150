"""A measure and its answer as readable text for a terminal, also a narrow one."""

from __future__ import annotations

import shlex
from collections.abc import Iterable

from rich.console import Console, RenderableType
from rich.table import Table
from rich.text import Text

from engine.measures.answer import ImpliedFinding, MeasureAnswer, ResultView
from engine.measures.catalogue import measures
from engine.measures.declare import Input, Measure

REFERENCE = {None: "", "gauge": " gauge", "absolute": " abs"}
STATE_STYLE = {"present": "bold yellow", "absent": "green", "unknown": "dim"}


def number(value: float, digits: int = 4) -> str:
    """Return a number as people write it: four figures, no exponent within reason."""
    text = f"{value:.{digits}g}"
    if "e" in text and 1e-4 <= abs(value) < 1e7:
        text = f"{value:.0f}" if abs(value) >= 1 else f"{value:.{digits + 3}f}".rstrip("0")
    return text


def print_measures(console: Console) -> None:
    """Print every measure with what it asks."""
    table = Table.grid(padding=(0, 2))
    for measure in measures().values():
        table.add_row(Text(measure.id, style="bold"), measure.asks)
    console.print(table)
    console.print(Text("\nprepull measure ID tells what one takes.", style="dim"))


def print_measure(measure: Measure, console: Console) -> None:
    """Print what a measure takes, and how to call it."""
    console.print(Text.assemble((measure.label, "bold"), "\n", measure.asks))
    for item in measure.inputs:
        console.print(_input_line(item))
    typed = " ".join(f"{name}={shlex.quote(value)}" for name, value in measure.example.items())
    console.print(Text("\nExample", style="bold"))
    console.print(f"prepull measure {measure.id} {typed}", soft_wrap=True)


def _input_line(item: Input) -> Text:
    line = Text.assemble("\n", (item.name, "bold"), "  ", item.label)
    if item.needed and item.default is None:
        line.append(" (needed)")
    if item.default is not None:
        line.append(f" (taken as {item.default} if left out)")
    if item.choices:
        line.append("".join(f"\n    {choice}: {label}" for choice, label in item.choices.items()))
    else:
        line.append(f"\n    as {item.typed_as}" + (", several" if item.many else ""))
    if item.help:
        line.append(f"\n    {item.help}")
    return line


def print_measured(answer: MeasureAnswer, console: Console, published: dict[str, str]) -> None:
    """Print the answer of a measure; `published` are values from outside to stand beside the results."""
    for part in render_measured(answer, published):
        console.print(part)


def render_measured(answer: MeasureAnswer, published: dict[str, str]) -> Iterable[RenderableType]:
    """Yield the answer from the top down: results, what they say, findings, caveats, sources."""
    yield Text(answer.label, style="bold")
    yield _results(answer.results, published)
    yield Text("")
    yield from (Text(said) for said in answer.says)
    if answer.findings:
        yield _heading("Findings")
        yield from (_finding(finding) for finding in answer.findings)
    if answer.caveats:
        yield _heading("Mind")
        yield from (Text(f"- {caveat}") for caveat in answer.caveats)
    if answer.cautions:
        yield _heading("Cautions")
        for caution in answer.cautions:
            yield Text.assemble(("! ", "bold yellow"), (caution.label, "bold"), ". ", caution.wording)
        deferral = "Local codes, the vehicle maker's procedures and licensed practice come first."
        yield Text(deferral, style="dim")
    yield _heading("Rests on")
    for formula in answer.formulas:
        yield Text.assemble("- ", formula.text, (f"  {formula.source.title}", "dim"))
    yield from (Text(f"- {assumption}", style="dim") for assumption in answer.assumes)
    yield Text(f"\nknowledge base {answer.kb.version} ({answer.kb.revision})", style="dim")


def _heading(text: str) -> Text:
    return Text(f"\n{text}", style="bold underline")


def _results(results: list[ResultView], published: dict[str, str]) -> Table:
    table = Table.grid(padding=(0, 2))
    table.add_column()
    table.add_column(no_wrap=True)
    if published:
        table.add_column(style="dim")
        table.add_row(Text("", style="bold"), Text("here", style="bold"), Text("published", style="bold"))
    for result in results:
        unit = f" {result.unit}" if result.unit else ""
        reference = (
            "" if result.reference is None else {"gauge": " gauge", "absolute": " abs"}[result.reference]
        )
        doubt = f" ± {number(result.plus_minus, 2)}" if result.plus_minus else ""
        row = [result.label, f"{number(result.value)}{doubt}{unit}{reference}"]
        if published:
            row.append(published.get(result.name, ""))
        table.add_row(*row)
    return table


def _finding(finding: ImpliedFinding) -> Text:
    sure = f"{100 * finding.strength:.0f} %"
    if finding.state == "unknown":
        said = f"not decided ({sure} beyond its limit)"
    else:
        said = f"{finding.state} ({sure} sure of the reading)"
    return Text.assemble("- ", (finding.label, STATE_STYLE[finding.state]), f": {said}. {finding.because}")
