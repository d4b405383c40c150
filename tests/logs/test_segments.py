"""Pulls, steady spans and idle are cut where a person would cut them."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.logs.segments import full_load_percent, known, load_of, segments_of
from engine.logs.stretch import Span, Stretch, bridged, spans_of
from tests.logs.drive import CHANNELS, Drive, drive, logged, with_holes


def stretch_of(step_s: float, **channels: np.ndarray) -> Stretch:
    return Stretch(0.0, step_s, channels, next(iter(channels.values())).size)


@lru_cache(maxsize=1)
def three_pulls() -> Drive:
    return drive(pulls=3)


def overlap(one: Span, other: Span) -> float:
    shared = max(0, min(one.end, other.end) - max(one.start, other.start))
    return shared / max(len(one), len(other))


@pytest.mark.parametrize("hertz", [5, 10, 20, 50, 100])
def test_pulls_idle_and_cruise_are_found(hertz: int) -> None:
    made = drive(pulls=3)
    found = segments_of(logged(made, hertz, seed=hertz))
    every = 100 // hertz
    assert len(found.pulls) == 3
    for pull, true in zip(found.pulls, made.pulls, strict=True):
        assert overlap(pull.span, Span(true.start // every, true.end // every)) > 0.9
    assert [pull.gear for pull in found.pulls] == [3, 4, 3]
    assert len(found.idle) == 1
    assert overlap(found.idle[0], Span(made.idle.start // every, made.idle.end // every)) > 0.9
    cruise = Span(made.cruise.start // every, made.cruise.end // every)
    assert any(overlap(span, cruise) > 0.7 for span in found.steady)
    for span in found.steady:
        assert not any(overlap(span, pull.span) for pull in found.pulls)


def test_a_shift_at_full_throttle_cuts_a_pull_in_two() -> None:
    speed = np.concatenate(
        (*(np.linspace(*part) for part in ((3000, 7000, 60), (7000, 4900, 6), (4900, 7000, 60))),)
    )
    found = segments_of(stretch_of(0.05, engine_speed=speed, throttle=np.full(speed.size, 100.0)))
    assert len(found.pulls) == 2
    assert found.pulls[0].span.end <= 62
    assert found.pulls[1].span.start >= 64


def test_a_limiter_is_not_part_of_a_pull() -> None:
    bounce = 7000 + 60 * np.sin(np.arange(60))
    speed = np.concatenate((np.linspace(3000, 7060, 80), bounce))
    found = segments_of(stretch_of(0.05, engine_speed=speed, throttle=np.full(speed.size, 100.0)))
    assert len(found.pulls) == 1
    assert found.pulls[0].span.end <= 82


def test_the_throttle_of_a_short_scale_still_makes_pulls() -> None:
    made = drive(pulls=2)
    made.channels["throttle"] = made["throttle"] * 0.72
    found = segments_of(logged(made, 20))
    assert len(found.pulls) == 2


def test_half_throttle_is_no_pull() -> None:
    made = drive(pulls=2)
    made.channels["throttle"] = np.where(made["throttle"] > 60.0, 52.0, made["throttle"])
    assert segments_of(logged(made, 20)).pulls == []


def test_without_a_throttle_boost_makes_the_pulls() -> None:
    only = tuple(name for name in CHANNELS if name != "throttle")
    assert len(segments_of(logged(drive(pulls=3), 20, only=only)).pulls) == 3


def test_the_pedal_stands_in_for_a_throttle_that_is_empty() -> None:
    pedal = np.array([1.0, 2.0])
    assert load_of(stretch_of(0.1, throttle=np.full(2, np.nan), pedal=pedal)) is pedal
    assert load_of(stretch_of(0.1, engine_speed=pedal)) is None


def test_an_empty_or_a_still_log_has_no_parts() -> None:
    nothing = segments_of(stretch_of(0.1, engine_speed=np.full(50, np.nan), throttle=np.full(50, np.nan)))
    off = segments_of(stretch_of(0.1, engine_speed=np.zeros(50), throttle=np.zeros(50)))
    for found in (nothing, off, segments_of(stretch_of(0.1, engine_speed=np.array([900.0])))):
        assert (found.pulls, found.steady, found.idle, found.running) == ([], [], [], [])


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), start=st.floats(-1e4, 1e6))
def test_holes_and_the_clock_change_nothing(seed: int, start: float) -> None:
    made = three_pulls()
    whole = segments_of(logged(made, 20, seed=3))
    holed = segments_of(with_holes(logged(made, 20, seed=3, start_s=start), seed))
    assert len(holed.pulls) == len(whole.pulls)
    for one, other in zip(whole.pulls, holed.pulls, strict=True):
        assert overlap(one.span, other.span) > 0.9


@settings(max_examples=50, deadline=None)
@given(st.lists(st.one_of(st.none(), st.floats(-100, 100)), min_size=1, max_size=40), st.integers(0, 5))
def test_bridging_fills_short_holes_and_keeps_the_rest(
    given_values: list[float | None], longest: int
) -> None:
    values = np.array([np.nan if value is None else value for value in given_values])
    filled = bridged(values, longest)
    was = ~np.isnan(values)
    assert np.array_equal(filled[was], values[was])
    if was.any():
        for hole in spans_of(np.isnan(values)):
            inside = hole.start > 0 and hole.end < values.size
            assert np.isnan(filled[hole.slice]).any() != (inside and len(hole) <= longest)


@given(st.floats(20, 110), st.integers(2, 60))
def test_full_throttle_is_never_asked_above_eighty(stop: float, rest: int) -> None:
    load = np.concatenate((np.linspace(0, stop, 30), np.full(rest, stop)))
    least = full_load_percent(load)
    assert 54.0 <= least <= 80.0
    assert least <= stop or stop < 80.0


def test_a_bridged_channel_is_kept() -> None:
    stretch = stretch_of(0.1, boost=np.array([1.0, np.nan, 3.0]))
    assert known(stretch, "boost").tolist() == [1.0, 2.0, 3.0]
    assert known(stretch, "boost") is known(stretch, "boost")
