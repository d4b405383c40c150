"""Moist air: saturation pressure, density, and the height at which the standard atmosphere is as thin."""

from __future__ import annotations

import math

from engine.measures.atmosphere import EARTH_RADIUS_M, EXPONENT, LAPSE_K_PER_M, SEA_LEVEL_K, SEA_LEVEL_PA

GAS_CONSTANT_DRY = 287.0529
GAS_CONSTANT_VAPOUR = 461.523
SEA_LEVEL_DENSITY = SEA_LEVEL_PA / (GAS_CONSTANT_DRY * SEA_LEVEL_K)


def saturation_pressure(temperature: float) -> float:
    """Return the pressure [Pa] of saturated water vapour over water at a temperature [K], 0 to 60 degC.

    ``p = 611.21 exp((18.678 - t / 234.5) t / (257.14 + t))`` with t in degC.

    >>> round(saturation_pressure(308.15))
    5629

    Source: Buck 1981, coefficients of 1996 (from memory; within 0.05 % of IAPWS by CoolProp).
    """
    t = temperature - 273.15
    return 611.21 * math.exp((18.678 - t / 234.5) * t / (257.14 + t))


def air_density(pressure: float, temperature: float, humidity: float) -> float:
    """Return the density [kg/m3] of air at a pressure [Pa abs], temperature [K] and relative humidity [1].

    ``rho = (p - pv) / (Rd T) + pv / (Rv T)``

    >>> round(air_density(95_000.0, 308.15, 0.6), 4)
    1.0596

    Source: ideal gas law for dry air and vapour, handbook.
    """
    vapour = humidity * saturation_pressure(temperature)
    return (pressure - vapour) / (GAS_CONSTANT_DRY * temperature) + vapour / (
        GAS_CONSTANT_VAPOUR * temperature
    )


def density_height(density: float) -> float:
    """Return the geometric height [m] at which the standard atmosphere has a density [kg/m3].

    ``H = T0 / L (1 - (rho / rho0)^(1 / (g/(R L) - 1)))``, then from geopotential to geometric height.

    >>> round(density_height(1.07399))
    1349

    Source: ISO 2533:1975.
    """
    share = (density / SEA_LEVEL_DENSITY) ** (1.0 / (EXPONENT - 1.0))
    geopotential: float = SEA_LEVEL_K / LAPSE_K_PER_M * (1.0 - share)
    return float(EARTH_RADIUS_M * geopotential / (EARTH_RADIUS_M - geopotential))
