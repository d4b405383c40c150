"""What the numbers of a column mean: their unit, and what a pressure is counted from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from engine.logs.layout import Question
from engine.logs.naming import UNIT_TAIL, reference_said
from engine.logs.stretch import Floats
from engine.measures.typed import pint_name
from engine.model import Channel
from engine.units import UnitError, conversion

Reference = Literal["gauge", "absolute"]

ATMOSPHERE_KPA = 101.325
ENGINE_OFF_RPM = 50.0
IDLE_RPM = (500.0, 1300.0)
LEAST_SAMPLES = 5
FAHRENHEIT_BELOW = 300.0
"""Channels whose credible temperatures stay below this [degC] are told from degF by numbers above 150."""
DOUBTFUL = frozenset({"degC", "degF", "km/h", "g/s", "ms"})
"""Units that a column without one is taken in with a caveat: another is as usual somewhere."""

NAMES = {
    "1/min": "rpm",
    "u/min": "rpm",
    "rev/min": "rpm",
    "r/min": "rpm",
    "tr/min": "rpm",
    "giri/min": "rpm",
    "obr/min": "rpm",
    "min-1": "rpm",
    "min^-1": "rpm",
    "min⁻¹": "rpm",
    "kmh": "km/h",
    "kph": "km/h",
    "kilometer_per_hour": "km/h",
    "°": "degree",
    "°ka": "degree",
    "°ca": "degree",
    "deg": "degree",
    "degbtdc": "degree",
    "sec": "s",
    "secs": "s",
    "seconds": "s",
    "msec": "ms",
    "v": "volt",
    "mv": "millivolt",
    "c": "degC",
    "°c": "degC",
    "degc": "degC",
    "deg c": "degC",
    "f": "degF",
    "°f": "degF",
    "degf": "degF",
    "deg f": "degF",
    "k": "kelvin",
    "%": "percent",
    "pct": "percent",
    "hpa": "hPa",
    "kpa": "kPa",
    "mpa": "MPa",
    "pa": "Pa",
    "inhg": "inHg",
    "mmhg": "mmHg",
    "lambda": "dimensionless",
    "λ": "dimensionless",
    "afr": "dimensionless",
    "la": "dimensionless",
    "lam": "dimensionless",
    "ratio": "dimensionless",
    ":1": "dimensionless",
    "-": "dimensionless",
    "": "dimensionless",
    "celsius": "degC",
    "fahrenheit": "degF",
    "kelvin": "kelvin",
    "kg/cm2": "technical_atmosphere",
    "kg/cm²": "technical_atmosphere",
    "kgf/cm2": "technical_atmosphere",
    "kgf/cm²": "technical_atmosphere",
    "kpaa": "kPa",
    "kpag": "kPa",
    "lb/min": "pound/minute",
    "°btdc": "degree",
    "degca": "degree",
    "m/s2": "meter/second/second",
    "m/s²": "meter/second/second",
    "m/s^2": "meter/second/second",
}
AT_REST = (("kPa", 101.3), ("bar", 1.013), ("psi", 14.7), ("mbar", 1013.0), ("mmHg", 760.0), ("inHg", 29.9))
"""What an absolute pressure sensor reads of the air, by unit; only one of them fits a number."""


def known_unit(written: str, kept: str) -> str | None:
    """Return the name that the unit library knows for a unit as a logger writes it, or None.

    A bare g is taken as the acceleration of free fall where the channel is one.
    """
    text = written.strip()
    lower = text.lower()
    if kept == "g_0" and lower in ("g", "g0", ""):
        return "g_0"
    if (tail := UNIT_TAIL.search(lower)) is not None and tail.start() > 0:
        lower, text = lower[: tail.start()].strip(), text[: tail.start()].strip()
    for word in ("psia", "psig"):
        if lower == word:
            text, lower = "psi", "psi"
    for word in ("bara", "barg"):
        if lower == word:
            text, lower = "bar", "bar"
    name = NAMES.get(lower, NAMES.get(text, text))
    if kept == "dimensionless" and name != "dimensionless":
        return None
    for candidate in (name, name.lower()):
        try:
            conversion(pint_name(candidate) if candidate == name else candidate, kept)
        except UnitError:
            continue
        return pint_name(candidate) if candidate == name else candidate
    return None


@dataclass(frozen=True)
class Meaning:
    """How the numbers of a column become the kept unit: ``kept = number * scale + offset``.

    `reference` is what a pressure is counted from; None for other channels. With a `question` the column
    cannot be used yet.
    """

    unit: str
    scale: float
    offset: float
    reference: Reference | None
    why: str
    assumed: str | None = None
    question: Question | None = None


@dataclass(frozen=True)
class Sample:
    """The head of a column with the engine speed and the load beside it.

    `fahrenheit` says that another temperature of the same log is in degF.
    """

    values: Floats
    speed: Floats | None
    load: Floats | None
    fahrenheit: bool = False

    def at_rest(self) -> Floats:
        """Return the samples with the engine off, empty where that is never known to be."""
        if self.speed is None:
            return np.empty(0)
        off = self.values[(self.speed < ENGINE_OFF_RPM) & ~np.isnan(self.values)]
        return off if off.size >= LEAST_SAMPLES else np.empty(0)

    def at_idle(self) -> Floats:
        """Return the samples at idle, empty where that is never known to be."""
        if self.speed is None:
            return np.empty(0)
        flags = (self.speed > IDLE_RPM[0]) & (self.speed < IDLE_RPM[1]) & ~np.isnan(self.values)
        if self.load is not None:
            flags &= self.load < 20.0
        idle = self.values[flags]
        return idle if idle.size >= LEAST_SAMPLES else np.empty(0)


def meaning_of(column: str, name: str, short: str, channel: Channel, written: str, sample: Sample) -> Meaning:
    """Return what the numbers of a column mean, from its unit, its name and the head of the log."""
    if channel.reference is not None:
        return _pressure(column, name, short, channel, written, sample)
    if written == "share" and channel.unit == "percent":
        return Meaning("share", 100.0, 0.0, None, "shares from 0 to 1")
    unit = known_unit(written, channel.unit) if written else None
    if written and unit is None and not _no_unit_needed(short, channel):
        accepted = [f"a unit of {channel.label.lower()}, as {channel.unit}"]
        if short in MIXTURE:
            accepted = ["lambda", "afr"]
        question = f"{written!r} of {column!r} is no unit of {channel.label.lower()}. In which unit is it?"
        return Meaning(
            "",
            1.0,
            0.0,
            None,
            "",
            question=Question(column=column, channel=short, question=question, accepted=accepted),
        )
    if unit is not None:
        scale, offset = conversion(unit, channel.unit)
        return Meaning(
            written.strip() or channel.unit, scale, offset, None, f"unit {written.strip() or unit}"
        )
    return _without_unit(channel, sample)


MIXTURE = frozenset({"lambda", "lambda_target", "air_fuel_ratio", "air_fuel_ratio_target"})
"""Channels without a unit whose unit counts nevertheless: a sensor's volts are no lambda."""


