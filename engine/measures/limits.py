"""The limits of the knowledge base, and how surely a value is beyond one."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from engine.conditions import bounds_of
from engine.model import Judgement
from engine.units import convert

State = Literal["present", "absent", "unknown"]

SURE_TO_BE_PRESENT = 0.5
SURE_TO_BE_ABSENT = 0.9
"""A reading that is as likely beyond its limit as not counts as beyond it; to clear a car takes more."""


@dataclass(frozen=True)
class Implied:
    """A finding that a value implies.

    `strength` is the probability, from the uncertainty of the value alone, that it lies where `state` says:
    beyond the limit for present, clear of it for absent; for unknown, that it lies beyond the limit.
    """

    finding: str
    state: State
    strength: float
    limit: str
    value: float
    unit: str
    because: str
    source: str


Limits = Mapping[str, Judgement]


def setting(limit: Judgement, name: str, unit: str) -> float:
    """Return a setting of a limit, in `unit`."""
    number, _, given = limit.settings[name].partition(" ")
    return convert(float(number), given or unit, unit)


def judge(limits: Limits, limit_id: str, value: float, uncertainty: float = 0.0) -> Implied:
    """Return what a value (in the unit of the limit, with its standard uncertainty) says of its finding.

    The value is taken as normally distributed (JCGM 100:2008, annex G). Present where it is as likely as not
    beyond the limit; absent only where it is clear of it with a probability of 0.9; else unknown.
    """
    limit = limits[limit_id]
    beyond = _share(limit, "present", value, uncertainty)
    clear = _share(limit, "absent", value, uncertainty)
    if beyond >= SURE_TO_BE_PRESENT:
        state: State = "present"
        strength = beyond
    elif clear >= SURE_TO_BE_ABSENT:
        state, strength = "absent", clear
    else:
        state, strength = "unknown", beyond
    return Implied(limit.finding, state, strength, limit_id, value, limit.unit, limit.because, limit.source)


def _share(limit: Judgement, which: Literal["present", "absent"], value: float, uncertainty: float) -> float:
    comparison = limit.present if which == "present" else limit.absent
    if comparison is None:
        return 0.0
    bounds = bounds_of(comparison, limit.unit)
    if uncertainty <= 0.0:
        return 1.0 if bounds.holds(value) else 0.0
    return _below(bounds.high, value, uncertainty) - _below(bounds.low, value, uncertainty)


def _below(bound: float, value: float, uncertainty: float) -> float:
    if math.isinf(bound):
        return 1.0 if bound > 0 else 0.0
    return 0.5 * math.erfc((value - bound) / (uncertainty * math.sqrt(2.0)))
