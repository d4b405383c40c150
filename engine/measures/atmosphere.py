"""Air pressure from height, by the standard atmosphere."""

from __future__ import annotations

SEA_LEVEL_PA = 101_325.0
SEA_LEVEL_K = 288.15
LAPSE_K_PER_M = 0.0065
EXPONENT = 5.255_879_7
EARTH_RADIUS_M = 6_356_766.0


def pressure_at_height(height_m: float) -> float:
    """Return the static pressure [Pa] of the standard atmosphere at a geometric height [m] up to 11 km.

    ``p = p0 (1 - L H / T0)^(g0 M / (R L))`` with the geopotential height ``H = r h / (r + h)``.

    >>> round(pressure_at_height(1500.0))
    84560

    Source: ISO 2533:1975 (ICAO standard atmosphere).
    """
    geopotential = EARTH_RADIUS_M * height_m / (EARTH_RADIUS_M + height_m)
    share: float = 1.0 - LAPSE_K_PER_M * geopotential / SEA_LEVEL_K
    return float(SEA_LEVEL_PA * share**EXPONENT)