def _no_unit_needed(short: str, channel: Channel) -> bool:
    return channel.unit == "dimensionless" and short not in MIXTURE


def _without_unit(channel: Channel, sample: Sample) -> Meaning:
    """Return the meaning of a column that has no unit, where its numbers can be told."""
    known = sample.values[~np.isnan(sample.values)]
    top = float(np.percentile(known, 99)) if known.size else 0.0
    unit = channel.unit
    if unit == "degC" and (sample.fahrenheit or (channel.maximum < FAHRENHEIT_BELOW and top > 150.0)):
        unit = "degF"
    if unit == "percent" and _is_share(channel, known):
        return Meaning(
            "share", 100.0, 0.0, None, "shares from 0 to 1", "no unit is written; taken as shares from 0 to 1"
        )
    if unit == "dimensionless":
        return Meaning("", 1.0, 0.0, None, "")
    scale, offset = conversion(unit, channel.unit)
    said = f"no unit is written; taken in {unit}"
    return Meaning(unit, scale, offset, None, said, said if unit in DOUBTFUL else None)


def _is_share(channel: Channel, known: Floats) -> bool:
    """Whether numbers that should be per cent run from 0 to 1, as an opening or a duty may.

    A trim within 1 % is a good trim and no share, and neither is a throttle that only idles.
    """
    if channel.minimum < -20.0 or known.size < LEAST_SAMPLES:
        return False
    low, high = float(np.percentile(known, 1)), float(np.percentile(known, 99))
    return high <= 1.05 and high - low > 0.3 and bool(np.any(known != np.round(known)))


