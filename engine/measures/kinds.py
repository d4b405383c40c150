"""What a reading can be: its SI unit inside, the unit it is shown in, and how people type it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

KindName = Literal[
    "pressure",
    "atmosphere",
    "pressure_difference",
    "temperature",
    "temperature_difference",
    "length",
    "area",
    "volume",
    "mass",
    "mass_flow",
    "volume_flow",
    "time",
    "engine_speed",
    "road_speed",
    "voltage",
    "current",
    "resistance",
    "power",
    "specific_consumption",
    "fraction",
    "ratio",
    "count",
    "density",
    "viscosity",
    "angle",
    "force",
    "pressure_rate",
    "throughput",
    "thermal_power",
    "choice",
]
Reference = Literal["gauge", "absolute"]


@dataclass(frozen=True)
class Kind:
    """`unit` is what calculations use (pint's name), `shown` what people read, `example` what they type."""

    unit: str
    shown: str
    example: str


KINDS: dict[KindName, Kind] = {
    "pressure": Kind("pascal", "kPa", "100 kPa gauge"),
    "atmosphere": Kind("pascal", "kPa", "98 kPa or 500 m"),
    "pressure_difference": Kind("pascal", "kPa", "20 kPa"),
    "temperature": Kind("kelvin", "degC", "85 degC"),
    "temperature_difference": Kind("kelvin", "K", "12 K"),
    "length": Kind("meter", "mm", "51 mm"),
    "area": Kind("meter ** 2", "mm2", "35 mm2"),
    "volume": Kind("meter ** 3", "L", "10 L"),
    "mass": Kind("kilogram", "kg", "1.2 kg"),
    "mass_flow": Kind("kilogram / second", "g/s", "200 g/s"),
    "volume_flow": Kind("meter ** 3 / second", "L/min", "20 L/min"),
    "time": Kind("second", "s", "30 s"),
    "engine_speed": Kind("rpm", "rpm", "3000 rpm"),
    "road_speed": Kind("meter / second", "km/h", "80 km/h"),
    "voltage": Kind("volt", "V", "12.4 V"),
    "current": Kind("ampere", "A", "80 A"),
    "resistance": Kind("ohm", "mohm", "5 mohm"),
    "power": Kind("watt", "kW", "200 kW"),
    "specific_consumption": Kind("kilogram / joule", "g/kWh", "340 g/kWh"),
    "fraction": Kind("dimensionless", "%", "20 %"),
    "ratio": Kind("dimensionless", "", "0.82"),
    "count": Kind("dimensionless", "", "4"),
    "density": Kind("kilogram / meter ** 3", "kg/m3", "745 kg/m3"),
    "viscosity": Kind("meter ** 2 / second", "mm2/s", "14 mm2/s"),
    "angle": Kind("radian", "deg", "30 deg"),
    "force": Kind("newton", "N", "680 N"),
    "throughput": Kind("pascal * meter ** 3 / second", "Pa*m3/s", "1.7 Pa*m3/s"),
    "thermal_power": Kind("watt", "W", "20 W"),
    "pressure_rate": Kind("pascal / second", "kPa/min", "20 kPa/min"),
    "choice": Kind("dimensionless", "", ""),
}
