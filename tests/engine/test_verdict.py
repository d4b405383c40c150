"""The verdict: least expected loss, holds above it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from engine.model import VerdictName
from engine.verdict import VERDICTS, judge

LOSS = np.array([[0.0, 60, 800, 4800], [20, 10, 700, 4400], [480, 440, 0, 900], [720, 680, 240, 0]])


@pytest.mark.parametrize(
    ("severity", "verdict"),
    [
        ([1.0, 0, 0, 0], "run"),
        ([0, 1.0, 0, 0], "run_with_advice"),
        ([0, 0, 1.0, 0], "mend_first"),
        ([0, 0, 0, 1.0], "stop"),
    ],
)
def test_certainty_gives_the_verdict_of_its_consequence(severity: list[float], verdict: str) -> None:
    assert judge(np.array(severity), LOSS, (), True).verdict == verdict


@given(
    st.lists(st.floats(0.001, 1.0), min_size=4, max_size=4),
    st.lists(st.sampled_from(["mend_first", "stop"]), max_size=3),
    st.booleans(),
)
def test_a_hold_is_never_outvoted(weights: list[float], holds: list[VerdictName], exact: bool) -> None:
    severity = np.array(weights) / sum(weights)
    judgement = judge(severity, LOSS, tuple(holds), exact)
    strict = VERDICTS.index(judgement.verdict)
    assert strict >= VERDICTS.index(judgement.weighed)
    assert all(strict >= VERDICTS.index(hold) for hold in holds)
    if not exact:
        assert strict >= VERDICTS.index("mend_first")
    least = min(judgement.expected_loss.values())
    assert judgement.expected_loss[judgement.weighed] == pytest.approx(least)


@given(st.lists(st.floats(0.001, 1.0), min_size=4, max_size=4), st.floats(0.0, 1.0))
def test_more_risk_of_a_stop_fault_never_frees_the_verdict(weights: list[float], more: float) -> None:
    severity = np.array(weights) / sum(weights)
    worse = (1.0 - more) * severity + more * np.array([0, 0, 0, 1.0])
    before, after = judge(severity, LOSS, (), True), judge(worse, LOSS, (), True)
    assert VERDICTS.index(after.verdict) >= VERDICTS.index(before.verdict)
