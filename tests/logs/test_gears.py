"""The gear of a span, as logged or as the speeds tell it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.logs.gears import gear_of, gear_ratios
from engine.logs.segments import segments_of
from engine.logs.stretch import Floats, Span, Stretch
from tests.logs.model import Recording, record, to_stretch

BOX = (112.0, 70.0, 50.0, 38.0, 30.0)
EACH_S = 6.0


def driven(
    ratios: tuple[float, ...], hertz: float = 20.0, seed: int = 1, **more: Floats
) -> tuple[Stretch, list[Span]]:
    """A run-up in each of the ratios [rpm per km/h], one after the other, as a logger sees it."""
    rng = np.random.default_rng(seed)
    count = round(EACH_S * hertz)
    speed = np.tile(np.linspace(2200.0, 5500.0, count), len(ratios))
    road = speed / np.repeat(ratios, count) + rng.normal(0.0, 0.15, speed.size)
    channels = {"engine_speed": speed + rng.normal(0.0, 8.0, speed.size), "road_speed": road, **more}
    spans = [Span(i * count + 5, (i + 1) * count - 5) for i in range(len(ratios))]
    return Stretch(0.0, 1.0 / hertz, channels, speed.size), spans


@pytest.mark.parametrize("hertz", [10, 20, 50, 100])
def test_the_gears_of_a_whole_box_are_numbered(hertz: int) -> None:
    stretch, spans = driven(BOX, hertz)
    assert gear_ratios(stretch) == pytest.approx(BOX, rel=0.02)
    assert [gear_of(stretch, span) for span in spans] == [1, 2, 3, 4, 5]


@settings(max_examples=15, deadline=None)
@given(
    first=st.floats(98.0, 150.0),
    steps=st.tuples(st.floats(1.45, 1.75), st.floats(1.32, 1.44), st.floats(1.22, 1.31)),
    seed=st.integers(0, 99),
)
def test_the_ratios_are_those_that_were_driven(
    first: float, steps: tuple[float, float, float], seed: int
) -> None:
    box = (first, *(first / float(share) for share in np.cumprod(steps)))
    stretch, spans = driven(box, seed=seed)
    assert gear_ratios(stretch) == pytest.approx(box, rel=0.02)
    assert [gear_of(stretch, span) for span in spans] == [1, 2, 3, 4]


@pytest.mark.parametrize("driven_in", [BOX[2:4], BOX[1:], (BOX[0], *BOX[2:])])
def test_a_ratio_that_nobody_can_number_has_no_gear(driven_in: tuple[float, ...]) -> None:
    stretch, spans = driven(driven_in)
    assert gear_ratios(stretch) == pytest.approx(driven_in, rel=0.02)
    assert gear_of(stretch, spans[-1]) is None


def test_a_logged_gear_is_believed_before_the_ratio() -> None:
    stretch, spans = driven(BOX, gear=np.full(5 * 120, 4.0))
    assert [gear_of(stretch, span) for span in spans] == [4] * 5


def test_a_clutch_let_in_is_no_gear() -> None:
    speed = np.full(200, 3000.0)
    sweeps = Stretch(0.0, 0.05, {"engine_speed": speed, "road_speed": np.linspace(20.0, 140.0, 200)}, 200)
    assert gear_ratios(sweeps) == ()


def test_nothing_known_is_no_gear() -> None:
    empty = Stretch(0.0, 0.05, {name: np.full(40, np.nan) for name in ("engine_speed", "road_speed")}, 40)
    for stretch in (empty, Stretch(0.0, 0.05, {"engine_speed": np.full(40, 3000.0)}, 40)):
        assert gear_ratios(stretch) == ()
        assert gear_of(stretch, Span(0, 40)) is None


@pytest.mark.parametrize("seed", range(6))
def test_pulls_of_the_model_are_never_given_a_wrong_gear(seed: int) -> None:
    made = record(seed, also_logged=frozenset({"gear", "road_speed"}))
    bare = {name: values for name, values in made.channels.items() if name != "gear"}
    told = segments_of(to_stretch(made)).pulls
    guessed = segments_of(to_stretch(Recording(made.car, made.time, bare))).pulls
    assert [pull.span for pull in told] == [pull.span for pull in guessed]
    assert all(other.gear in (None, one.gear) for one, other in zip(told, guessed, strict=True))
