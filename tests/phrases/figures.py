"""How well the listener hears what lines mean."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from engine.listening.hearing import Heard, Listener
from tests.phrases.lines import Kind, Line

OFFERED = 50


@dataclass(frozen=True)
class Meant:
    """One finding that a line means: at which place it was offered (None: not at all), in which state."""

    line: Line
    finding: str
    place: int | None
    denied: bool
    state_right: bool | None


@dataclass(frozen=True)
class Figures:
    """Shares over all lines; docs/hearing.md says what each counts."""

    meant: tuple[Meant, ...]
    false_alarms: tuple[tuple[Line, Heard], ...]
    quiet_lines: int
    vehicle_right: int
    vehicle_meant: int
    vehicle_heard: int
    milliseconds: float

    def recall(self, at: int, kinds: Sequence[Kind] | None = None) -> float:
        """Share of the findings meant that are offered among the first `at`."""
        meant = [m for m in self.meant if kinds is None or m.line.kind in kinds]
        return _share(meant, lambda m: m.place is not None and m.place < at)

    @property
    def false_alarm_rate(self) -> float:
        """Share of the lines without a symptom in which one is heard."""
        return len(self.false_alarms) / self.quiet_lines

    @property
    def negation_right(self) -> float:
        """Share of the denied findings offered at all that are offered as absent."""
        return _share([m for m in self.meant if m.denied and m.place is not None], lambda m: m.state_right)

    @property
    def negation_found(self) -> float:
        """Share of all denied findings that are offered among the first five, and as absent."""
        return _share(
            [m for m in self.meant if m.denied],
            lambda m: m.place is not None and m.place < 5 and m.state_right,
        )

    @property
    def presence_right(self) -> float:
        """Share of the findings said to be there and offered that are offered as present."""
        return _share(
            [m for m in self.meant if not m.denied and m.place is not None], lambda m: m.state_right
        )


def measure(listener: Listener, lines: Iterable[Line]) -> Figures:
    """Hear every line once.

    The place of a finding counts the offers before it without the others that the line means, so that a
    line of three findings can have all three first.
    """
    meant: list[Meant] = []
    alarms: list[tuple[Line, Heard]] = []
    quiet = right = wanted = heard_facts = 0
    seconds: list[float] = []
    for line in lines:
        begin = time.perf_counter()
        heard = listener.listen(line.says, OFFERED)
        seconds.append(time.perf_counter() - begin)
        if line.kind == "nothing":
            quiet += 1
            if heard.findings:
                alarms.append((line, heard))
        offered = [f.finding for f in heard.findings]
        states = {f.finding: f.state for f in heard.findings}
        for finding, state in line.means.items():
            place = None
            if finding in states:
                before = offered[: offered.index(finding)]
                place = sum(other not in line.means for other in before)
            got = states.get(finding)
            meant.append(Meant(line, finding, place, state == "absent", got and got == state))
        if line.kind == "vehicle":
            facts = {h.fact: h.value for h in heard.vehicle}
            wanted += len(line.vehicle)
            heard_facts += len(facts)
            right += sum(facts.get(fact) == value for fact, value in line.vehicle.items())
    seconds.sort()
    return Figures(
        tuple(meant), tuple(alarms), quiet, right, wanted, heard_facts, 1e3 * seconds[len(seconds) // 2]
    )


def _share(meant: Sequence[Meant], good: Callable[[Meant], object]) -> float:
    return sum(bool(good(m)) for m in meant) / len(meant) if meant else float("nan")
