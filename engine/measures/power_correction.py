"""Power correction: what a measured power would be on the reference day of a standard."""

from __future__ import annotations

import math

from engine.measures.declare import (
    Computed,
    Formula,
    Given,
    Input,
    Measure,
    Output,
    Published,
    Results,
    Told,
    wrong,
)
from engine.measures.limits import Limits
from engine.measures.moist_air import saturation_pressure

ISO_VALID = (0.93, 1.07)


def factor_sae_j1349(dry_pressure: float, temperature: float) -> float:
    """Return the correction factor of SAE J1349 for a dry pressure [Pa] and a temperature [K].

    ``1.18 (99 / pd) sqrt((t + 273) / 298) - 0.18``, pd in kPa, t in degC.

    >>> round(factor_sae_j1349(95_000.0, 308.15), 4)
    1.0703

    Source: SAE J1349 (formula from a public quotation and from memory; the standard was not read).
    """
    return 1.18 * (99_000.0 / dry_pressure) * math.sqrt(temperature / 298.15) - 0.18


def factor_iso_1585(dry_pressure: float, temperature: float) -> float:
    """Return the correction factor of ISO 1585 / UN R85 for petrol engines: ``(99/pd)^1.2 (T/298)^0.6``.

    >>> round(factor_iso_1585(95_000.0, 308.15), 4)
    1.0717

    Source: ISO 1585 (exponents from memory; the standard was not read).
    """
    return float((99_000.0 / dry_pressure) ** 1.2 * (temperature / 298.15) ** 0.6)


def factor_din_70020(pressure: float, temperature: float) -> float:
    """Return the correction factor of DIN 70020, by the total pressure [Pa]: ``(101.3/p) sqrt(T/293)``.

    >>> round(factor_din_70020(95_000.0, 308.15), 4)
    1.0932

    Source: DIN 70020, superseded (from memory; the standard was not read).
    """
    return (101_300.0 / pressure) * math.sqrt(temperature / 293.15)


def compute(given: Given) -> Computed:
    """Return the three factors and the corrected powers beside the measured one."""
    pressure, temperature = given.number("atmosphere"), given.number("temperature")
    vapour = given.number("humidity") * saturation_pressure(temperature)
    dry = pressure - vapour
    if dry <= 0.0:
        raise wrong("humidity", None, "there would be more vapour than air")
    factors = {
        "sae_j1349": factor_sae_j1349(dry, temperature),
        "iso_1585": factor_iso_1585(dry, temperature),
        "din_70020": factor_din_70020(pressure, temperature),
    }
    found: dict[str, float] = {"dry_pressure": dry}
    found |= {f"factor_{name}": factor for name, factor in factors.items()}
    power = given.optional("power")
    if power is not None:
        found["uncorrected"] = power
        found |= {f"power_{name}": power * factor for name, factor in factors.items()}
    return found


def tell(given: Given, results: Results, limits: Limits) -> Told:
    """Say how far the factors may be trusted, above all for a boosted engine."""
    iso = results.value("factor_iso_1585")
    says = [
        f"Factors: SAE J1349 {results.value('factor_sae_j1349'):.3f}, ISO 1585 {iso:.3f}, "
        f"DIN 70020 {results.value('factor_din_70020'):.3f}.",
        "Compare runs of one car on one day uncorrected; tell every figure with the name of its standard.",
    ]
    caveats = [
        "A boosted engine whose control makes up for thin air is corrected twice by any of these: show the "
        "uncorrected power first."
    ]
    if not ISO_VALID[0] <= iso <= ISO_VALID[1]:
        caveats.append(
            f"ISO 1585 allows factors of {ISO_VALID[0]} to {ISO_VALID[1]} only (from memory): "
            "on this day its corrected power is no valid figure."
        )
    return Told(says=says, caveats=caveats)


def _power(name: str, label: str) -> Output:
    return Output(f"power_{name}", f"Power corrected by {label}", "power")


MEASURE = Measure(
    id="power_correction",
    label="Corrected power",
    asks="What would a measured power be on the reference day of SAE J1349, ISO 1585 or DIN 70020?",
    inputs=(
        Input(
            "atmosphere",
            "Air pressure in the cell, or its height",
            "atmosphere",
            ("50 kPa", "110 kPa"),
            valid=("90 kPa", "105 kPa"),
            valid_because="the standards want the test nearer to their reference",
            doubt="0.3 kPa",
        ),
        Input(
            "temperature",
            "Temperature of the air that the engine takes",
            "temperature",
            ("-20 degC", "60 degC"),
            valid=("15 degC", "35 degC"),
            valid_because="the standards want the test nearer to their reference",
            doubt="1 K",
            example="35 degC",
        ),
        Input("humidity", "Relative humidity", "fraction", ("0 %", "100 %"), False, "0 %", doubt="5 %"),
        Input("power", "Measured power", "power", ("5 kW", "2000 kW"), False, doubt="2 %", example="200 kW"),
    ),
    outputs=(
        Output("uncorrected", "Power as measured", "power"),
        Output("dry_pressure", "Pressure of the dry air", "pressure", reference="absolute"),
        Output("factor_sae_j1349", "Factor by SAE J1349", "ratio"),
        Output("factor_iso_1585", "Factor by ISO 1585", "ratio"),
        Output("factor_din_70020", "Factor by DIN 70020", "ratio"),
        _power("sae_j1349", "SAE J1349"),
        _power("iso_1585", "ISO 1585"),
        _power("din_70020", "DIN 70020"),
    ),
    formulas=(
        Formula("1.18 (99/pd) sqrt((t+273)/298) - 0.18", "sae_j1349"),
        Formula("(99/pd)^1.2 ((t+273)/298)^0.6", "iso_1585"),
        Formula("(101.3/p) sqrt((t+273)/293)", "din_70020"),
        Formula("pv = phi 611.21 exp((18.678 - t/234.5) t / (257.14 + t))", "buck_1981"),
    ),
    assumes=(
        "SAE J1349 here takes a mechanical efficiency of 0.85.",
        "DIN 70020 counts the whole pressure, the others that of the dry air.",
    ),
    compute=compute,
    tell=tell,
    example={"atmosphere": "97 kPa", "temperature": "35 degC", "humidity": "60 %", "power": "200 kW"},
    cautions=("rotating_rollers", "exhaust_gas_co", "hearing"),
    published=(
        Published("factor_sae_j1349", 1.08854, 5e-4, "SAE J1349 formula, worked by hand"),
        Published("factor_iso_1585", 1.09070, 5e-4, "ISO 1585 formula, worked by hand"),
        Published("factor_din_70020", 1.07073, 5e-4, "DIN 70020 formula, worked by hand"),
    ),
)
