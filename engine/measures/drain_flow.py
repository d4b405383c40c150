"""What the oil drain of a turbocharger has to do with: the oil, the head, the feed, the bore."""

from __future__ import annotations

import math

from engine.measures.oil_viscosity import ZERO_CELSIUS_K
from engine.measures.pipe_flow import GRAVITY_M_S2, Pipe, full_flow, half_full_flow

RESTRICTOR_CD = 0.7
WIDEST_BORE_M = 0.06


def oil_density(temperature_k: float) -> float:
    """Return the density [kg/m3] of engine oil at a temperature [K].

    ``rho = 870 - 0.65 (t - 15)`` with t in degC, within about 3 %.

    >>> round(oil_density(373.15))
    815

    Source: handbook values, from memory.
    """
    return 870.0 - 0.65 * (temperature_k - ZERO_CELSIUS_K - 15.0)


def head_of_pressure(pressure: float, density: float) -> float:
    """Return the height [m] of a liquid of a density [kg/m3] that a pressure [Pa] holds up.

    ``h = p / (rho g)``

    >>> round(head_of_pressure(3e3, 870.0), 3)
    0.352

    Source: hydrostatics.
    """
    return pressure / (density * GRAVITY_M_S2)


def restrictor_flow(bore: float, pressure: float, density: float) -> float:
    """Return the flow [m3/s] of oil through a restrictor of a bore [m] at a pressure [Pa] across it.

    ``Q = Cd A sqrt(2 dp / rho)`` with ``Cd = 0.7``. The bearing behind it takes part of the pressure, so it
    is the most that can come.

    >>> round(restrictor_flow(1.0e-3, 400e3, 850.0) * 60e3, 2)
    1.01

    Source: handbook fluid mechanics; the coefficient is an estimate.
    """
    return RESTRICTOR_CD * math.pi / 4.0 * bore * bore * math.sqrt(2.0 * max(pressure, 0.0) / density)


def smallest_bore(pipe: Pipe, fall: float, slope: float, viscosity: float, needed: float) -> float | None:
    """Return the bore [m] that carries a flow [m3/s] both full and half full, or None up to 60 mm.

    Length and fittings are those of `pipe`; `fall` is the head [m] left to drive the full pipe.

    >>> line = Pipe(bore=0.016, length=0.4)
    >>> bore = smallest_bore(line, 0.25, 0.625, 36e-6, 1.0e-4)
    >>> round(1e3 * (bore or 0.0), 1)
    14.8

    Source: `full_flow` and `half_full_flow`, by bisection.
    """

    def carries(bore: float) -> bool:
        sized = Pipe(bore, pipe.length, pipe.sharp, pipe.swept)
        if half_full_flow(bore, slope, viscosity) < needed:
            return False
        return full_flow(sized, fall, viscosity) >= needed

    low, high = 1e-3, WIDEST_BORE_M
    if not carries(high):
        return None
    for _ in range(30):
        middle = (low + high) / 2.0
        low, high = (low, middle) if carries(middle) else (middle, high)
    return high
