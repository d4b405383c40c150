"""Liquid in a pipe: friction, losses of fittings, and the flow that a head drives."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

GRAVITY_M_S2 = 9.806_65
LAMINAR_UP_TO = 2000.0
TURBULENT_FROM = 4000.0
INCH_M = 0.0254

HOSE_ROUGHNESS_M = 1.5e-6
"""Drawn tube and smooth rubber; handbook value, from memory."""


def friction_factor(reynolds: float, relative_roughness: float = 0.0) -> float:
    """Return the Darcy friction factor of a round pipe.

    Laminar up to a Reynolds number of 2,000: ``f = 64 / Re``. Turbulent from 4,000:
    ``1 / sqrt(f) = -1.8 log10((e / 3.7)^1.11 + 6.9 / Re)``. Between them it is drawn straight, so that the
    loss keeps rising with the flow. Raises `ValueError` for a Reynolds number that is not above zero.

    >>> friction_factor(640.0)
    0.1
    >>> round(friction_factor(1e5), 4)
    0.0178

    Source: Hagen-Poiseuille; Haaland 1983, within 2 % of Colebrook.
    """
    if reynolds <= 0.0:
        raise ValueError("the Reynolds number is above zero")
    if reynolds <= LAMINAR_UP_TO:
        return 64.0 / reynolds
    rough = (relative_roughness / 3.7) ** 1.11
    turbulent = (-1.8 * math.log10(rough + 6.9 / max(reynolds, TURBULENT_FROM))) ** -2
    if reynolds >= TURBULENT_FROM:
        return float(turbulent)
    share = (reynolds - LAMINAR_UP_TO) / (TURBULENT_FROM - LAMINAR_UP_TO)
    return float((1.0 - share) * 64.0 / LAMINAR_UP_TO + share * turbulent)


@dataclass(frozen=True)
class Fitting:
    """A fitting by its two constants of the two-K method."""

    k1: float
    k_infinity: float
    grows_when_small: bool = True

    def loss(self, reynolds: float, bore: float) -> float:
        """Return the loss coefficient of the fitting, counted in velocity heads.

        ``K = K1 / Re + Kinf (1 + 1 / D)``, the bore D in inches; an entrance has ``K1 / Re + Kinf``.
        `bore` is in m.

        >>> round(SHARP_ELBOW.loss(1000.0, INCH_M), 3)
        1.6

        Source: Hooper 1981, the two-K method.
        """
        size = 1.0 + INCH_M / bore if self.grows_when_small else 1.0
        return self.k1 / reynolds + self.k_infinity * size


SHARP_ELBOW = Fitting(800.0, 0.4)
SWEPT_BEND = Fitting(800.0, 0.2)
ENTRANCE = Fitting(160.0, 0.5, grows_when_small=False)
EXIT_LOSS = 1.0


@dataclass(frozen=True)
class Pipe:
    """A round pipe with its fittings; lengths in m."""

    bore: float
    length: float
    sharp: float = 0.0
    swept: float = 0.0

    @property
    def area(self) -> float:
        """Cross-section [m2]."""
        return math.pi / 4.0 * self.bore * self.bore

    def head_for(self, speed: float, viscosity: float) -> float:
        """Return the head [m] that a mean speed [m/s] of a liquid of a kinematic viscosity [m2/s] uses up.

        ``h = (f L / D + sum K) v^2 / (2 g)``, with entrance and exit.

        Source: Darcy-Weisbach; Hooper 1981 for the fittings.
        """
        if speed <= 0.0:
            return 0.0
        reynolds = speed * self.bore / viscosity
        losses = friction_factor(reynolds, HOSE_ROUGHNESS_M / self.bore) * self.length / self.bore
        losses += ENTRANCE.loss(reynolds, self.bore) + EXIT_LOSS
        losses += self.sharp * SHARP_ELBOW.loss(reynolds, self.bore)
        losses += self.swept * SWEPT_BEND.loss(reynolds, self.bore)
        return losses * speed * speed / (2.0 * GRAVITY_M_S2)


def full_flow(pipe: Pipe, head: float, viscosity: float) -> float:
    """Return the volume flow [m3/s] that a head [m] drives through a full pipe; none where there is no head.

    The flow at which `Pipe.head_for` uses up the head, found by bisection.

    >>> long = Pipe(bore=0.002, length=10.0)
    >>> poiseuille = GRAVITY_M_S2 * 1.0 * math.pi * 0.002**4 / (128 * 20e-6 * 10.0)
    >>> round(full_flow(long, 1.0, 20e-6) / poiseuille, 2)
    1.0

    Source: Darcy-Weisbach; in a long thin pipe it is Hagen-Poiseuille.
    """
    if head <= 0.0:
        return 0.0
    return pipe.area * _speed(lambda speed: pipe.head_for(speed, viscosity), head)


def half_full_flow(bore: float, slope: float, viscosity: float) -> float:
    """Return the volume flow [m3/s] in a round pipe of a bore [m] that runs half full down a slope.

    `slope` is the fall per length (the sine of the angle). The hydraulic diameter of half a circle is the
    bore, so the speed is that of the full pipe: ``S = f / D v^2 / (2 g)``, on half the section.

    >>> full = GRAVITY_M_S2 * 0.5 * 0.01**2 / (32 * 50e-6) * math.pi / 4 * 0.01**2
    >>> round(half_full_flow(0.01, 0.5, 50e-6) / full, 3)
    0.5

    Source: handbook open-channel hydraulics, steady uniform flow with the Darcy friction factor.
    """
    if slope <= 0.0:
        return 0.0

    def slope_for(speed: float) -> float:
        friction = friction_factor(speed * bore / viscosity, HOSE_ROUGHNESS_M / bore)
        return friction / bore * speed * speed / (2.0 * GRAVITY_M_S2)

    return math.pi / 8.0 * bore * bore * _speed(slope_for, slope)


def _speed(loss: Callable[[float], float], wanted: float) -> float:
    """Return the speed [m/s] at which a loss that rises with it reaches what is wanted."""
    low, high = 1e-9, 1.0
    while loss(high) < wanted:
        high *= 2.0
    for _ in range(60):
        middle = (low + high) / 2.0
        low, high = (middle, high) if loss(middle) < wanted else (low, middle)
    return (low + high) / 2.0
