"""Which gear a span was driven in."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from engine.logs.stretch import Span, Stretch


def gear_of(stretch: Stretch, span: Span) -> int | None:
    """Return the gear of a span as logged, or None where the log does not tell."""
    gear = stretch.channel("gear")[span.slice]
    known = gear[~np.isnan(gear)]
    return round(float(np.median(known))) if known.size else None
