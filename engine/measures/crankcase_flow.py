"""Gas in and out of the crankcase: blow-by, and what vents pass at a pressure."""

from __future__ import annotations

import math
from collections.abc import Sequence

from engine.measures.orifice import orifice_mass_flow

AIR_PER_WATT = 1.0e-6
"""Air that a petrol engine takes in at full load [kg/s per W], about 1 g/s for each kW; common practice."""

HOSE_FRICTION = 0.03
MOST_PRESSURE_PA = 200e3


def blow_by_from_air(air_flow: float, share: float) -> float:
    """Return the blow-by [kg/s] as a share of the air flow [kg/s] of the engine.

    ``m = share m_air``; about 1 % at full load in a sound engine.

    >>> round(blow_by_from_air(0.2, 0.01), 4)
    0.002

    Source: common practice; pages say 0.5 to 2 %.
    """
    return share * air_flow


def vent_coefficient(cd: float, length: float, bore: float) -> float:
    """Return the discharge coefficient of an opening with a hose of a length and a bore [m] behind it.

    ``1 / C^2 = 1 / Cd^2 + f L / D`` with ``f = 0.03``

    >>> round(vent_coefficient(0.6, 1.0, 0.015), 3)
    0.457

    Source: Darcy-Weisbach; friction of a smooth pipe after Blasius at a Reynolds number near 10,000.
    """
    return 1.0 / math.sqrt(1.0 / (cd * cd) + HOSE_FRICTION * length / bore)


def vent_flow(
    bores: Sequence[float], cd: float, length: float, crankcase: float, outlet: float, temperature_k: float
) -> float:
    """Return the gas [kg/s] that vents of these bores [m] pass from the crankcase to their outlet [Pa abs].

    Each is an opening with a hose of the same length [m] behind it; flows add.

    >>> round(1e3 * vent_flow([0.012], 0.6, 0.5, 103_825.0, 101_325.0, 363.15), 2)
    3.93

    Source: one-dimensional isentropic flow with the coefficient of `vent_coefficient`.
    """
    return sum(
        orifice_mass_flow(
            math.pi / 4.0 * bore * bore, vent_coefficient(cd, length, bore), crankcase, outlet, temperature_k
        )
        for bore in bores
    )


def pressure_needed(
    flow: float, bores: Sequence[float], cd: float, length: float, outlet: float, temperature_k: float
) -> float:
    """Return the crankcase pressure [Pa abs] at which the vents pass a flow [kg/s]; by bisection.

    Raises `ValueError` where even 200 kPa above the outlet [Pa abs] does not do it.

    >>> p = pressure_needed(3.9e-3, [0.012], 0.6, 0.5, 101_325.0, 363.15)
    >>> round((p - 101_325.0) / 1e3, 1)
    2.5

    Source: the inverse of `vent_flow`.
    """
    low, high = outlet, outlet + MOST_PRESSURE_PA
    if vent_flow(bores, cd, length, high, outlet, temperature_k) < flow:
        raise ValueError("the vent cannot pass this gas at any pressure that a crankcase holds")
    for _ in range(60):
        middle = (low + high) / 2.0
        too_low = vent_flow(bores, cd, length, middle, outlet, temperature_k) < flow
        low, high = (middle, high) if too_low else (low, middle)
    return (low + high) / 2.0
