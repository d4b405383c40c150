"""Oil pressure against speed and temperature: the rule of thumb, the maker's figure, the gauge itself."""

from __future__ import annotations

from collections.abc import Sequence

from engine.measures.declare import (
    TO_CONVERT,
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
from engine.measures.oil_readings import OilReading, judge_readings, judge_rest
from engine.measures.oil_viscosity import AT_40, AT_100, GRADE, ZERO_CELSIUS_K, Oil, oil_given

RULE_PA_PER_RPM = 68_947.57 / 1000.0
"""10 psi for each 1,000 rpm."""

HOT_K = 90.0 + ZERO_CELSIUS_K
"""Where the rule of thumb is taken to hold; common practice says no more than hot."""

RELIEF_MAY_CAP_RPM = 4000.0
"""From here a relief valve may hold the pressure below the rule of thumb."""


def rule_of_thumb(speed_rpm: float) -> float:
    """Return the oil pressure [Pa gauge] that the rule of thumb asks for at an engine speed [rpm], oil hot.

    ``p = 10 psi per 1000 rpm``. The maker's figure overrides it, and a relief valve may cap it.

    >>> round(rule_of_thumb(800.0) / 1e3, 1), round(rule_of_thumb(6000.0) / 1e3, 1)
    (55.2, 413.7)

    Source: common practice; pages say 7 to 10 psi.
    """
    return RULE_PA_PER_RPM * speed_rpm


def expected_at(pressure: float, oil: Oil, temperature_k: float, relief: float | None = None) -> float:
    """Return the pressure [Pa gauge] that hot oil of `pressure` would show at a temperature [K].

    ``p(T) = p(90 degC) nu(T) / nu(90 degC)``, no more than the relief [Pa gauge]. A pump that moves a fixed
    volume through bearing gaps in laminar flow makes a pressure in proportion to the viscosity; flow in
    passages and the leakage of the pump follow it less, so the truth lies between this and no change.

    >>> oil = Oil(90e-6, 14e-6)
    >>> round(expected_at(200e3, oil, 120.0 + ZERO_CELSIUS_K) / 1e3)
    105
    >>> expected_at(200e3, oil, 40.0 + ZERO_CELSIUS_K, relief=500e3) / 1e3
    500.0

    Source: Hagen-Poiseuille, flow through a gap in laminar flow; the density is taken as constant.
    """
    expected = pressure * oil.viscosity(temperature_k) / oil.viscosity(HOT_K)
    return expected if relief is None else min(expected, relief)


def swing(readings: Sequence[float]) -> float:
    """Return the swing of readings at one speed, highest less lowest, in their unit.

    >>> swing([300.0, 330.0, 310.0])
    30.0

    Source: common practice, peak to peak.
    """
    return max(readings) - min(readings)


def readings_of(given: Given) -> tuple[OilReading, ...]:
    """Return the pressures with their speeds and temperatures; raises `InputError` where they do not pair."""
    pressures, speeds = given.many("pressures"), given.many("speeds")
    temperatures: tuple[float | None, ...] = given.many("temperatures")
    if len(pressures) != len(speeds):
        message = f"{len(speeds)} speeds do not go with {len(pressures)} pressures"
        raise wrong("speeds", None, message, ("one speed for each pressure",))
    if len(temperatures) == 1:
        temperatures *= len(pressures)
    if temperatures and len(temperatures) != len(pressures):
        message = f"{len(temperatures)} temperatures do not go with {len(pressures)} pressures"
        raise wrong("temperatures", None, message, ("one for all, or one for each pressure",))
    if not temperatures:
        temperatures = (None,) * len(pressures)
    return tuple(OilReading(*parts) for parts in zip(pressures, speeds, temperatures, strict=True))


def compute(given: Given) -> Computed:
    """Return what the rule asks for, how far the readings lie above it, swing, and the gauges' difference."""
    dash, mechanical = given.many("dash"), given.many("mechanical")
    readings = readings_of(given)
    if len(dash) != len(mechanical):
        message = f"{len(dash)} readings of the dash do not go with {len(mechanical)} of the mechanical gauge"
        raise wrong("mechanical", None, message, ("as many as of the dash",))
    if not readings and not given.has("steady") and not dash:
        message = "pressures with speeds, steady readings, or dash and mechanical readings are needed"
        raise wrong("pressures", None, message, ("55/140/210 kPa gauge",))
    if given.has("maker_minimum") != given.has("maker_speed"):
        missing = "maker_speed" if given.has("maker_minimum") else "maker_minimum"
        raise wrong(missing, None, "the maker's minimum comes with the speed it holds at", ("2000 rpm",))
    results: dict[str, float | list[float]] = {}
    if readings:
        results["expected"] = [rule_of_thumb(r.speed_rpm) for r in readings]
        results["margin"] = [r.pressure - rule_of_thumb(r.speed_rpm) for r in readings]
    oil, relief = oil_given(given), given.optional("relief")
    if oil is not None and readings and all(r.temperature_k is not None for r in readings):
        temperatures = [r.temperature_k for r in readings if r.temperature_k is not None]
        results["viscosity"] = [oil.viscosity(t) for t in temperatures]
        results["expected_at_temperature"] = [
            expected_at(rule_of_thumb(r.speed_rpm), oil, t, relief)
            for r, t in zip(readings, temperatures, strict=True)
        ]
    if given.has("steady"):
        results["swing"] = swing(given.many("steady"))
    if dash:
        results["dash_difference"] = [d - m for d, m in zip(dash, mechanical, strict=True)]
    return results


def tell(given: Given, results: Results, limits: Limits) -> Told:
    """Say whether the pressure is there, whether to believe it, and what the triage can take."""
    readings = readings_of(given)
    judged = judge_readings(given, readings, results, limits)
    rest = judge_rest(given, results, limits)
    says = [
        *judged.says,
        *_short_of_rule(readings, results),
        *_against_viscosity(readings, results),
        *rest.says,
    ]
    caveats = [*judged.caveats, *rest.caveats]
    if readings and not given.has("temperatures"):
        caveats.append("Without the oil temperature nothing clears the engine; cold oil hides a weak pump.")
    return Told(
        says=says,
        caveats=caveats,
        findings=[*judged.findings, *rest.findings],
        measurements=[*judged.measurements, *rest.measurements],
    )


def _short_of_rule(readings: Sequence[OilReading], results: Results) -> list[str]:
    """Return what is told where only a relief that opens early would excuse a reading at high speed."""
    if not results.has("margin"):
        return []
    short = [
        (margin, reading)
        for reading, margin in zip(readings, results.values("margin"), strict=True)
        if reading.speed_rpm >= RELIEF_MAY_CAP_RPM and margin < 0.0
    ]
    if not short:
        return []
    margin, reading = min(short, key=lambda pair: pair[0])
    return [
        f"At {reading.speed_rpm:.0f} rpm it is {-margin / 1e3:.0f} kPa short of the rule of thumb. Many "
        "relief valves open below that, so compare with the maker's figure on a mechanical gauge."
    ]


def _against_viscosity(readings: Sequence[OilReading], results: Results) -> list[str]:
    if not results.has("expected_at_temperature"):
        return []
    expected = results.values("expected_at_temperature")
    running = [(r, e) for r, e in zip(readings, expected, strict=True) if r.speed_rpm > 0.0]
    if not running:
        return []
    reading, at_temperature = max(running, key=lambda pair: abs((pair[0].temperature_k or HOT_K) - HOT_K))
    celsius = (reading.temperature_k or HOT_K) - ZERO_CELSIUS_K
    return [
        f"With this oil at {celsius:.0f} degC the rule would be about {at_temperature / 1e3:.0f} kPa at "
        f"{reading.speed_rpm:.0f} rpm. It is an estimate: the truth lies between it and the rule for hot oil."
    ]


MEASURE = Measure(
    id="oil_pressure",
    label="Oil pressure",
    asks="Is the oil pressure enough for the speed, is it steady, and can the gauge be believed?",
    inputs=(
        TO_CONVERT,
        Input(
            "pressures",
            "Oil pressures, one for each speed",
            "pressure",
            ("-20 kPa", "1500 kPa"),
            False,
            reference="gauge",
            doubt="5 kPa",
            many=True,
            example="90/150/240 kPa gauge",
            help="The best gauge there is, a mechanical one if fitted.",
        ),
        Input(
            "speeds",
            "Engine speeds of these pressures (0 for engine stopped)",
            "engine_speed",
            ("0 rpm", "12000 rpm"),
            False,
            doubt="25 rpm",
            many=True,
            example="800/2000/3000 rpm",
        ),
        Input(
            "temperatures",
            "Oil temperatures, one for all or one for each pressure",
            "temperature",
            ("-40 degC", "200 degC"),
            False,
            valid=("80 degC", "130 degC"),
            valid_because="the rule of thumb is for hot oil.",
            doubt="3 K",
            many=True,
            example="95 degC",
        ),
        GRADE,
        AT_40,
        AT_100,
        Input(
            "maker_minimum",
            "Maker's minimum with hot oil",
            "pressure",
            ("5 kPa", "900 kPa"),
            False,
            reference="gauge",
            example="140 kPa gauge",
            help="It overrides the rule of thumb.",
        ),
        Input(
            "maker_speed",
            "Speed at which the maker's minimum holds",
            "engine_speed",
            ("400 rpm", "9000 rpm"),
            False,
            example="2000 rpm",
        ),
        Input(
            "relief",
            "Pressure at which the relief valve opens",
            "pressure",
            ("150 kPa", "1200 kPa"),
            False,
            reference="gauge",
            doubt="30 kPa",
            example="450 kPa gauge",
        ),
        Input(
            "full_scale",
            "End of the scale of the gauge or sender",
            "pressure",
            ("200 kPa", "2000 kPa"),
            False,
            reference="gauge",
            example="700 kPa gauge",
        ),
        Input(
            "steady",
            "Readings at one steady speed above idle, oil hot",
            "pressure",
            ("-20 kPa", "1500 kPa"),
            False,
            reference="gauge",
            doubt="5 kPa",
            many=True,
            at_least=5,
            example="240/250/235/245/240 kPa gauge",
            help="Lowest and highest of half a minute among them.",
        ),
        Input(
            "dash",
            "Dash gauge, read beside the mechanical one",
            "pressure",
            ("-20 kPa", "1500 kPa"),
            False,
            reference="gauge",
            doubt="10 kPa",
            many=True,
            example="40/150 kPa gauge",
        ),
        Input(
            "mechanical",
            "Mechanical gauge at the same moments",
            "pressure",
            ("-20 kPa", "1500 kPa"),
            False,
            reference="gauge",
            doubt="5 kPa",
            many=True,
            example="95/240 kPa gauge",
        ),
    ),
    outputs=(
        Output("expected", "Rule of thumb at the speed, oil hot", "pressure", reference="gauge", many=True),
        Output("margin", "Reading above the rule of thumb", "pressure_difference", many=True),
        Output("viscosity", "Viscosity of the oil at the temperature", "viscosity", many=True),
        Output(
            "expected_at_temperature",
            "Rule of thumb carried to the temperature (estimate)",
            "pressure",
            reference="gauge",
            many=True,
        ),
        Output("swing", "Swing at steady speed, peak to peak", "pressure_difference"),
        Output("dash_difference", "Dash above mechanical gauge", "pressure_difference", many=True),
    ),
    formulas=(
        Formula("p = 10 psi per 1000 rpm, oil hot", "oil_pressure_rule_of_thumb"),
        Formula("log10 log10(nu + 0.7) = A - B log10(T)", "astm_d341"),
        Formula("p(T) = p(90 degC) nu(T) / nu(90 degC), no more than the relief", "laminar_pipe_flow"),
    ),
    assumes=(
        "The rule of thumb is for hot oil, about 80 to 110 degC; the maker's figure comes before it.",
        "Oil at the right level and of the right grade.",
        "A pump of fixed displacement; one with pressure stages may be at its low stage by design.",
    ),
    compute=compute,
    tell=tell,
    example={
        "pressures": "35/150/240 kPa gauge",
        "speeds": "800/2000/3000 rpm",
        "temperatures": "120 degC",
        "at_40": "90 mm2/s",
        "at_100": "14 mm2/s",
        "steady": "240/250/235/245/240 kPa gauge",
        "dash": "20/150 kPa gauge",
        "mechanical": "35/240 kPa gauge",
    },
    cautions=(
        "oil_pressure_gone_stop",
        "oil_under_pressure_sprays",
        "exhaust_gas_co",
        "moving_belts_fans",
        "hot_parts_burn",
    ),
    limits=(
        "dash_differs_from_mechanical",
        "oil_pressure_at_full_scale",
        "oil_pressure_at_standstill",
        "oil_pressure_beyond_any_engine",
        "oil_pressure_hot_idle",
        "oil_pressure_hot_over_relief",
        "oil_pressure_negative",
        "oil_pressure_speed_2000",
        "oil_pressure_speed_3000",
        "oil_pressure_speed_4000",
        "oil_pressure_swing_steady",
        "oil_pressure_under_maker_idle",
        "oil_pressure_under_maker_speed",
        "oil_pressure_within_maker_idle",
        "oil_temperature_over",
    ),
    published=(
        Published("expected.0", 55.2, 2e-3, "8 psi at 800 rpm, from 10 psi per 1,000 rpm (common practice)"),
        Published("expected.2", 206.84, 1e-3, "30 psi at 3,000 rpm; NIST SP 811, 6.894757 kPa per psi"),
        Published("viscosity.0", 9.317, 5e-3, "ASTM D341 with 273.15, by hand from 90 and 14 mm2/s"),
    ),
)
