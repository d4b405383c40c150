"""What several features share: the settled part of a pull, levels that are held, and evidence."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from engine.logs.feature import Event
from engine.logs.segments import Pull, Segments, known
from engine.logs.stretch import Flags, Floats, Span, Stretch, smooth
from engine.measures.limits import Limits, judge, setting

STEEP_RISE_KPA_PER_S = 20.0
STEEP_RISE_KPA_PER_1000_RPM = 25.0
NEAR_TOP_KPA = 10.0
NEAR_TOP_SHARE = 0.08

NAMED = {
    "engine_speed": "engine speed rpm",
    "throttle": "throttle %",
    "boost": "boost kPa",
    "boost_target": "boost target kPa",
    "boost_duty": "boost control output %",
    "lambda": "lambda",
    "lambda_target": "lambda target",
    "fuel_pressure": "fuel pressure kPa",
    "tank_pressure": "tank pressure kPa",
    "injector_duty": "injector duty %",
    "injector_pulse": "injector pulse ms",
    "fuel_trim_short": "short-term trim %",
    "fuel_trim_long": "long-term trim %",
    "intake_temperature": "charge air degC",
    "coolant_temperature": "coolant degC",
    "knock_retard": "retard deg",
    "ignition_angle": "ignition angle deg",
    "battery_voltage": "system voltage V",
    "lateral_acceleration": "sideways g",
    "longitudinal_acceleration": "forward g",
    "road_speed": "road speed km/h",
}


def beyond(limits: Limits, limit_id: str, size: float) -> bool:
    """Whether a size is beyond its limit."""
    return judge(limits, limit_id, size).state == "present"


class Settings:
    """The settings of one limit, each asked for in the unit that the look works in."""

    def __init__(self, limits: Limits, limit_id: str) -> None:
        self.limit = limits[limit_id]

    def __call__(self, name: str, unit: str) -> float:
        """Return a setting in a unit."""
        return setting(self.limit, name, unit)


@dataclass(frozen=True)
class Held:
    """A level that was held for a while: `size` over the window `span`."""

    size: float
    span: Span


def rolling(values: Floats, samples: int, share: float) -> Floats:
    """Return, for each window of `samples`, the value that a `share` of its samples do not exceed.

    Entry i is of the window that begins at i; NaN where the window has a sample that is not known, empty
    where the values are fewer than one window.

    >>> rolling(np.array([1.0, 5.0, 2.0, 3.0]), 3, 0.5)
    array([2., 3.])
    """
    if values.size < samples:
        return np.empty(0, dtype=np.float64)
    windows = np.lib.stride_tricks.sliding_window_view(values, samples)
    place = min(samples - 1, round(share * (samples - 1)))
    ranked: Floats = np.partition(windows, place, axis=1)[:, place]
    unknown = np.isnan(values).astype(np.int64)
    holes = np.convolve(unknown, np.ones(samples, dtype=np.int64), mode="valid")
    return np.where(holes > 0, np.nan, ranked)


def highest_held(values: Floats, samples: int, start: int, share: float = 0.5) -> Held | None:
    """Return the highest level that `values` held over `samples`; None where nothing was held so long.

    `share` is the share of a window that may lie below the level, `start` the sample that `values` begin at.
    """
    levels = rolling(values, samples, share)
    if not levels.size or np.all(np.isnan(levels)):
        return None
    place = int(np.nanargmax(levels))
    return Held(float(levels[place]), Span(start + place, start + place + samples))


def where(values: Floats, flags: Flags) -> Floats:
    """Return the values where the flags are set, NaN elsewhere."""
    return np.where(flags, values, np.nan)


def median(values: Floats) -> float:
    """Return the median of the known values, NaN where there are none."""
    found = values[~np.isnan(values)]
    return float(np.median(found)) if found.size else float("nan")


def evidence(stretch: Stretch, span: Span, *names: str) -> dict[str, float]:
    """Return the medians of channels over a span, by the words that people read; unknown ones left out."""
    read: dict[str, float] = {}
    for name in names:
        value = median(stretch.channel(name)[span.slice])
        if not np.isnan(value):
            read[NAMED.get(name, name.replace("_", " "))] = round(value, 4)
    return read


def event_of(
    stretch: Stretch,
    held: Held,
    names: Sequence[str],
    gear: int | None = None,
    more: dict[str, float] | None = None,
    size: float | None = None,
) -> Event:
    """Return the event of a held level, with the medians of the named channels that the log has."""
    read = evidence(stretch, held.span, *names)
    if gear is not None:
        read["gear"] = float(gear)
    read.update(more or {})
    last = min(held.span.end, stretch.length) - 1
    return Event(
        start_s=float(stretch.time[held.span.start]),
        end_s=float(stretch.time[last]),
        size=held.size if size is None else size,
        evidence=read,
        channels=tuple(name for name in names if stretch.has(name)),
        gear=gear,
    )


def change_over(values: Floats, samples: int) -> Floats:
    """Return the change of the values over the next `samples`; for the last of them, the last that is whole.

    >>> change_over(np.array([1.0, 2.0, 4.0]), 1)
    array([1., 2., 2.])
    """
    samples = min(samples, values.size - 1)
    if samples < 1:
        return np.zeros(values.size, dtype=np.float64)
    whole = values[samples:] - values[:-samples]
    return np.concatenate((whole, np.full(samples, whole[-1], dtype=np.float64)))


def rising(stretch: Stretch, span: Span) -> Flags:
    """Return where in a span boost still comes up: by over 20 kPa/s, or by over 25 kPa per 1000 rpm."""
    boost = smooth(known(stretch, "boost")[span.slice], stretch.samples(0.2))
    speed = smooth(known(stretch, "engine_speed")[span.slice], stretch.samples(0.2))
    short = max(1, min(stretch.samples(0.4), len(span) - 1))
    long = max(1, min(stretch.samples(1.0), len(span) - 1))
    flags: Flags = change_over(boost, short) > STEEP_RISE_KPA_PER_S * short * stretch.step_s
    gain = change_over(boost, long)
    flags |= (gain > 4.0) & (gain * 1000.0 > STEEP_RISE_KPA_PER_1000_RPM * change_over(speed, long))
    return flags


def settled(stretch: Stretch, pull: Pull) -> Span | None:
    """Return the part of a pull after the turbocharger has come up; None where it never did.

    It begins where boost has first come near its highest of the pull (10 kPa or 8 per cent; peaks left out)
    and no longer rises steeply.
    """
    kept = stretch.cache.setdefault("settled", {})
    assert isinstance(kept, dict)
    if pull.span not in kept:
        kept[pull.span] = _settled(stretch, pull.span)
    found = kept[pull.span]
    assert found is None or isinstance(found, Span)
    return found


def _settled(stretch: Stretch, span: Span) -> Span | None:
    boost = smooth(known(stretch, "boost")[span.slice], stretch.samples(0.2))
    if np.all(np.isnan(boost)):
        return None
    # Neither a spike nor a jump in the last samples of a pull is where boost settles.
    top = float(np.nanquantile(boost, 0.9))
    near = boost >= top - max(NEAR_TOP_KPA, NEAR_TOP_SHARE * top)
    ready = np.logical_or.accumulate(near) & ~rising(stretch, span)
    found = np.flatnonzero(ready)
    return Span(span.start + int(found[0]), span.end) if found.size else None


def target_steady(stretch: Stretch, settle_s: float, change_kpa: float = 8.0) -> Flags:
    """Return where the boost target has not moved by more than a few kPa over the time before."""
    target = known(stretch, "boost_target")
    before = stretch.samples(settle_s)
    steady = np.zeros(target.size, dtype=bool)
    if before < target.size:
        steady[before:] = np.abs(target[before:] - target[:-before]) <= change_kpa
    return steady


def top_speed_rpm(stretch: Stretch) -> float:
    """Return the highest engine speed of a stretch [rpm], single wrong samples left out; NaN without any."""
    speed = smooth(known(stretch, "engine_speed"), stretch.samples(0.3))
    return float("nan") if np.all(np.isnan(speed)) else float(np.nanmax(speed))


def boosted_pulls(stretch: Stretch, segments: Segments, least_kpa: float) -> Iterator[tuple[Pull, Span]]:
    """Give the pulls that come on boost, each with its settled part."""
    boost = known(stretch, "boost")
    for pull in segments.pulls:
        part = settled(stretch, pull)
        if part is not None and median(boost[part.slice]) >= least_kpa:
            yield pull, part
