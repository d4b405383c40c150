"""Ignition that knock control takes out: under load, only at shifts, and with hotter air."""

from __future__ import annotations

import numpy as np

from engine.logs.feature import Event, Feature, Looked
from engine.logs.features.parts import Held, Settings, beyond, event_of, median, rolling, where
from engine.logs.segments import Segments, known, load_of
from engine.logs.stretch import Flags, Floats, Span, Stretch, smooth, spans_of
from engine.measures.limits import Limits

SHOWN = (
    "engine_speed",
    "throttle",
    "boost",
    "knock_retard",
    "ignition_angle",
    "intake_temperature",
    "lambda",
)

SEEN = "knock_retard_seen_logged"
AT_SHIFT = "knock_retard_only_at_shift_logged"
HOT_AIR = "knock_worse_hot_air_logged"


def retard_of(stretch: Stretch) -> tuple[Floats, bool]:
    """Return the retard [degrees, positive retards], and whether the log counts it the other way.

    A log that never goes above zero and goes below by more than a degree writes what is taken out as
    negative.
    """
    retard = known(stretch, "knock_retard")
    found = retard[~np.isnan(retard)]
    turned = bool(found.size) and float(found.max()) <= 0.2 and float(found.min()) < -0.9
    return (-retard if turned else retard), turned


def _under_load(stretch: Stretch, read: Settings) -> Flags:
    load, boost = load_of(stretch), known(stretch, "boost")
    flags: Flags = known(stretch, "engine_speed") > read("least_speed", "rpm")
    if load is not None:
        flags &= load >= read("least_throttle", "percent")
    if not np.all(np.isnan(boost)):
        flags &= boost >= read("least_boost", "kPa")
    return flags


def snaps(stretch: Stretch, read: Settings) -> Flags:
    """Return what lies about a shift or a snap of the throttle: when knock sensors hear other things."""
    before, after = stretch.samples(read("snap_before", "s")), stretch.samples(read("snap_after", "s"))
    moved = np.zeros(stretch.length, dtype=bool)
    quick = stretch.samples(read("snap_within", "s"))
    load, gear = load_of(stretch), stretch.channel("gear")
    speed = known(stretch, "engine_speed")
    if stretch.length > quick:
        if load is not None:
            moved[quick:] |= np.abs(load[quick:] - load[:-quick]) >= read("snap_throttle", "percent")
        moved[quick:] |= speed[:-quick] - speed[quick:] >= read("shift_drop", "rpm")
    moved[1:] |= np.abs(np.diff(gear)) >= 0.5
    flags = np.zeros(stretch.length, dtype=bool)
    for run in spans_of(moved):
        flags[max(0, run.start - before) : run.end + after] = True
    return flags


def _retards(stretch: Stretch, read: Settings, least: float) -> list[Held]:
    """Return each time that retard held above `least`, with the most it held.

    At a hold of a few samples a single wrong one is nothing.
    """
    retard, _ = retard_of(stretch)
    hold = stretch.samples(read("hold", "s"))
    loaded = where(retard, _under_load(stretch, read))
    found = []
    for run in spans_of(loaded >= least, hold, stretch.samples(0.1)):
        inside = loaded[run.slice]
        # What comes after a dip of one sample still belongs to it.
        levels = rolling(np.where(np.isnan(inside), least, inside), hold, 0.0)
        if levels.size:
            found.append(Held(float(np.max(levels)), run))
    return found


def _at_shift(stretch: Stretch, held: Held, flags: Flags, read: Settings) -> bool:
    """Whether a retard begins about a shift or a snap, is over soon, and is small."""
    span = held.span
    over_soon = len(span) <= stretch.samples(read("benign_time", "s"))
    return bool(flags[span.start]) and over_soon and held.size <= read("benign_below", "degree")


