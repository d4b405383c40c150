"""Writes recordings of the model as log files: text in many forms, MDF4, and very large ones.

The example log of docs/ is made again, byte for byte, with

    python -m tests.logs.model_files

from the repository's root: `docs/examples/log_fuel_reference.csv`, a warm road car whose fuel pressure
regulator has lost its boost reference; lean at load is the consequence.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType

import numpy as np
import polars
from asammdf import MDF, Signal

from engine.logs.mapping import Mapping as ColumnsMapping
from engine.logs.stretch import Floats
from tests.logs.model import Recording, record, recorded
from tests.logs.model_car import car_of

EXAMPLE = Path(__file__).parents[2] / "docs" / "examples" / "log_fuel_reference.csv"
STOICHIOMETRIC_RATIO = 14.7
KPA_PER_PSI = 6.894757
UNITS = {
    "engine_speed": "rpm",
    "throttle": "%",
    "pedal": "%",
    "boost": "kPa",
    "boost_target": "kPa",
    "boost_duty": "%",
    "barometer": "kPa",
    "lambda": "",
    "lambda_target": "",
    "fuel_pressure": "kPa",
    "injector_duty": "%",
    "injector_pulse": "ms",
    "fuel_trim_short": "%",
    "fuel_trim_long": "%",
    "oil_pressure": "kPa",
    "oil_temperature": "°C",
    "coolant_temperature": "°C",
    "coolant_pressure": "kPa",
    "intake_temperature": "°C",
    "exhaust_temperature": "°C",
    "knock_retard": "°",
    "ignition_angle": "°",
    "battery_voltage": "V",
    "road_speed": "km/h",
    "driven_wheel_speed": "km/h",
    "undriven_wheel_speed": "km/h",
    "gear": "",
    "lateral_acceleration": "g",
    "longitudinal_acceleration": "g",
    "air_mass_flow": "g/s",
    "tank_pressure": "kPa",
    "crankcase_pressure": "kPa",
    "cut_active": "",
    "misfire_count": "",
}
SLOW = frozenset(
    {"oil_temperature", "coolant_temperature", "intake_temperature", "battery_voltage", "barometer"}
)
GERMAN = {
    "time": "Zeit",
    "engine_speed": "Motordrehzahl",
    "throttle": "Drosselklappe",
    "pedal": "Fahrpedal",
    "boost": "Saugrohrdruck",
    "boost_target": "Ladedruck soll",
    "barometer": "Umgebungsdruck",
    "lambda": "Lambda",
    "lambda_target": "Lambda soll",
    "fuel_pressure": "Kraftstoffdruck",
    "injector_pulse": "Einspritzzeit",
    "oil_pressure": "Öldruck",
    "oil_temperature": "Öltemperatur",
    "coolant_temperature": "Kühlmitteltemperatur",
    "intake_temperature": "Ansauglufttemperatur",
    "exhaust_temperature": "Abgastemperatur",
    "ignition_angle": "Zündwinkel",
    "battery_voltage": "Batteriespannung",
    "road_speed": "Geschwindigkeit",
    "gear": "Gang",
    "air_mass_flow": "Luftmasse",
}
FRENCH = {
    "time": "Temps",
    "engine_speed": "Régime moteur",
    "throttle": "Papillon",
    "boost": "Pression de suralimentation",
    "oil_pressure": "Pression huile",
    "oil_temperature": "Température huile",
    "coolant_temperature": "Température eau",
    "road_speed": "Vitesse",
    "gear": "Rapport",
}
SHORT = {
    "time": "Time",
    "engine_speed": "RPM",
    "throttle": "TPS",
    "pedal": "APP",
    "boost": "MAP",
    "boost_target": "Target MAP",
    "boost_duty": "WG duty",
    "lambda": "AFR",
    "lambda_target": "AFR target",
    "fuel_pressure": "Fuel press",
    "injector_duty": "IDC",
    "injector_pulse": "PW",
    "fuel_trim_short": "STFT",
    "fuel_trim_long": "LTFT",
    "oil_pressure": "Oil press",
    "oil_temperature": "EOT",
    "coolant_temperature": "CLT",
    "intake_temperature": "IAT",
    "exhaust_temperature": "EGT",
    "battery_voltage": "Vbat",
    "road_speed": "VSS",
    "lateral_acceleration": "G lat",
    "longitudinal_acceleration": "G long",
    "air_mass_flow": "MAF",
    "ignition_angle": "Timing",
    "barometer": "Baro",
}


@dataclass(frozen=True)
class Style:
    """How a logger writes: signs, words, units, and what is missing."""

    delimiter: str = ","
    decimal: str = "."
    words: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    units: str = "brackets"
    absolute: str | None = None
    ratio: bool = False
    imperial: bool = False
    rates: bool = False
    gaps: bool = False
    resets: bool = False


STYLES: Mapping[str, Style] = {
    "comma": Style(),
    "semicolon": Style(delimiter=";", decimal=",", words=GERMAN, units="row", absolute="bar"),
    "tab": Style(delimiter="\t", words=SHORT, units="row", absolute="psi", ratio=True, imperial=True),
    "french": Style(delimiter=";", decimal=",", words=FRENCH),
    "absolute": Style(words=SHORT, absolute="kPa", ratio=True),
    "rates": Style(units="row", rates=True),
    "gaps": Style(gaps=True),
    "resets": Style(words=SHORT, resets=True, absolute="kPa", ratio=True),
}


def write_csv(recording: Recording, path: Path, style: str = "comma") -> None:
    """Write a recording as text in one of the `STYLES`."""
    path.write_bytes(_head(recording, STYLES[style]) + _rows(recording, STYLES[style]))


def mapping_for(style: str) -> ColumnsMapping | None:
    """What a person would have to say of a file in a style; nothing for any of them yet."""
    assert style in STYLES
    return None


def _converted(name: str, values: Floats, recording: Recording, style: Style) -> tuple[Floats, str]:
    unit = UNITS[name]
    if name in ("boost", "boost_target") and style.absolute is not None:
        absolute = values + recording.car.air_kpa
        per = {"kPa": 1.0, "bar": 100.0, "psi": KPA_PER_PSI}[style.absolute]
        return absolute / per, style.absolute
    if name in ("lambda", "lambda_target") and style.ratio:
        return values * STOICHIOMETRIC_RATIO, ""
    if style.imperial and unit == "°C":
        return values * 1.8 + 32.0, "°F"
    if style.imperial and unit == "kPa" and name != "barometer":
        return values / KPA_PER_PSI, "psi"
    if style.imperial and unit == "km/h":
        return values / 1.609344, "mph"
    return values, unit


def _columns(recording: Recording, style: Style) -> list[tuple[str, str, str, Floats]]:
    """Return channel, written name, unit and values of each column, the time first."""
    columns = [("time", style.words.get("time", "Time"), "s", _times(recording, style))]
    for name, kept in recording.channels.items():
        values, unit = _converted(name, kept, recording, style)
        written = style.words.get(name, name.replace("_", " ").capitalize())
        columns.append((name, written, unit, values))
    return columns


def _times(recording: Recording, style: Style) -> Floats:
    time = recording.time
    if not style.resets:
        return time
    # A logger that is switched off and on: each third of the session has its own clock.
    third = np.minimum((3 * np.arange(time.size)) // time.size, 2)
    starts = np.array([time[int(np.argmax(third == i))] for i in range(3)])
    return np.asarray(time - starts[third], dtype=np.float64)


def _head(recording: Recording, style: Style) -> bytes:
    columns = _columns(recording, style)
    if style.units == "row":
        lines = [[written for _, written, _, _ in columns], [unit or "-" for _, _, unit, _ in columns]]
    else:
        lines = [[f"{written} [{unit}]" if unit else written for _, written, unit, _ in columns]]
    return "".join(style.delimiter.join(line) + "\n" for line in lines).encode()


def _rows(recording: Recording, style: Style, digits: int = 4) -> bytes:
    columns = _columns(recording, style)
    keep = np.ones(recording.time.size, dtype=bool)
    if style.gaps:
        load = recording.channels["throttle"]
        calm = np.flatnonzero((load < 50.0) & (recording.time > 30.0))
        for at in (calm[calm.size // 3], calm[calm.size // 2]):
            keep &= ~((recording.time >= recording.time[at]) & (recording.time < recording.time[at] + 7.0))
    data = {}
    for name, written, _, values in columns:
        series = polars.Series(written, values[keep])
        if style.rates and name in SLOW:
            every = np.arange(series.len()) % 10 == 0
            series = polars.Series(written, np.where(every, values[keep], np.nan)).fill_nan(None)
        data[f"{name}"] = series
    text = io.BytesIO()
    polars.DataFrame(data).write_csv(
        text, include_header=False, separator=style.delimiter, float_precision=digits, null_value=""
    )
    rows = text.getvalue()
    return rows.replace(b".", b",") if style.decimal == "," else rows


def write_mdf4(recording: Recording, path: Path) -> None:
    """Write a recording as MDF4: slow channels in a group of their own at a tenth of the rate."""
    slow = [name for name in recording.channels if name in SLOW]
    fast = [name for name in recording.channels if name not in SLOW]
    with MDF(version="4.10") as file:
        for names, every in ((fast, 1), (slow, 10)):
            signals = [
                Signal(
                    samples=recording.channels[name][::every],
                    timestamps=recording.time[::every],
                    name=name,
                    unit=UNITS[name],
                )
                for name in names
            ]
            if signals:
                file.append(signals)
        file.save(path, overwrite=True)


LARGE = frozenset(UNITS) - {"undriven_wheel_speed", "driven_wheel_speed", "exhaust_temperature", "cut_active"}


def stream_csv(target_bytes: int, path: Path, hertz: float = 50.0) -> int:
    """Write a log of at least `target_bytes`: sessions of five cars, one of them lean, again and again.

    Returns the seconds of log that it holds. Each session begins with the engine off.
    """
    sessions = [
        record(seed, {"lean": 0.08} if seed == 3 else {}, also_logged=LARGE, sample_hz=hertz)
        for seed in range(5)
    ]
    sessions = [
        replace(one, channels={name: one.channels[name] for name in sorted(LARGE)}) for one in sessions
    ]
    style = STYLES["comma"]
    start = 0.0
    with path.open("wb") as stream:
        written = stream.write(_head(sessions[0], style))
        number = 0
        while written < target_bytes:
            session = sessions[number % len(sessions)]
            written += stream.write(_rows(replace(session, time=session.time + start), style, 2))
            start += float(session.time[-1]) + 1.0 / hertz
            number += 1
    return round(start)


EXAMPLE_COLUMNS = (
    "engine_speed",
    "throttle",
    "boost",
    "boost_target",
    "barometer",
    "lambda",
    "lambda_target",
    "fuel_pressure",
    "injector_duty",
    "fuel_trim_short",
    "knock_retard",
    "oil_pressure",
    "oil_temperature",
    "coolant_temperature",
    "intake_temperature",
    "battery_voltage",
    "road_speed",
    "gear",
)


def example() -> Recording:
    """Return the session of the example log: 20 samples per second, fuel pressure without its reference."""
    car = replace(
        car_of(11, dyno=False, also_logged=frozenset(EXAMPLE_COLUMNS)),
        boost_kpa=85.0,
        spring_kpa=50.0,
        fuel_base_kpa=300.0,
        air_kpa=100.0,
        start_degc=80.0,
        lambda_full=0.8,
        sample_hz=20.0,
        coarse=False,
        noise=0.8,
        knock_flicker=0.0,
    )
    made = recorded(car, {"fuel_reference_lost": 1.0}, short=True)
    return replace(made, channels={name: made.channels[name] for name in EXAMPLE_COLUMNS})


def example_bytes() -> bytes:
    """Return the example log as text."""
    style = Style(words={"boost": "Manifold absolute pressure", "boost_target": "Target MAP"}, absolute="kPa")
    made = example()
    return _head(made, style) + _rows(made, style, 3).replace(b".000,", b",").replace(b".000\n", b"\n")


if __name__ == "__main__":
    EXAMPLE.parent.mkdir(parents=True, exist_ok=True)
    EXAMPLE.write_bytes(example_bytes())
