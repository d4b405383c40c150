"""In which order the points are walked: what makes something safe before it, one position after the other."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from engine.model import Activity


@dataclass(frozen=True)
class Step:
    """A point as the order sees it.

    `stage` counts the positions of the car from 0; `activities` are those that something has to be ruled out
    for, that of the stage included; `rank` is 0 where a bad answer stops the job and grows as it matters
    less; `minutes` is what it takes, `worth` in minutes what it is expected to save.
    """

    id: str
    stage: int
    spot: str
    minutes: float
    activities: frozenset[Activity]
    guards: frozenset[Activity]
    rank: int
    worth: float

    @property
    def urgency(self) -> tuple[int, int, float, str]:
        """What comes first of two: the worse outcome, what more waits for, the more worth per minute."""
        return self.rank, -len(self.guards), -self.worth / self.minutes, self.id


def before(step: Step, steps: Iterable[Step]) -> list[Step]:
    """Return those of the steps that must be answered before `step` is safe."""
    return [one for one in steps if one.id != step.id and one.guards & step.activities]


def ordered(steps: Sequence[Step]) -> list[Step]:
    """Return the steps in the order of the walk.

    Stages come in their order. Within one, spots come one after the other, that with the most urgent step
    first, and in each the most urgent step first; only a step that guards another may pull its own spot
    ahead, so that no step stands before one that makes it safe. Raises `ValueError` where the steps wait for
    each other in a ring or a guard stands in a later stage, which the checks of the knowledge base refuse.
    """
    found: list[Step] = []
    for stage in sorted({step.stage for step in steps}):
        found += _of_stage([step for step in steps if step.stage == stage])
    place = {step.id: i for i, step in enumerate(found)}
    for step in steps:
        for guard in before(step, steps):
            if place[guard.id] > place[step.id]:
                raise ValueError(f"{guard.id} makes {step.id} safe and stands in a later stage")
    return found


def _of_stage(steps: list[Step]) -> list[Step]:
    spots = {spot: min(s.urgency for s in steps if s.spot == spot) for spot in {s.spot for s in steps}}
    left = sorted(steps, key=lambda step: (spots[step.spot], step.urgency))
    found: list[Step] = []
    while left:
        ready = [step for step in left if not before(step, left)]
        if not ready:
            names = ", ".join(step.id for step in left[:3])
            raise ValueError(f"points that wait for each other: {names}")
        here = [step for step in ready if found and step.spot == found[-1].spot]
        chosen = (here or ready)[0]
        found.append(chosen)
        left.remove(chosen)
    return found
