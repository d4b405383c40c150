"""What a feature of a log is: what it needs, how it looks, and what it saw."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from engine.logs.segments import Segments
from engine.logs.stretch import Stretch
from engine.measures.limits import Limits


@dataclass(frozen=True)
class Event:
    """One place in the log where a feature shows.

    `size` is what the limit of the feature is compared with, in the limit's unit; `evidence` are readings
    that a person would want to see beside it, by "channel" or "channel unit" in plain words; `channels` are
    the channels to plot.
    """

    start_s: float
    end_s: float
    size: float
    evidence: Mapping[str, float] = field(default_factory=dict)
    channels: Sequence[str] = ()
    gear: int | None = None


@dataclass(frozen=True)
class Looked:
    """What a look at one stretch gave.

    `events` are the places where the value was beyond the limit for present. `chances` counts how often the
    log gave the opportunity to see it (pulls, steady spans, corners), `largest` is the most extreme size seen
    over them, whether beyond the limit or not (None without a chance): a finding is absent only where there
    were enough chances and the largest is clear of it.
    """

    events: Sequence[Event] = ()
    chances: int = 0
    largest: float | None = None


Look = Callable[[Stretch, Segments, Limits], Looked]


@dataclass(frozen=True)
class Feature:
    """One kind of thing to look for in a log.

    `id` is also the id of its limit in ``kb/limits``, whose finding it implies; the limit's settings hold
    every other number that the look uses. `needs` are the channels without which it cannot look; of
    `either` one at least. `least_chances` is how many chances without an event it takes to call the finding
    absent; None if a log can never show that.
    """

    id: str
    needs: Sequence[str]
    look: Look
    either: Sequence[str] = ()
    least_chances: int | None = None
    smallest_is_worst: bool = False
