"""Fuel through injectors and pump: square-root law, duty cycle, mass balance, effect of voltage."""

from __future__ import annotations

import math
from collections.abc import Sequence

PER_VOLTAGE = 1.2
"""Per cent of flow for each per cent of voltage (common practice: some 9 % for a volt near 13.5 V)."""


def flow_at(flow: float, rated_pressure: float, pressure: float) -> float:
    """Return the static flow of an injector at a differential pressure, from that at its rated one.

    ``Q2 = Q1 sqrt(dp2 / dp1)``, any unit of flow, pressures in the same unit.

    >>> round(flow_at(500.0, 300.0, 400.0), 2)
    577.35

    Source: Bernoulli, flow through a fixed orifice; handbook.
    """
    return flow * math.sqrt(pressure / rated_pressure)


def duty_cycle(pulse: float, speed_rpm: float, shots_per_cycle: int = 1) -> float:
    """Return the duty cycle [1] of a pulse [s] at an engine speed [1/min]; a four-stroke cycle has two turns.

    ``duty = pulse shots n / 120``

    >>> round(duty_cycle(0.016, 6000.0), 3)
    0.8

    Source: definition.
    """
    return pulse * shots_per_cycle * speed_rpm / 120.0


def needed_flow(power: float, consumption: float, number: int, duty: float, density: float) -> float:
    """Return the static flow [m3/s] that each injector needs for a power [W].

    ``Q = P b / (n D rho)`` with the specific consumption b [kg/J], the duty D [1] and the density [kg/m3].

    >>> round(needed_flow(200e3, 340e-3 / 3.6e6, 4, 0.80, 745.0) * 6e7, 1)
    475.4

    Source: mass balance; handbook.
    """
    return power * consumption / (number * duty * density)


def between(x: float, xs: Sequence[float], ys: Sequence[float]) -> float:
    """Return y at x by straight lines between points of rising x; the ends are held.

    >>> between(12.5, (12.0, 13.0), (1.2, 1.0))
    1.1
    """
    if x <= xs[0]:
        return ys[0]
    for (x0, y0), (x1, y1) in zip(zip(xs, ys, strict=True), zip(xs[1:], ys[1:], strict=True), strict=False):
        if x <= x1:
            return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
    return ys[-1]


def demand(power: float, consumption: float, density: float) -> float:
    """Return the fuel [m3/s] that a power [W] asks, of a specific consumption [kg/J] and density [kg/m3].

    ``Q = P b / rho``

    >>> round(demand(250e3, 340e-3 / 3.6e6, 745.0) * 3.6e6, 3)
    114.094

    Source: mass balance; handbook.
    """
    return power * consumption / density


def at_voltage(flow: float, voltage: float, rated: float) -> float:
    """Return the flow of an electric pump at another voltage, from that at its rated one.

    ``Q = Q_r (1 + 1.2 (U / U_r - 1))``, any unit of flow, volts; not below zero. A straight line near the
    rated voltage, at one pressure.

    >>> round(at_voltage(200.0, 12.5, 13.5), 1)
    182.2

    Source: common practice; a pump turns with its voltage less what its load takes, so it loses more than
    in proportion.
    """
    return flow * max(0.0, 1.0 + PER_VOLTAGE * (voltage / rated - 1.0))
