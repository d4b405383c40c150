"""Oil pressure against speed, temperature, corners and itself; oil temperature."""

from __future__ import annotations

import numpy as np

from engine.logs.feature import Feature, Looked
from engine.logs.features.levels import look_for_level, looked_at
from engine.logs.features.parts import Held, Settings, median, where
from engine.logs.segments import Segments, known
from engine.logs.stretch import Flags, Floats, Span, Stretch, smooth, spans_of
from engine.measures.limits import Limits

SHOWN = ("oil_pressure", "engine_speed", "oil_temperature", "lateral_acceleration")

LOW = "oil_pressure_low_at_speed_logged"
IDLE = "oil_pressure_low_hot_idle_logged"
SWING = "oil_pressure_fluctuates_steady_logged"
CORNER = "oil_pressure_drops_in_corners_logged"
WARMS = "oil_pressure_falls_as_it_warms_logged"
HIGH = "oil_pressure_too_high_logged"
AT_REST = "oil_pressure_at_rest_logged"
FROZEN = "oil_pressure_frozen_logged"
HOT = "oil_too_hot_logged"


def hot_oil(stretch: Stretch, least: float) -> Flags:
    """Return where the oil is known to be at least so warm [degC]; by the coolant where it is not logged."""
    name = "oil_temperature" if stretch.has("oil_temperature") else "coolant_temperature"
    flags: Flags = known(stretch, name) >= least
    return flags


def share_of_rule(stretch: Stretch, read: Settings) -> Floats:
    """Return the oil pressure as a share [per cent] of the rule of thumb at the engine speed.

    The rule asks for so much for each full 1,000 rpm from 2,000 rpm on, and no more than a relief valve may
    leave. NaN below 2,000 rpm.
    """
    speed = known(stretch, "engine_speed")
    asked = np.minimum(read("per_1000_rpm", "kPa") * np.floor(speed / 1000.0), read("most_asked", "kPa"))
    with np.errstate(invalid="ignore"):
        share: Floats = 100.0 * known(stretch, "oil_pressure") / np.where(speed >= 2000.0, asked, np.nan)
    return share


def _straight(stretch: Stretch, most_g: float) -> Flags:
    flags = np.ones(stretch.length, dtype=bool)
    for name in ("lateral_acceleration", "longitudinal_acceleration"):
        if stretch.has(name):
            flags &= ~(np.abs(known(stretch, name)) > most_g)
    return flags


