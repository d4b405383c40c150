"""Looks for every feature in the stretches of a log and sums up what each stretch showed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from importlib import import_module
from importlib.util import find_spec
from typing import Literal

import numpy as np

from engine.errors import UnknownEntryError
from engine.loading import KnowledgeSource
from engine.logs.clips import Clip, clip_of
from engine.logs.feature import Event, Feature, Looked
from engine.logs.segments import Segments, segments_of
from engine.logs.stretch import Stretch
from engine.measures.limits import Limits, judge
from engine.nearest import nearest

MODULES = (
    "boost",
    "mixture",
    "fuel_supply",
    "knock",
    "oil",
    "coolant",
    "intake_air",
    "voltage",
    "running",
    "drive",
    "signals",
)
KEPT_EVENTS = 20
KEPT_CLIPS = 3

State = Literal["present", "absent", "unknown"]
WhyUnknown = Literal["channels_missing", "no_chance", "too_few_chances", "between_limits"]


def features() -> tuple[Feature, ...]:
    """Return every feature, in the order in which an answer shows them."""
    found: list[Feature] = []
    for name in MODULES:
        if find_spec(f"engine.logs.features.{name}") is None:
            continue
        found += import_module(f"engine.logs.features.{name}").FEATURES
    return tuple(found)


@dataclass(frozen=True)
class FeatureResult:
    """What a whole log showed of one feature.

    `events` are the worst, in the order of time, each with its clip where one was kept; `count` is how many
    there were. `missing` are the channels without which nothing can be said.
    """

    feature: Feature
    finding: str
    state: State
    why_unknown: WhyUnknown | None
    events: Sequence[tuple[Event, Clip | None]]
    count: int
    chances: int
    largest: float | None
    missing: Sequence[str]


@dataclass(frozen=True)
class ChannelSummary:
    """A channel over the whole log, in its kept unit."""

    lowest: float
    highest: float
    mean: float
    samples: int


@dataclass(frozen=True)
class LogLook:
    """What a whole log showed."""

    results: Sequence[FeatureResult]
    channels: dict[str, ChannelSummary]
    duration_s: float
    pulls: int
    gears: Sequence[int]
    steady_s: float
    stretches: int


@dataclass
class _Sum:
    """What has been seen of one feature so far."""

    feature: Feature
    events: list[tuple[Event, Clip | None]] = field(default_factory=list)
    count: int = 0
    chances: int = 0
    largest: float | None = None

    def add(self, looked: Looked, stretch: Stretch) -> None:
        self.chances += looked.chances
        if looked.largest is not None:
            self.largest = (
                looked.largest if self.largest is None else self._worse(looked.largest, self.largest)
            )
        self.count += len(looked.events)
        fresh = sorted(looked.events, key=self._badness, reverse=True)[:KEPT_EVENTS]
        self.events += [(event, None) for event in fresh]
        self.events.sort(key=lambda pair: self._badness(pair[0]), reverse=True)
        del self.events[KEPT_EVENTS:]
        for i, (event, clip) in enumerate(self.events):
            if i >= KEPT_CLIPS:
                self.events[i] = (event, None)
            elif clip is None and event in fresh:
                self.events[i] = (event, clip_of(stretch, event))

    def _worse(self, a: float, b: float) -> float:
        return min(a, b) if self.feature.smallest_is_worst else max(a, b)

    def _badness(self, event: Event) -> float:
        return -event.size if self.feature.smallest_is_worst else event.size

    def result(self, limits: Limits, seen: set[str]) -> FeatureResult:
        feature = self.feature
        missing = [name for name in feature.needs if name not in seen]
        if feature.either and not any(name in seen for name in feature.either):
            missing.append(" or ".join(feature.either))
        state: State = "unknown"
        why: WhyUnknown | None = None
        if self.events:
            state = "present"
        elif missing:
            why = "channels_missing"
        elif self.chances == 0 or self.largest is None:
            why = "no_chance"
        elif feature.least_chances is None or self.chances < feature.least_chances:
            why = "too_few_chances"
        elif judge(limits, feature.id, self.largest).state == "absent":
            state = "absent"
        else:
            why = "between_limits"
        events = sorted(self.events, key=lambda pair: pair[0].start_s)
        finding = limits[feature.id].finding
        return FeatureResult(
            feature, finding, state, why, events, self.count, self.chances, self.largest, missing
        )


@dataclass
class _Channel:
    lowest: float = float("inf")
    highest: float = float("-inf")
    total: float = 0.0
    samples: int = 0


class Looker:
    """Takes the stretches of one log, in order, and tells in the end what they showed.

    Raises `engine.errors.UnknownEntryError` if the knowledge base lacks the limit of a feature.
    """

    def __init__(self, source: KnowledgeSource) -> None:
        self.limits = source.limits
        self.sums = [_Sum(feature) for feature in features()]
        for total in self.sums:
            if total.feature.id not in self.limits:
                known = nearest(total.feature.id, self.limits)
                raise UnknownEntryError("limit", total.feature.id, known)
        self.channels: dict[str, _Channel] = {}
        self.duration_s = 0.0
        self.pulls = 0
        self.gears: set[int] = set()
        self.steady_s = 0.0
        self.stretches = 0

    def take(self, stretch: Stretch) -> None:
        """Look at one stretch."""
        segments = segments_of(stretch)
        self._summarise(stretch, segments)
        for total in self.sums:
            feature = total.feature
            if not stretch.has(*feature.needs):
                continue
            if feature.either and not any(stretch.has(name) for name in feature.either):
                continue
            total.add(feature.look(stretch, segments, self.limits), stretch)

    def told(self) -> LogLook:
        """Return what all stretches showed."""
        seen = set(self.channels)
        return LogLook(
            results=[total.result(self.limits, seen) for total in self.sums],
            channels={
                name: ChannelSummary(c.lowest, c.highest, c.total / c.samples, c.samples)
                for name, c in self.channels.items()
                if c.samples
            },
            duration_s=self.duration_s,
            pulls=self.pulls,
            gears=sorted(self.gears),
            steady_s=self.steady_s,
            stretches=self.stretches,
        )

    def _summarise(self, stretch: Stretch, segments: Segments) -> None:
        self.stretches += 1
        self.duration_s += stretch.length * stretch.step_s
        self.pulls += len(segments.pulls)
        self.gears |= {pull.gear for pull in segments.pulls if pull.gear is not None}
        self.steady_s += sum(len(span) for span in segments.steady) * stretch.step_s
        for name, values in stretch.channels.items():
            known = values[~np.isnan(values)]
            if known.size:
                total = self.channels.setdefault(name, _Channel())
                total.lowest = min(total.lowest, float(known.min()))
                total.highest = max(total.highest, float(known.max()))
                total.total += float(known.sum())
                total.samples += known.size
