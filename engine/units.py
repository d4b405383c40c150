"""Units as people type them, turned into the one unit a quantity is kept in (pint does the work)."""

from __future__ import annotations

import math
import re
from functools import lru_cache

import pint

UNIT_TEXT = re.compile(r"^[A-Za-zµ°%][A-Za-z0-9µ°%_]*([ ]?[/*·][ ]?[A-Za-zµ°%][A-Za-z0-9µ°%_]*){0,3}$")
"""Names joined by / or *, no powers and no bare numbers: pint evaluates what it is given."""

ABSOLUTE = re.compile(r"(?i)^(psia|bara|kpaa|inhga|(psi|bar|mbar|kpa|pa|mmhg|inhg)[ _-]?(a|abs|absolute))$")
GAUGE = re.compile(r"(?i)^(psi|bar|mbar|kpa|pa|mmhg|inhg)[ _-]?\(?(g|gauge)\)?$")

ALIASES = {
    "psi": "psi",
    "kpa": "kPa",
    "bar": "bar",
    "mbar": "mbar",
    "pa": "Pa",
    "inhg": "inHg",
    "mmhg": "mmHg",
    "°c": "degC",
    "c": "degC",
    "celsius": "degC",
    "°f": "degF",
    "f": "degF",
    "fahrenheit": "degF",
    "%": "percent",
    "pct": "percent",
    "volts": "volt",
    "v": "volt",
    "1/min": "rpm",
    "deg": "degree",
    "°": "degree",
    "": "dimensionless",
    "lambda": "dimensionless",
}


class UnitError(ValueError):
    """A unit that is not known, or that measures something else."""


@lru_cache(maxsize=1)
def registry() -> pint.UnitRegistry[float]:
    """The one unit registry; built late because it takes a quarter of a second."""
    return pint.UnitRegistry(cache_folder=None)


@lru_cache(maxsize=2048)
def conversion(given: str, kept: str) -> tuple[float, float]:
    """Return (scale, offset) so that ``value_in_kept = scale * value_in_given + offset``.

    Raises `UnitError` for an unknown unit, a wrong dimension, and an absolute pressure: pressures are
    kept as gauge pressures, and the atmosphere to take off is not known.
    """
    text = given.strip()
    if ABSOLUTE.match(text):
        raise UnitError(
            f"{given!r} is an absolute pressure; give the gauge pressure (take off the local atmosphere)"
        )
    gauge = GAUGE.match(text)
    if gauge:
        text = gauge.group(1)
    text = ALIASES.get(text.lower(), text)
    if text != "dimensionless" and (len(text) > 24 or not UNIT_TEXT.match(text)):
        raise UnitError(f"{given[:40]!r} is not a unit")
    units = registry()
    try:
        source, target = units.Unit(text), units.Unit(kept)
    except Exception as error:
        raise UnitError(f"{given[:40]!r} is not a known unit") from error
    if source.dimensionality != target.dimensionality:
        raise UnitError(f"{given!r} does not measure the same thing as {kept!r}")
    try:
        zero = float(units.Quantity(0.0, source).to(target).magnitude)
        one = float(units.Quantity(1.0, source).to(target).magnitude)
        hundred = float(units.Quantity(100.0, source).to(target).magnitude)
    except Exception as error:
        raise UnitError(f"{given!r} cannot be turned into {kept!r}") from error
    return (hundred - zero) / 100.0 if zero else one, zero


def convert(value: float, given: str, kept: str) -> float:
    """Return `value` in the unit `kept`, rounded to 12 digits so that 212 degF is 100 degC and not above.

    Raises `UnitError` as `conversion` does, and for a value that is not finite.
    """
    scale, offset = conversion(given, kept)
    result = scale * value + offset
    if not math.isfinite(result):
        raise UnitError(f"{value!r} is not a finite number")
    return float(f"{result:.12g}")


def parse_quantity(text: str, kept: str) -> float:
    """Return "100 kPa" as a number in the unit `kept`; a bare number counts as already being in it."""
    number, _, unit = text.strip().partition(" ")
    try:
        value = float(number)
    except ValueError as error:
        raise UnitError(f"{text!r} does not begin with a number") from error
    return convert(value, unit.strip() or kept, kept)
