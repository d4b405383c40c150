"""What the oil drain of a turbocharger has to do with: the oil, the head, the feed, the bore."""

from __future__ import annotations

import math

from engine.measures.declare import Given, wrong
from engine.measures.oil_viscosity import ZERO_CELSIUS_K
from engine.measures.pipe_flow import GRAVITY_M_S2, Pipe, full_flow, half_full_flow

RESTRICTOR_CD = 0.7
WIDEST_BORE_M = 0.06
DEGREES_PER_RADIAN = 180.0 / math.pi

FEED_BY_BEARING_M3_S = {"journal": 4.0e-3 / 60.0, "ball": 2.0e-3 / 60.0}
"""Oil that a hot bearing passes at full oil pressure; common practice, half to twice of it is met."""


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


def feed_flow(given: Given, density: float) -> float:
    """Return the oil flow [m3/s] to the turbocharger: measured, through the restrictor, or by the bearing."""
    measured, restrictor = given.optional("feed"), given.optional("restrictor")
    if measured is not None:
        return measured
    if restrictor is None:
        return FEED_BY_BEARING_M3_S[given.picked("bearing") or "journal"]
    pressure = given.optional("feed_pressure")
    if pressure is None:
        message = "the flow through a restrictor needs the oil pressure ahead of it"
        raise wrong("feed_pressure", None, message, ("400 kPa gauge",))
    return restrictor_flow(restrictor, pressure, density)


def flattest_slope(given: Given) -> float:
    """Return the fall per length of the flattest piece: as measured, or the mean of the whole drain."""
    fall, length, flattest = given.number("fall"), given.number("length"), given.optional("flattest")
    if fall > length:
        message = "the drain cannot fall further than it is long"
        raise wrong("fall", f"{1e3 * fall:g} mm", message, (f"up to {1e3 * length:g} mm",))
    mean = fall / length
    if flattest is None:
        return mean
    if math.sin(flattest) > mean + 0.02:
        steepest = DEGREES_PER_RADIAN * math.asin(max(-1.0, min(1.0, mean)))
        message = "the flattest piece cannot be steeper than the drain as a whole"
        raise wrong("flattest", None, message, (f"up to {steepest:.0f} deg",))
    return min(math.sin(flattest), mean)


def end_height(given: Given) -> float | None:
    """Return the height [m] of the lower end over the oil, below zero where it ends under it, if read."""
    above, under = given.optional("end_above_oil"), given.optional("end_under_oil")
    if above is not None and under is not None:
        message = "the drain ends either above the oil or under it"
        raise wrong("end_under_oil", f"{1e3 * under:g} mm", message, ("leave out one of the two",))
    return above if under is None else -under
