"""Exhaust gas built from its elements, to hold a formula against."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

WATER_GAS = 3.5
"""CO H2O / (CO2 H2), the constant that Brettschneider's formula has in it."""

NITROGEN = (1.0 - 0.2095) / 0.2095
"""All that is not oxygen in dry air, to one of oxygen; reference.md section 8."""


@dataclass(frozen=True)
class Gas:
    """Moles to one of carbon in the fuel."""

    co2: float
    co: float
    h2o: float
    h2: float
    o2: float
    n2: float

    def with_air(self, oxygen: float) -> Gas:
        """The gas with air that brings so much oxygen."""
        return Gas(self.co2, self.co, self.h2o, self.h2, self.o2 + oxygen, self.n2 + NITROGEN * oxygen)

    def dry_percent(self) -> tuple[float, float, float]:
        """CO2, CO and O2 in per cent of the dry gas, as an analyser shows them."""
        dry = self.co2 + self.co + self.h2 + self.o2 + self.n2
        return 100.0 * self.co2 / dry, 100.0 * self.co / dry, 100.0 * self.o2 / dry


def oxygen_needed(h: float, o: float = 0.0) -> float:
    """Moles of oxygen that burn one CH_hO_o wholly."""
    return 1.0 + h / 4.0 - o / 2.0


def burnt(lam: float, h: float, o: float = 0.0) -> Gas:
    """The gas of CH_hO_o burnt at lambda: no oxygen left where rich, water-gas equilibrium."""
    oxygen = lam * oxygen_needed(h, o)
    if lam >= 1.0:
        return Gas(1.0, 0.0, h / 2.0, 0.0, oxygen - oxygen_needed(h, o), NITROGEN * oxygen)
    # C: co2 + co = 1; H: h2o + h2 = h/2; O: 2 co2 + co + h2o = 2 oxygen + o. With co = x:
    # h2o = 2 oxygen + o - 2 + x, h2 = h/2 - h2o, and x h2o = K (1 - x) h2: a quadratic in x.
    a, b = 2.0 * oxygen + o - 2.0, h / 2.0
    k = WATER_GAS
    roots = np.roots([1.0 - k, a + k * (b - a) + k, -k * (b - a)])
    x = next(float(r.real) for r in roots if 0.0 < r.real < 1.0 and abs(r.imag) < 1e-12 and a + r.real > 0.0)
    water = a + x
    return Gas(1.0 - x, x, water, b - water, 0.0, NITROGEN * oxygen)