def _pressure(column: str, name: str, short: str, channel: Channel, written: str, sample: Sample) -> Meaning:
    def ask(text: str, accepted: list[str]) -> Meaning:
        question = Question(column=column, channel=short, question=text, accepted=accepted)
        return Meaning(written, 1.0, 0.0, None, "", question=question)

    # An air pressure reads the air always, other pressures with the engine off.
    rest = sample.values[~np.isnan(sample.values)] if short == "barometer" else sample.at_rest()
    if not written:
        fits = _unit_at_rest(rest)
        if fits is None:
            return ask(
                f"In which unit is {column!r}, and is it gauge or absolute?",
                ["kPa gauge", "kPa absolute", "psi gauge"],
            )
        unit, why_unit = fits, f"reads the air at rest as in {fits}"
    else:
        found = known_unit(written, "kPa")
        if found is None:
            return ask(
                f"{written!r} of {column!r} is no unit of pressure. In which unit is it?",
                ["kPa", "psi", "bar"],
            )
        unit, why_unit = found, f"unit {written}"
    scale, offset = conversion(unit, "kPa")
    kpa = Sample(sample.values * scale + offset, sample.speed, sample.load)
    said, shown = reference_said(name, written), _reference_shown(kpa, manifold=short in MANIFOLD)
    if said is not None and shown is not None and said != shown:
        text = f"{column!r} is called {said}, but its numbers look {shown}. Is it gauge or absolute?"
        return ask(text, ["gauge", "absolute"])
    decided = said or shown
    if decided is None and short == "barometer":
        decided, why = "absolute", "the air pressure itself is absolute"
    elif decided is None and short in MANIFOLD:
        return ask(f"Is {column!r} gauge (above the air) or absolute pressure?", ["gauge", "absolute"])
    elif decided is None:
        why = "taken as gauge, as sensors of this pressure are as a rule"
        return Meaning(written or unit, scale, offset, "gauge", f"{why_unit}; {why}", why)
    else:
        why = f"{decided} by its {'name' if said else 'numbers'}"
    return Meaning(written or unit, scale, offset, _as_reference(decided), f"{why_unit}; {why}")


MANIFOLD = frozenset({"boost", "boost_target"})


def _as_reference(text: str) -> Reference:
    return "gauge" if text == "gauge" else "absolute"


def _unit_at_rest(rest: Floats) -> str | None:
    """Return the unit in which the engine at rest reads the air, if its numbers fit one."""
    if rest.size == 0:
        return None
    middle = float(np.median(rest))
    fits = [unit for unit, air in AT_REST if 0.8 * air <= middle <= 1.06 * air]
    return fits[0] if len(fits) == 1 else None


def _reference_shown(kpa: Sample, *, manifold: bool) -> Reference | None:
    """Return what the numbers [kPa] prove of a pressure; None where they prove nothing.

    With the engine off every sensor reads the air: some 75 to 108 absolute, about nothing as gauge. A
    manifold is below the air at idle: 15 to 80 absolute, and no absolute pressure is below zero.
    """
    known = kpa.values[~np.isnan(kpa.values)]
    if known.size and float(np.percentile(known, 2)) < -8.0:
        return "gauge"
    rest = kpa.at_rest()
    if rest.size:
        middle = float(np.median(rest))
        if 75.0 <= middle <= 108.0:
            return "absolute"
        if abs(middle) <= 8.0:
            return "gauge"
    idle = kpa.at_idle()
    if manifold and idle.size and 15.0 <= float(np.median(idle)) <= 80.0:
        return "absolute"
    return None


def same_as_measured(
    target: Floats, measured: Floats, load: Floats | None, reference: Reference
) -> Reference | None:
    """Return the reference of a boost target [kPa] that brings it to the measured boost at full load.

    `measured` is counted from `reference`. None where neither fits clearly better.
    """
    flags = ~np.isnan(target) & ~np.isnan(measured)
    if load is not None:
        flags &= load > 80.0
    if int(flags.sum()) < LEAST_SAMPLES:
        return None
    apart = target[flags] - measured[flags]
    other = apart - ATMOSPHERE_KPA if reference == "gauge" else apart + ATMOSPHERE_KPA
    same, different = float(np.median(np.abs(apart))), float(np.median(np.abs(other)))
    if same < 60.0 and same < 0.6 * different:
        return reference
    if different < 60.0 and different < 0.6 * same:
        return "absolute" if reference == "gauge" else "gauge"
    return None


def rescaled(meaning: Meaning, scale: float | None, offset: float | None) -> Meaning:
    """Return a meaning whose numbers are first multiplied and shifted, as a mapping asks."""
    if scale is None and offset is None:
        return meaning
    by, add = 1.0 if scale is None else scale, offset or 0.0
    return Meaning(
        meaning.unit,
        meaning.scale * by,
        meaning.offset + meaning.scale * add,
        meaning.reference,
        meaning.why,
        meaning.assumed,
        meaning.question,
    )