def _seen(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    read = Settings(limits, SEEN)
    retard, turned = retard_of(stretch)
    flags = snaps(stretch, read)
    boost, gears = known(stretch, "boost"), stretch.channel("gear")
    events: list[Event] = []
    largest = 0.0
    for held in _retards(stretch, read, read("least_retard", "degree")):
        if _at_shift(stretch, held, flags, read):
            continue
        largest = max(largest, held.size)
        if beyond(limits, SEEN, held.size):
            number = median(gears[held.span.slice])
            more = {"most retard deg": round(held.size, 2)}
            if turned:
                more["sign of retard in the log"] = -1.0
            gear = None if np.isnan(number) else round(number)
            events.append(event_of(stretch, held, SHOWN, gear, more))
    chances = 0
    for pull in segments.pulls:
        inside = boost[pull.span.slice]
        heard = np.mean(~np.isnan(retard[pull.span.slice])) > 0.8
        chances += int(heard and np.nanmax(inside, initial=-np.inf) >= read("chance_boost", "kPa"))
    return Looked(events, chances, largest)


def _only_at_shift(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    """Return the retard about shifts if there is none elsewhere; no retard, or real knock, is zero."""
    read = Settings(limits, AT_SHIFT)
    flags = snaps(stretch, read)
    found = _retards(stretch, read, read("least_retard", "degree"))
    # A degree or so comes and goes everywhere: that is not knock elsewhere.
    least = read("counts_elsewhere", "degree")
    elsewhere = [held for held in found if held.size >= least and not _at_shift(stretch, held, flags, read)]
    benign = [held for held in found if _at_shift(stretch, held, flags, read)]
    sizes = [held.size for held in benign]
    chances = len(spans_of(flags & _under_load(stretch, read)))
    if any(beyond(limits, SEEN, held.size) for held in elsewhere):
        return Looked((), chances, 0.0)
    if not benign and not elsewhere:
        return Looked((), chances, 0.0 if chances else None)
    if elsewhere or len(benign) < round(read("least_times", "dimensionless")):
        return Looked()
    events = [event_of(stretch, held, SHOWN) for held in benign if beyond(limits, AT_SHIFT, held.size)]
    return Looked(events, chances, max(sizes))


def _hot_air(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    """Return how much more retard [degrees] the hottest pulls show than the coolest."""
    read = Settings(limits, HOT_AIR)
    retard, _ = retard_of(stretch)
    air = known(stretch, "intake_temperature")
    loaded = where(smooth(retard, stretch.samples(0.2)), _under_load(stretch, read) & ~snaps(stretch, read))
    pulls: list[tuple[float, float, Span]] = []
    for pull in segments.pulls:
        inside = loaded[pull.span.slice]
        heat = median(air[pull.span.slice])
        inside = inside[~np.isnan(inside)]
        if inside.size >= stretch.samples(read("shortest", "s")) and not np.isnan(heat):
            pulls.append((heat, float(np.quantile(inside, 0.8)), pull.span))
    pulls.sort(key=lambda one: one[0])
    if len(pulls) < round(read("least_pulls", "dimensionless")):
        return Looked()
    heats, retards = np.array([one[0] for one in pulls]), np.array([one[1] for one in pulls])
    third = max(1, len(pulls) // 3)
    if heats[-third:].mean() - heats[:third].mean() < read("least_heat", "delta_degC"):
        return Looked()
    size = float(retards[-third:].mean() - retards[:third].mean())
    if np.ptp(retards) < 1e-9 or not _grows(heats, retards, read("least_rank_correlation", "dimensionless")):
        size = min(size, 0.0)
    if not beyond(limits, HOT_AIR, size):
        return Looked((), 1, size)
    more = {"coolest pull degC": round(float(heats[0]), 1), "its retard deg": round(float(retards[0]), 2)}
    return Looked([event_of(stretch, Held(size, pulls[-1][2]), SHOWN, more=more)], 1, size)


def _grows(one: Floats, other: Floats, least: float) -> bool:
    """Whether the order of one follows that of the other (Spearman's rank correlation; ties shared)."""
    ranks = [np.array([np.sum(v < x) + 0.5 * np.sum(v == x) for x in v]) for v in (one, other)]
    return float(np.corrcoef(ranks[0], ranks[1])[0, 1]) >= least


FEATURES: tuple[Feature, ...] = (
    Feature(SEEN, ("engine_speed", "knock_retard"), _seen, least_chances=2),
    Feature(
        AT_SHIFT,
        ("engine_speed", "knock_retard"),
        _only_at_shift,
        either=("throttle", "pedal", "gear"),
        least_chances=3,
    ),
    Feature(HOT_AIR, ("engine_speed", "knock_retard", "intake_temperature"), _hot_air),
)
