"""May it run: the verdict of least expected loss, which a hold can only make stricter."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from engine.answer import Basis, Worst
from engine.model import Decision, Loss, VerdictName
from engine.network import Floats

VERDICTS: tuple[VerdictName, ...] = ("run", "run_with_advice", "mend_first", "stop")
"""From the freest to the strictest."""
SEVERITIES: tuple[Worst, ...] = ("nothing", "advise", "mend_first", "stop")


@dataclass(frozen=True)
class Judgement:
    """The verdict with what it rests on.

    `expected_loss` is in minutes, per verdict; `weighed` is the verdict of least expected loss, `basis`
    says whether that decided, or a hold, or that only bounds on the probabilities are known.
    """

    verdict: VerdictName
    weighed: VerdictName
    basis: Basis
    expected_loss: Mapping[VerdictName, float]
    worst: Mapping[Worst, float]


def loss_table(decision: Decision) -> Floats:
    """Return the losses [4 verdicts, 4 severities] in minutes, in the orders of this module."""
    rows: list[Loss] = [decision.loss_minutes[verdict] for verdict in VERDICTS]
    return np.array([[row.nothing, row.advise, row.mend_first, row.stop] for row in rows])


def judge(severity: Floats, loss: Floats, holds: tuple[VerdictName, ...], exact: bool) -> Judgement:
    """Return the verdict for a distribution [4] over the worst consequence.

    The least expected loss decides, the stricter verdict where two are equal. The strictest hold stands
    above it. Where the probabilities are only bounded, the verdict is never freer than mend_first.
    """
    expected = loss @ severity
    weighed = max(range(4), key=lambda v: (-round(float(expected[v]), 9), v))
    basis: Basis = "expected_loss"
    strictest = weighed
    if not exact and strictest < VERDICTS.index("mend_first"):
        strictest, basis = VERDICTS.index("mend_first"), "bounds"
    for hold in holds:
        level = VERDICTS.index(hold)
        if level > strictest or (level == strictest and basis == "expected_loss"):
            strictest, basis = level, "hold"
    return Judgement(
        VERDICTS[strictest],
        VERDICTS[weighed],
        basis,
        {name: float(value) for name, value in zip(VERDICTS, expected, strict=True)},
        {name: float(value) for name, value in zip(SEVERITIES, severity, strict=True)},
    )
