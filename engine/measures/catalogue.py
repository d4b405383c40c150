"""Every measure, by its id."""

from __future__ import annotations

from importlib import import_module
from importlib.util import find_spec

from engine.errors import UnknownEntryError
from engine.measures.declare import Measure
from engine.nearest import nearest

MODULES: tuple[str, ...] = (
    "boost_leak",
    "joint_thrust",
    "wideband_leak",
    "exhaust_lambda",
    "injectors",
    "injector_set",
    "fuel_pressure",
    "fuel_pump",
    "oil_pressure",
    "oil_viscosity",
    "compression",
    "leak_down",
    "cooling",
    "coolant_pressure",
    "supply",
    "charging",
    "air_density",
    "charge_heat",
    "power_correction",
    "crankcase_vent",
    "oil_drain",
)
"""The modules of the measures; each holds one `MEASURE`, or several in `MEASURES`."""


def measures() -> dict[str, Measure]:
    """Return every measure by its id, in the order in which a page shows them."""
    found: dict[str, Measure] = {}
    for name in MODULES:
        if find_spec(f"engine.measures.{name}") is None:
            continue
        module = import_module(f"engine.measures.{name}")
        several: tuple[Measure, ...] = getattr(module, "MEASURES", None) or (module.MEASURE,)
        for measure in several:
            found[measure.id] = measure
    return found


def measure_by_id(measure_id: str) -> Measure:
    """Return one measure; raises `UnknownEntryError` with the nearest known ids."""
    known = measures()
    if measure_id not in known:
        raise UnknownEntryError("measure", measure_id, nearest(measure_id, known) or tuple(known))
    return known[measure_id]
