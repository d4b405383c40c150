"""Air through a small hole: choked and unchoked mass flow, and the hole that a flow asks for."""

from __future__ import annotations

import math

GAMMA_AIR = 1.4
"""Ratio of specific heats of air."""

GAS_CONSTANT_AIR = 287.05
"""Specific gas constant of dry air [J/(kg K)]."""


def critical_ratio(gamma: float = GAMMA_AIR) -> float:
    """Return the ratio of downstream to upstream absolute pressure at and below which the flow is choked.

    ``r* = (2 / (gamma + 1))^(gamma / (gamma - 1))``. Raises `ValueError` for a `gamma` of 1 or less.

    >>> round(critical_ratio(1.4), 6)
    0.528282

    Source: one-dimensional isentropic flow (NACA Report 1135, from memory).
    """
    if gamma <= 1.0:
        raise ValueError("the ratio of specific heats is above 1")
    return float((2.0 / (gamma + 1.0)) ** (gamma / (gamma - 1.0)))


def orifice_mass_flow(
    area_m2: float,
    cd: float,
    upstream_pa_abs: float,
    downstream_pa_abs: float,
    temperature_k: float,
    gamma: float = GAMMA_AIR,
) -> float:
    """Return the mass flow [kg/s] of air through a hole of an area [m2] with a discharge coefficient.

    Pressures are absolute [Pa], the temperature is that of the air ahead of the hole [K]. Choked where
    ``r = p2 / p1`` is at or below `critical_ratio`:
    ``m = Cd A p1 sqrt(gamma / (R T)) (2 / (gamma + 1))^((gamma + 1) / (2 (gamma - 1)))``; else
    ``m = Cd A p1 sqrt(2 gamma / ((gamma - 1) R T) (r^(2 / gamma) - r^((gamma + 1) / gamma)))``.
    No flow where the pressure downstream is not below that upstream; the other way round is left to the
    caller. Raises `ValueError` for a negative area or coefficient, or a pressure or temperature that is not
    above zero.

    >>> area = math.pi / 4 * 0.002**2
    >>> round(1e3 * orifice_mass_flow(area, 1.0, 251_325.0, 101_325.0, 293.15), 4)
    1.8637
    >>> round(1e3 * orifice_mass_flow(area, 1.0, 151_325.0, 101_325.0, 293.15), 4)
    1.0713

    Source: one-dimensional isentropic flow of an ideal gas (NACA Report 1135, from memory).
    """
    if area_m2 < 0.0 or cd < 0.0:
        raise ValueError("the area and the discharge coefficient are not below zero")
    if downstream_pa_abs < 0.0:
        raise ValueError("an absolute pressure is not below zero")
    if upstream_pa_abs <= 0.0 or temperature_k <= 0.0:
        raise ValueError("the pressure upstream and the temperature are above zero")
    # A pressure is never driven below the critical one in the throat, so the flow stops rising there.
    ratio = max(downstream_pa_abs / upstream_pa_abs, critical_ratio(gamma))
    if ratio >= 1.0:
        return 0.0
    exponents = ratio ** (2.0 / gamma) - ratio ** ((gamma + 1.0) / gamma)
    speed = 2.0 * gamma / ((gamma - 1.0) * GAS_CONSTANT_AIR * temperature_k)
    return float(cd * area_m2 * upstream_pa_abs * math.sqrt(speed * exponents))


def orifice_diameter(
    mass_flow: float,
    cd: float,
    upstream_pa_abs: float,
    downstream_pa_abs: float,
    temperature_k: float,
    gamma: float = GAMMA_AIR,
) -> float:
    """Return the diameter [m] of the round hole that passes a mass flow [kg/s] of air.

    The inverse of `orifice_mass_flow` in the area, ``d = sqrt(4 A / pi)``. Raises `ValueError` where the
    pressures drive no flow or the flow is negative.

    >>> round(1e3 * orifice_diameter(1.8637e-3, 1.0, 251_325.0, 101_325.0, 293.15), 3)
    2.0

    Source: one-dimensional isentropic flow of an ideal gas (NACA Report 1135, from memory).
    """
    per_area = orifice_mass_flow(1.0, cd, upstream_pa_abs, downstream_pa_abs, temperature_k, gamma)
    if per_area <= 0.0:
        raise ValueError("no pressure drives a flow through the hole")
    if mass_flow < 0.0:
        raise ValueError("the flow is not below zero")
    return math.sqrt(4.0 * mass_flow / (per_area * math.pi))
