"""What was heard as readable text for a terminal, also a narrow one."""

from __future__ import annotations

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from api.text import percent
from engine.listening.answer import PhrasesAnswer


def print_heard(answer: PhrasesAnswer, console: Console) -> None:
    """Print what was heard, the likeliest first, and what to ask if nothing was."""
    for finding in answer.findings:
        sign, state = ("+", "") if finding.state == "present" else ("-", ", denied")
        head = Text.assemble(
            f"{percent(finding.score):>6} {sign} ",
            (finding.label, "bold"),
            (f"{state}  {finding.finding}", "dim"),
        )
        console.print(head)
        console.print(Padding(Text(f"heard in: {', '.join(finding.words)}", style="dim"), (0, 0, 0, 9)))
        console.print(Padding(Text(f"to be sure: {finding.question}"), (0, 0, 0, 9)))
    for fact in answer.vehicle:
        console.print(Text.assemble("   car   ", (f"{fact.label}: ", "bold"), fact.value_label))
    if answer.trouble_codes:
        console.print(Text.assemble("   codes ", (", ".join(answer.trouble_codes), "bold")))
    if answer.nothing_matched:
        console.print(Text("No finding was heard in this.", style="bold"))
        if answer.nearest:
            console.print("Nearest: " + "; ".join(near.label for near in answer.nearest))
        console.print(Text.assemble("Ask: ", (answer.ask or "", "bold")))
