"""Which gear a span was driven in: as logged, else from engine speed over road speed."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from engine.logs.stretch import Floats, Span, Stretch, bridged, smooth

LEAST_ROAD_KMH = 15.0
LEAST_ENGINE_RPM = 1200.0
LONGEST_HOLE_S = 0.6
LOCKED_WITHIN = 0.02
LEAST_TIME_S = 1.0
LIKE = 0.06
APART = 0.10
MOST_GEARS = 10
FIRST_GEAR_RPM_PER_KMH = (95.0, 190.0)
FIRST_STEP = (1.3, 2.1)
LATER_STEP = (1.1, 1.65)
"""A first gear makes some 5 to 10 km/h per 1000 rpm, and steps get smaller upwards (common practice)."""


def gear_of(stretch: Stretch, span: Span) -> int | None:
    """Return the gear of a span as logged, else as its speed ratio tells; None where the log does not tell.

    A ratio alone has no number. It gets one only where the ratios of the stretch begin with one that is a
    first gear's and go on in steps as gears do; a car that was only driven in third and fourth has none.
    """
    gear = stretch.channel("gear")[span.slice]
    known = gear[~np.isnan(gear)]
    if known.size:
        return round(float(np.median(known)))
    inside = ratio(stretch)[span.slice]
    inside = inside[~np.isnan(inside)]
    if not inside.size:
        return None
    numbered = _numbered(gear_ratios(stretch))
    near = nearest_ratio(numbered, float(np.median(inside)))
    return None if near is None else numbered.index(near) + 1


def ratio(stretch: Stretch) -> Floats:
    """Return engine speed over road speed [rpm per km/h]; NaN at low speeds or where either is not known.

    By the driven wheels where they are logged: what the tyres lose is not in it.
    """
    kept = stretch.cache.get("speed ratio")
    if kept is None:
        wheels = "driven_wheel_speed" if stretch.has("driven_wheel_speed") else "road_speed"
        hole, short = stretch.samples(LONGEST_HOLE_S), stretch.samples(0.3)
        road = smooth(bridged(stretch.channel(wheels), hole), short)
        speed = smooth(bridged(stretch.channel("engine_speed"), hole), short)
        with np.errstate(invalid="ignore", divide="ignore"):
            kept = np.where((road > LEAST_ROAD_KMH) & (speed > LEAST_ENGINE_RPM), speed / road, np.nan)
        stretch.cache["speed ratio"] = kept
    assert isinstance(kept, np.ndarray)
    return kept


def gear_ratios(stretch: Stretch) -> tuple[float, ...]:
    """Return the speed ratios [rpm per km/h] that the car was driven in for a second or more, highest first.

    Only where the ratio stands for half a second counts: neither a shift nor a clutch that is let in. The
    ratio held longest is taken first, then that held longest of what is more than 10 per cent away from it.
    """
    kept = stretch.cache.get("gear ratios")
    if kept is None:
        kept = tuple(sorted(_held(stretch), reverse=True))
        stretch.cache["gear ratios"] = kept
    assert isinstance(kept, tuple)
    return kept


def _held(stretch: Stretch) -> list[float]:
    values = ratio(stretch)
    lag = stretch.samples(0.5)
    if stretch.length <= lag:
        return []
    with np.errstate(invalid="ignore"):
        stands = np.abs(values[lag:] / values[:-lag] - 1.0) <= LOCKED_WITHIN
    left = np.log(values[lag:][stands])
    least = stretch.samples(LEAST_TIME_S)
    found: list[float] = []
    while left.size >= least and len(found) < MOST_GEARS:
        counts, edges = np.histogram(left, np.arange(left.min() - 0.01, left.max() + 0.02, 0.01))
        thick = np.convolve(counts, np.ones(3), mode="same")
        peak = float(edges[int(np.argmax(thick))]) + 0.005
        near = np.abs(left - peak) <= LIKE / 2.0
        if int(near.sum()) < least:
            break
        centre = float(np.median(left[near]))
        found.append(float(np.exp(centre)))
        left = left[np.abs(left - centre) > APART]
    return found


def nearest_ratio(ratios: tuple[float, ...], value: float) -> float | None:
    """Return the ratio within 6 per cent of a value, None where there is none.

    >>> nearest_ratio((110.0, 70.0, 50.0), 71.5)
    70.0
    >>> nearest_ratio((110.0, 70.0, 50.0), 60.0) is None
    True
    """
    near = min(ratios, key=lambda one: abs(one / value - 1.0), default=None)
    return near if near is not None and abs(near / value - 1.0) <= LIKE else None


def _numbered(ratios: tuple[float, ...]) -> tuple[float, ...]:
    """Return the ratios from the first gear upwards as far as the steps between them are those of gears.

    >>> _numbered((115.0, 70.0, 50.0, 38.0))
    (115.0, 70.0, 50.0, 38.0)
    >>> _numbered((115.0, 50.0, 38.0))
    (115.0,)
    >>> _numbered((50.0, 38.0))
    ()
    """
    low, high = FIRST_GEAR_RPM_PER_KMH
    if not ratios or not low <= ratios[0] <= high:
        return ()
    count, before = 1, FIRST_STEP[1]
    for one, other in pairwise(ratios):
        least, most = FIRST_STEP if count == 1 else LATER_STEP
        # A step larger than the one below it jumps over a gear.
        if not least <= one / other <= min(most, 1.08 * before):
            break
        count, before = count + 1, one / other
    return ratios[:count]
