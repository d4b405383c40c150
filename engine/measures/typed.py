"""What people type as a reading, turned into SI: number, unit, gauge or absolute, plus or minus."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from engine.measures.atmosphere import pressure_at_height
from engine.measures.declare import Input
from engine.measures.kinds import KINDS, Reference
from engine.measures.uncertainty import HALF_WIDTH_TO_STANDARD
from engine.units import UnitError, conversion

MAX_TYPED = 120
NUMBER = re.compile(r"[-+]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][-+]?[0-9]{1,3})?")
PLUS_MINUS = re.compile(r"±|\+/-|\+-")
PRESSURE_REFERENCE = re.compile(
    r"(?i)^(?P<unit>psi|bar|mbar|kpa|mpa|hpa|pa|mmhg|inhg)[ _]?\(?"
    r"(?P<reference>g|gauge|a|abs|absolute|v|vac|vacuum)\)?$"
)
POWERS = re.compile(r"(?P<unit>mm|cm|m|in)(?:\^|\*\*)?(?P<power>[23])\b|(?P<sup>mm|cm|m)(?P<mark>[²³])")
NAMES = {
    "K": "kelvin",
    "mohm": "milliohm",
    "mΩ": "milliohm",
    "Ω": "ohm",
    "cc": "cm3",
    "ccm": "cm3",
    "l": "liter",
    "lb": "pound",
    "lbs": "pound",
    "hp": "horsepower",
    "bhp": "horsepower",
    "ps": "metric_horsepower",
    "PS": "metric_horsepower",
    "mph": "mile_per_hour",
    "cst": "centistokes",
    "cSt": "centistokes",
    "ft": "foot",
    "in": "inch",
    "deg": "degree",
    "cfm": "cubic_feet_per_minute",
    "min": "minute",
    "h": "hour",
    "gal": "gallon",
    "C": "degC",
}


class TypedError(ValueError):
    """A text that is not a reading of its kind; `accepted` says what would be."""

    def __init__(self, message: str, accepted: str) -> None:
        self.accepted = accepted
        super().__init__(message)


@dataclass(frozen=True)
class Typed:
    """A reading in SI, with its standard uncertainty; `reference` is how a pressure was typed."""

    value: float
    uncertainty: float
    text: str
    reference: Reference | None = None
    height: bool = False


def read_typed(item: Input, text: str) -> Typed:
    """Return one reading of `item` from what was typed, as "100 kPa gauge", "85 degC" or "14 +/- 1 psi g".

    A plus-or-minus is the half width within which the reading surely lies. Raises `TypedError`.
    """
    if len(text) > MAX_TYPED:
        raise TypedError(f"is longer than {MAX_TYPED} signs", item.typed_as)
    main, *rest = PLUS_MINUS.split(text.strip())
    if len(rest) > 1:
        raise TypedError("has more than one plus-or-minus", item.typed_as)
    value, unit = _number_and_unit(item, main)
    half: tuple[float, str] | None = None
    if rest:
        half = _number_and_unit(item, rest[0])
        if half[0] < 0:
            raise TypedError("has a negative plus-or-minus", item.typed_as)
        if not unit and half[1] != "%":
            unit = half[1]
    height = item.kind == "atmosphere" and _is_length(unit)
    unit, reference, sign = _without_reference(item, unit)
    scale, offset = _conversion(item, unit, height)
    si = sign * (scale * value) + offset
    doubt = 0.0
    if half is not None:
        doubt = _half_width(item, half, unit, value, scale, height)
    elif item.doubt is not None:
        doubt = _default_doubt(item, si)
    if height:
        si = pressure_at_height(si)
        doubt = max(doubt, 500.0) if half is None else doubt * 12.0
    if not math.isfinite(si):
        raise TypedError("is not a finite number", item.typed_as)
    return Typed(si, doubt * HALF_WIDTH_TO_STANDARD, text.strip(), reference, height)


def _number_and_unit(item: Input, text: str) -> tuple[float, str]:
    text = text.strip()
    match = NUMBER.match(text)
    if match is None:
        raise TypedError(f"{text!r} does not begin with a number", item.typed_as)
    unit = text[match.end() :].strip()
    if unit[:1] == ",":
        raise TypedError(f"{text!r} has a comma in the number; write a point", item.typed_as)
    return float(match[0]), unit


def _without_reference(item: Input, unit: str) -> tuple[str, Reference | None, float]:
    """Return the bare unit, what the pressure is against, and the sign (a vacuum counts downwards)."""
    if item.kind not in ("pressure", "atmosphere"):
        return unit, None, 1.0
    match = PRESSURE_REFERENCE.match(unit)
    if item.kind == "atmosphere":
        if match is not None and match["reference"].lower() in ("g", "gauge", "v", "vac", "vacuum"):
            raise TypedError("the air pressure itself cannot be a gauge pressure", item.typed_as)
        return (unit if match is None else match["unit"]), None, 1.0
    if match is None:
        said = unit or "a number without a unit"
        raise TypedError(
            f"{said!r} does not say whether it is gauge (above the air pressure) or absolute",
            f"{item.typed_as.split(' ')[0]} kPa gauge or kPa abs",
        )
    word = match["reference"].lower()
    if word[0] == "v":
        return match["unit"], "gauge", -1.0
    return match["unit"], ("gauge" if word[0] == "g" else "absolute"), 1.0


def _is_length(unit: str) -> bool:
    return unit in ("m", "ft", "km", "foot", "feet", "meter", "metre")


def pint_name(unit: str) -> str:
    """Return the name pint knows for a unit as people type it."""
    unit = unit.replace("·", "*").replace("⋅", "*").replace("(", "").replace(")", "").replace(" per ", "/")
    parts = re.split(r"\s*([/*])\s*", unit.strip())
    named = [part if part in "/*" else _one_name(part) for part in parts]
    return "".join(named)


def _one_name(part: str) -> str:
    if match := POWERS.fullmatch(part):
        base = match["unit"] or match["sup"]
        power = match["power"] or {"²": "2", "³": "3"}[match["mark"]]
        base = {"in": "inch"}.get(base, base)
        return f"{base}*{base}" if power == "2" else f"{base}*{base}*{base}"
    name = NAMES.get(part, part)
    return _one_name(name) if name != part and POWERS.fullmatch(name) else name


def _denominators(name: str) -> str:
    """Return a/b*b written as a/b/b, so that a power under the line stays there."""
    top, *under = name.split("/")
    return "/".join([top, *(part.replace("*", "/") for part in under)])


def _conversion(item: Input, unit: str, height: bool) -> tuple[float, float]:
    kept = "meter" if height else KINDS[item.kind].unit
    if not unit:
        if item.kind in ("ratio", "count"):
            return 1.0, 0.0
        raise TypedError("has no unit", item.typed_as)
    if item.kind in ("ratio", "count") and unit == "%":
        return 0.01, 0.0
    if item.kind == "temperature_difference" and unit in ("degC", "C", "°C", "K"):
        return 1.0, 0.0
    if item.kind == "temperature_difference" and unit in ("degF", "F", "°F"):
        return 5.0 / 9.0, 0.0
    try:
        return conversion(_denominators(pint_name(unit)), kept)
    except UnitError as error:
        raise TypedError(str(error), item.typed_as) from error


def _half_width(
    item: Input, half: tuple[float, str], unit: str, value: float, scale: float, height: bool
) -> float:
    width, width_unit = half
    if width_unit == "%" and unit != "%":
        return abs(value * scale) * width / 100.0
    if not width_unit or width_unit == unit:
        return width * abs(scale)
    bare, _, _ = (
        _without_reference(item, width_unit)
        if item.kind == "pressure" and (PRESSURE_REFERENCE.match(width_unit))
        else (width_unit, None, 1.0)
    )
    return width * abs(_conversion(item, bare, height)[0])


def _default_doubt(item: Input, si: float) -> float:
    assert item.doubt is not None
    match = NUMBER.match(item.doubt)
    assert match is not None
    width, unit = float(match[0]), item.doubt[match.end() :].strip()
    if unit == "%" and item.kind != "fraction":
        return abs(si) * width / 100.0
    if not unit:
        return width
    return width * abs(_conversion(item, unit, height=False)[0])
