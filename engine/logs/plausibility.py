"""Watches a log for samples that cannot be, and for channels that contradict each other."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from engine.logs.layout import Caveat
from engine.logs.naming import PREFIX
from engine.logs.stretch import Floats, Stretch
from engine.model import Channel

LAMBDA_APART = 0.03
SPEEDS_APART = 0.15
BOOST_AT_REST_KPA = 8.0
TOLD_SHARE = 0.02
LEAST_SECONDS = 1.0


class Watch:
    """Counts what is wrong over the whole log; what it finds is told, never mended by a guess."""

    def __init__(self, channels: Mapping[str, Channel]) -> None:
        self._channels = channels
        self._incredible: dict[str, int] = {}
        self._samples: dict[str, int] = {}
        self._missing: dict[str, int] = {}
        self._apart: dict[str, tuple[float, float]] = {}
        self._seconds: dict[str, float] = {}
        self.unreadable = 0
        self.ratio_used: float | None = None

    def credible(self, name: str, channel: Channel, values: Floats) -> Floats:
        """Return the samples of a channel without those outside its credible range, which are counted."""
        with np.errstate(invalid="ignore"):
            beyond = (values < channel.minimum) | (values > channel.maximum)
        count = int(beyond.sum())
        missing = int(np.isnan(values).sum())
        self._samples[name] = self._samples.get(name, 0) + values.size
        self._missing[name] = self._missing.get(name, 0) + missing
        if count:
            self._incredible[name] = self._incredible.get(name, 0) + count
            values = np.where(beyond, np.nan, values)
        return values

    def compare(self, name: str, first: Floats, second: Floats) -> None:
        """Note how far two columns that should say the same are apart [share]."""
        both = ~np.isnan(first) & ~np.isnan(second)
        if both.any():
            apart = float(np.median(np.abs(first[both] - second[both])))
            weight = float(both.sum())
            before, seen = self._apart.get(name, (0.0, 0.0))
            self._apart[name] = ((before * seen + apart * weight) / (seen + weight), seen + weight)

    def look(self, stretch: Stretch) -> None:
        """Note where channels of a stretch contradict each other."""
        speed = stretch.channel("engine_speed")
        with np.errstate(invalid="ignore", divide="ignore"):
            self._add(
                "boost_at_rest",
                stretch,
                (speed < 50.0) & (np.abs(stretch.channel("boost")) > BOOST_AT_REST_KPA),
            )
            moves = stretch.channel("road_speed") > 30.0
            self._add("moves_engine_off", stretch, (speed < 50.0) & (stretch.channel("boost") > 20.0))
            self._add(
                "throttle_engine_off", stretch, (speed < 50.0) & moves & (stretch.channel("throttle") > 95.0)
            )
            apart = np.abs(stretch.channel("driven_wheel_speed") / stretch.channel("road_speed") - 1.0)
            self._add("wheel_speeds", stretch, moves & (apart > SPEEDS_APART))
            self._add("moving", stretch, moves)

    def _add(self, name: str, stretch: Stretch, flags: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> None:
        self._seconds[name] = self._seconds.get(name, 0.0) + float(flags.sum()) * stretch.step_s

    def caveats(self) -> list[Caveat]:
        """Return what was found so far."""
        return [*self._of_samples(), *self._of_channels()]

    def _of_samples(self) -> list[Caveat]:
        found = []
        for name, count in self._incredible.items():
            channel = self._channels[PREFIX + name]
            share = count / max(1, self._samples[name])
            text = (
                f"{_called(name)}: {_share(share)} of its samples lie outside {channel.minimum:g} to "
                f"{channel.maximum:g} {channel.unit}; left out. Is its unit right?"
            )
            found.append(Caveat(code="incredible_samples", text=text, channel=name))
        empty = [
            name
            for name, count in self._missing.items()
            if count >= self._samples[name] and self._samples[name]
        ]
        found += [
            Caveat(code="no_samples", text=f"{_called(name)}: the column holds no number", channel=name)
            for name in empty
        ]
        if self.unreadable:
            text = f"{self.unreadable} cells hold no number; left out"
            found.append(Caveat(code="unreadable_cells", text=text))
        if self.ratio_used is not None:
            text = f"the air-fuel ratio is turned into lambda by {self.ratio_used:g}; is that the fuel's?"
            found.append(Caveat(code="ratio_assumed", text=text, channel="lambda"))
        return found

    def _of_channels(self) -> list[Caveat]:
        found = []
        for name, (apart, _) in self._apart.items():
            if apart > LAMBDA_APART:
                text = (
                    f"{_called(name)} and the air-fuel ratio are {apart:.3f} apart; {_called(name)} is used"
                )
                found.append(Caveat(code="contradiction", text=text, channel=name))
        told = {
            "boost_at_rest": (
                "boost",
                "with the engine off the manifold does not read the air: is it absolute, is it right?",
            ),
            "moves_engine_off": ("engine_speed", "there is boost while the engine speed is nothing"),
            "throttle_engine_off": ("engine_speed", "the car moves at full throttle with no engine speed"),
        }
        for name, (channel, text) in told.items():
            if self._seconds.get(name, 0.0) >= LEAST_SECONDS:
                found.append(Caveat(code="contradiction", text=text, channel=channel))
        moving = self._seconds.get("moving", 0.0)
        if moving > 10.0 and self._seconds.get("wheel_speeds", 0.0) > 0.5 * moving:
            text = "the driven wheels and the road speed disagree over most of the log: one is scaled wrongly"
            found.append(Caveat(code="contradiction", text=text, channel="driven_wheel_speed"))
        return found


def _called(name: str) -> str:
    return name.replace("_", " ")


def _share(share: float) -> str:
    return f"{100 * share:.0f} %" if share >= 0.01 else "less than 1 %"