def _low(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    read = Settings(limits, LOW)
    share = share_of_rule(stretch, read)
    # A dip in a corner or at a braking point is another finding.
    calm = _straight(stretch, read("straight_g", "g_0")) & ~np.isnan(share)
    hot = hot_oil(stretch, read("hot", "degC"))
    return look_for_level(
        stretch, limits, LOW, share, calm, read("hold", "s"), SHOWN, low=True, cleared_by=hot
    )


def _idle(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    read = Settings(limits, IDLE)
    hot = hot_oil(stretch, read("hot", "degC"))
    pressure = known(stretch, "oil_pressure")
    found = []
    for span in segments.idle:
        level = median(where(pressure, hot)[span.slice])
        if not np.isnan(level) and len(span) >= stretch.samples(read("hold", "s")):
            found.append(Held(level, span))
    return looked_at(stretch, limits, IDLE, found, SHOWN, low=True)


def _range_over(values: Floats, samples: int) -> Held | None:
    """Return the largest range (5 to 95 per cent) of a window of `samples`, None without a whole window."""
    if values.size < samples:
        return None
    windows = np.lib.stride_tricks.sliding_window_view(values, samples)[:: max(1, samples // 4)]
    windows = windows[~np.isnan(windows).any(axis=1)]
    if not windows.size:
        return None
    low, high = np.quantile(windows, (0.05, 0.95), axis=1)
    return Held(float(np.max(high - low)), Span(0, values.size))


def _swing(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    read = Settings(limits, SWING)
    pressure = smooth(known(stretch, "oil_pressure"), stretch.samples(0.1))
    speed = known(stretch, "engine_speed")
    calm = _straight(stretch, read("straight_g", "g_0")) & (speed >= read("least_speed", "rpm"))
    found = []
    for span in segments.steady:
        inside = where(pressure, calm)[span.slice]
        held = _range_over(inside, stretch.samples(read("window", "s")))
        if held is not None:
            found.append(Held(held.size, span))
    return looked_at(stretch, limits, SWING, found, SHOWN)


def _force(stretch: Stretch) -> Floats:
    """Return the larger of sideways and forward acceleration [g], 0 where neither is known."""
    force = np.zeros(stretch.length)
    for name in ("lateral_acceleration", "longitudinal_acceleration"):
        if stretch.has(name):
            force = np.maximum(force, np.abs(np.nan_to_num(known(stretch, name))))
    return force


def _as_on_the_straight(stretch: Stretch, read: Settings, cornering: Flags) -> Floats:
    """Return the oil pressure [kPa] to be expected in corners; NaN where the log does not tell.

    From the straight driving at like engine speed next before and next after each corner, the lower of the
    two: oil that warms or a pump that wears changes slowly and is no corner's fault. Within a band of speeds
    the pressure is taken to fall no slower than in proportion to the speed (a pump that displaces).
    """
    pressure, speed = known(stretch, "oil_pressure"), known(stretch, "engine_speed")
    oil = known(stretch, "oil_temperature")
    straight = _straight(stretch, read("straight_g", "g_0")) & (speed >= read("least_speed", "rpm"))
    straight &= ~np.isnan(pressure)
    bands = np.floor(np.nan_to_num(speed) / 500.0).astype(np.int64)
    least, most = stretch.samples(read("least_straight", "s")), stretch.samples(read("most_straight", "s"))
    places = {band: np.flatnonzero(straight & (bands == band)) for band in np.unique(bands[cornering])}
    expected = np.full(stretch.length, np.nan)
    for run in spans_of(cornering, 1, stretch.samples(0.3)):
        for band in np.unique(bands[run.slice][cornering[run.slice]]):
            here = run.start + np.flatnonzero((bands[run.slice] == band) & cornering[run.slice])
            warmth = median(oil[here])
            at = int(np.searchsorted(places[band], run.start))
            levels = []
            for near in (places[band][max(0, at - most) : at], places[band][at : at + most]):
                side = near
                if not np.isnan(warmth):
                    side = near[~(np.abs(oil[near] - warmth) > read("like_oil", "delta_degC"))]
                if side.size >= least:
                    share = np.minimum(1.0, speed[here] / median(speed[side]))
                    levels.append(median(pressure[side]) * share)
            # Where nobody knows how warm the oil was, one side alone may be of another temperature.
            if len(levels) == 2 or (levels and not np.isnan(warmth)):
                expected[here] = np.min(levels, axis=0)
    return expected


def _corner(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    """Hold the pressure in corners against that at like engine speed on the straight about them."""
    read = Settings(limits, CORNER)
    fast = known(stretch, "engine_speed") >= read("least_speed", "rpm")
    cornering = (_force(stretch) >= read("least_g", "g_0")) & fast
    lost = _as_on_the_straight(stretch, read, cornering) - known(stretch, "oil_pressure")
    return look_for_level(stretch, limits, CORNER, lost, cornering, read("hold", "s"), SHOWN)


def _warms(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    """Hold the pressure with hot oil against that with cold oil at like engine speeds."""
    read = Settings(limits, WARMS)
    pressure, oil = known(stretch, "oil_pressure"), known(stretch, "oil_temperature")
    speed = known(stretch, "engine_speed")
    calm = _straight(stretch, read("straight_g", "g_0")) & ~np.isnan(pressure)
    least = stretch.samples(read("least_time", "s"))
    shares = []
    hot_spans: list[int] = []
    for low in np.arange(read("from_speed", "rpm"), read("up_to_speed", "rpm"), 500.0):
        band = calm & (speed >= low) & (speed < low + 500.0)
        cold = pressure[band & (oil <= read("cold", "degC"))]
        hot = np.flatnonzero(band & (oil >= read("hot", "degC")))
        if cold.size >= least and hot.size >= least:
            shares.append(100.0 * float(np.median(pressure[hot])) / max(float(np.median(cold)), 1.0))
            hot_spans.append(int(hot[0]))
    if not shares:
        return Looked()
    start = min(hot_spans)
    span = Span(start, min(stretch.length, start + stretch.samples(20.0)))
    return looked_at(stretch, limits, WARMS, [Held(float(np.quantile(shares, 0.25)), span)], SHOWN, low=True)


def _high(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    read = Settings(limits, HIGH)
    hot = hot_oil(stretch, read("hot", "degC")) & (known(stretch, "engine_speed") > 400.0)
    return look_for_level(
        stretch, limits, HIGH, known(stretch, "oil_pressure"), hot, read("hold", "s"), SHOWN
    )


def _at_rest(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    read = Settings(limits, AT_REST)
    off = known(stretch, "engine_speed") < read("off_below", "rpm")
    settled = np.zeros(stretch.length, dtype=bool)
    wait = stretch.samples(read("after_stop", "s"))
    for run in spans_of(off):
        # A log may begin with the engine off: then there is nothing to wait for.
        settled[run.start + (0 if run.start == 0 else wait) : run.end] = True
    return look_for_level(
        stretch, limits, AT_REST, known(stretch, "oil_pressure"), settled & off, read("hold", "s"), SHOWN
    )


def _frozen(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    """A pressure that does not move while the engine goes from idle to well above it."""
    read = Settings(limits, FROZEN)
    pressure, speed = stretch.channel("oil_pressure"), known(stretch, "engine_speed")
    window = stretch.samples(read("window", "s"))
    found = []
    for start in range(0, stretch.length - window + 1, window):
        turned, had = speed[start : start + window], pressure[start : start + window]
        if np.isnan(had).mean() > 0.5 or np.all(np.isnan(turned)):
            continue
        if np.nanmin(turned) < read("low_speed", "rpm") and np.nanmax(turned) > read("high_speed", "rpm"):
            low, high = np.nanquantile(had, (0.01, 0.99))
            found.append(Held(float(high - low), Span(start, start + window)))
    return looked_at(stretch, limits, FROZEN, found, SHOWN, low=True)


def _hot(stretch: Stretch, segments: Segments, limits: Limits) -> Looked:
    read = Settings(limits, HOT)
    runs = known(stretch, "engine_speed") > 400.0
    oil = known(stretch, "oil_temperature")
    worked = (oil >= read("warm", "degC")) & runs
    return look_for_level(
        stretch, limits, HOT, oil, runs, read("hold", "s"), SHOWN, cleared_by=worked, clearing_s=20.0
    )


NEEDS = ("engine_speed", "oil_pressure")

FEATURES = (
    Feature(LOW, NEEDS, _low, least_chances=3, smallest_is_worst=True),
    Feature(IDLE, NEEDS, _idle, least_chances=1, smallest_is_worst=True),
    Feature(SWING, NEEDS, _swing, least_chances=2),
    Feature(
        CORNER,
        NEEDS,
        _corner,
        either=("lateral_acceleration", "longitudinal_acceleration"),
        least_chances=3,
    ),
    Feature(WARMS, (*NEEDS, "oil_temperature"), _warms, least_chances=1, smallest_is_worst=True),
    Feature(HIGH, NEEDS, _high, least_chances=2),
    Feature(AT_REST, NEEDS, _at_rest, least_chances=None),
    Feature(FROZEN, NEEDS, _frozen, least_chances=None, smallest_is_worst=True),
    Feature(HOT, ("engine_speed", "oil_temperature"), _hot, least_chances=1),
)
