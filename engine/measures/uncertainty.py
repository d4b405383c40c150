"""How the doubt of the readings becomes the doubt of a result."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence

from engine.errors import InputError
from engine.measures.declare import Computed, Result, Results

HALF_WIDTH_TO_STANDARD = 1.0 / math.sqrt(3.0)
"""A reading within plus or minus a, all values as likely (JCGM 100:2008, 4.3.7)."""

COVERAGE = 2.0
"""Expanded uncertainty: about 95 per cent for a normal distribution (JCGM 100:2008, 6.3.3)."""


def propagate(
    compute: Callable[[Mapping[int, float]], Computed], doubts: Sequence[float]
) -> tuple[Computed, Results]:
    """Return the results at the readings themselves, and with their standard uncertainties.

    `compute` takes shifts of single readings by their number; `doubts` are the standard uncertainties of the
    readings, in SI, taken as independent. Each reading is moved up and down by its doubt and half the
    difference of the results is its contribution; contributions add in squares (JCGM 100:2008, 5.1.2 and
    5.1.3, note 2). A shift that the calculation refuses counts with the other side alone.
    """
    central = compute({})
    squares = {name: [0.0] * len(_elements(value)) for name, value in central.items()}
    for index, doubt in enumerate(doubts):
        if doubt <= 0.0:
            continue
        up, down = _tried(compute, index, doubt), _tried(compute, index, -doubt)
        for name, value in central.items():
            here = _elements(value)
            high = _elements(up[name]) if up is not None and name in up else here
            low = _elements(down[name]) if down is not None and name in down else here
            width = 2.0 if up is not None and down is not None else 1.0
            if len(high) == len(here) == len(low):
                for k, (a, b) in enumerate(zip(high, low, strict=True)):
                    squares[name][k] += ((a - b) / width) ** 2
    one, several = {}, {}
    for name, value in central.items():
        results = tuple(Result(v, math.sqrt(s)) for v, s in zip(_elements(value), squares[name], strict=True))
        if isinstance(value, (int, float)):
            one[name] = results[0]
        else:
            several[name] = results
    return central, Results(one, several)


def _tried(compute: Callable[[Mapping[int, float]], Computed], index: int, shift: float) -> Computed | None:
    try:
        return compute({index: shift})
    except InputError:
        return None


def _elements(value: float | Sequence[float]) -> tuple[float, ...]:
    return (float(value),) if isinstance(value, (int, float)) else tuple(value)
