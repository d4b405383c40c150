"""Puts samples of several rates on one even time base."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from engine.logs.stretch import Flags, Floats, Stretch

FINEST_S = 0.01
COARSEST_S = 1.0
LONGEST_BRIDGE_S = 1.0
BRIDGED_PERIODS = 3.0
SAME_TIME_S = 1e-9


def step_of(times: Floats) -> float:
    """Return the step [s] of the time base for a log: its usual step, within 0.01 s and 1 s."""
    steps = np.diff(times)
    steps = steps[steps > 0]
    usual = float(np.median(steps)) if steps.size else 0.1
    # Whole microseconds, for the last digits of a clock's seconds are no more than rounding.
    return round(float(np.clip(usual, FINEST_S, COARSEST_S)), 6)


def even(times: Floats, columns: Mapping[str, Floats], step: float) -> Stretch:
    """Return the samples at even steps from the first time on; `times` [s] rise strictly.

    Each channel is interpolated between its own samples, but not over a hole longer than 1 s or three of its
    usual periods: what lies in there is NaN. Where the log is faster than the step the samples within a step
    are averaged, so that no spike's energy is lost.
    """
    length = max(1, int(np.floor((times[-1] - times[0]) / step + 1e-6)) + 1)
    grid = times[0] + step * np.arange(length)
    usual = float(np.median(np.diff(times))) if times.size > 1 else step
    faster = usual < 0.75 * step
    if faster:
        channels = {n: _averaged(times, values, times[0], step, length) for n, values in columns.items()}
        return Stretch(float(times[0]), step, channels, length)
    # Most channels have a sample in each line: where a hole lies is looked for once for all of them.
    shared = _unknown(times, grid, step)
    channels = {n: _interpolated(times, values, grid, step, shared) for n, values in columns.items()}
    return Stretch(float(times[0]), step, channels, length)


def _interpolated(
    times: Floats, values: Floats, grid: Floats, step: float, shared: Flags | None = None
) -> Floats:
    known = ~np.isnan(values)
    count = int(known.sum())
    if count < 2:
        return np.full(grid.size, np.nan)
    if count == values.size:
        at, unknown = times, _unknown(times, grid, step) if shared is None else shared
        found: Floats = np.interp(grid, at, values)
    else:
        at = times[known]
        unknown = _unknown(at, grid, step)
        found = np.interp(grid, at, values[known])
    found[unknown] = np.nan
    return found


def _unknown(at: Floats, grid: Floats, step: float) -> Flags:
    """Return which times of the grid lie in a hole of the samples `at`, or before or after them."""
    outside = (grid < at[0] - step / 2) | (grid > at[-1] + step / 2)
    gaps = np.diff(at)
    longest = max(LONGEST_BRIDGE_S, BRIDGED_PERIODS * float(np.median(gaps)))
    for left in np.flatnonzero(gaps > longest):
        low, high = np.searchsorted(grid, [at[left] + SAME_TIME_S, at[left + 1] - SAME_TIME_S])
        outside[low:high] = True
    unknown: Flags = outside
    return unknown


def _averaged(times: Floats, values: Floats, start: float, step: float, length: int) -> Floats:
    place = np.clip(np.floor((times - start) / step + 0.5).astype(np.int64), 0, length - 1)
    known = ~np.isnan(values)
    count = np.bincount(place[known], minlength=length)
    total = np.bincount(place[known], weights=values[known], minlength=length)
    means: Floats = np.where(count > 0, total / np.maximum(count, 1), np.nan).astype(np.float64)
    held = ~np.isnan(means)
    if int(held.sum()) < 2:
        return means
    at = np.flatnonzero(held).astype(np.float64) * step
    return _interpolated(at, means[held], (step * np.arange(length)).astype(np.float64), step)
