"""``make phrases``: what the listener hears of lines that were written apart from the knowledge base."""

from __future__ import annotations

import argparse
from typing import get_args

from engine.knowledge import load
from engine.listening.hearing import Listener
from tests.phrases.figures import Figures, measure
from tests.phrases.lines import HELD_APART, TUNING, Kind, read_lines


def main() -> None:
    """Print the figures of both sets; with ``--misses`` each line that was not heard right."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--misses", choices=["held-apart", "tuning"])
    wanted = parser.parse_args()
    listener = Listener(load().source)
    for name, paths in (("held-apart", (HELD_APART,)), ("tuning", TUNING)):
        lines = read_lines(*paths)
        figures = measure(listener, lines)
        print(
            f"\n{name} set: {len(lines)} lines, {len(figures.meant)} findings meant, "
            f"{figures.quiet_lines} lines without a symptom"
        )
        tell(figures)
        if wanted.misses == name:
            tell_misses(figures)


def tell(figures: Figures) -> None:
    """Print one set's figures."""
    print(f"  recall@1          {figures.recall(1):6.1%}   (aim: at least 80 %)")
    print(f"  recall@5          {figures.recall(5):6.1%}   (aim: at least 95 %)")
    print(f"  false alarms      {figures.false_alarm_rate:6.1%}   (aim: at most 5 %)")
    print(
        f"  negation right    {figures.negation_right:6.1%}   (aim: at least 95 %; "
        f"offered in the first five and right: {figures.negation_found:.1%})"
    )
    print(f"  presence right    {figures.presence_right:6.1%}")
    print(
        f"  vehicle facts     {figures.vehicle_right} of {figures.vehicle_meant} heard right, "
        f"{figures.vehicle_heard} heard in all"
    )
    print(f"  time              {figures.milliseconds:.1f} ms a line (median)")
    for kind in get_args(Kind):
        if any(m.line.kind == kind for m in figures.meant):
            print(
                f"    {kind:10} recall@1 {figures.recall(1, [kind]):6.1%} @5 {figures.recall(5, [kind]):6.1%}"
            )


def tell_misses(figures: Figures) -> None:
    """Print every line that was not heard right."""
    for m in figures.meant:
        if m.place is None or m.place > 0 or not m.state_right:
            place = "not heard" if m.place is None else f"place {m.place + 1}"
            print(
                f"  {m.finding} {place}{'' if m.state_right is not False else ', state wrong'}: {m.line.says}"
            )
    for line, heard in figures.false_alarms:
        print(f"  false alarm {heard.findings[0].finding} {heard.findings[0].score:.2f}: {line.says}")


if __name__ == "__main__":
    main()
