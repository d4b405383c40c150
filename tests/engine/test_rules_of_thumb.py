"""Rules of thumb of the trade and published limits, as readings typed the way people type them.

Each row names where its number comes from. Common practice has no authoritative source and a vehicle maker's
figure overrides it; rows of a published source name it.
"""

from __future__ import annotations

import pytest

from engine.case import TriageRequest
from engine.triage import Options, Triage

RPM = "engine_speed_rpm"

# quantity, value, unit, conditions, finding, state that follows (None: nothing may follow), source
ROWS: list[tuple[str, float, str, dict[str, float], str, str | None, str]] = [
    # about 10 psi for every 1,000 rpm, hot: common practice
    ("oil_pressure", 24, "psi", {RPM: 5000}, "oil_pressure_low_at_speed", "present", "common practice"),
    ("oil_pressure", 18, "psi", {RPM: 2000}, "oil_pressure_low_at_speed", "present", "common practice"),
    ("oil_pressure", 4.5, "bar", {RPM: 4500}, "oil_pressure_low_at_speed", None, "common practice"),
    ("oil_pressure", 24, "psi", {}, "oil_pressure_low_at_speed", None, "no speed, no judgement"),
    ("oil_pressure", 5, "psi", {RPM: 850}, "oil_pressure_low_hot_idle", "present", "common practice"),
    (
        "oil_pressure",
        20,
        "psi",
        {RPM: 850, "oil_temperature_degC": 95},
        "oil_pressure_low_hot_idle",
        "absent",
        "common practice",
    ),
    ("oil_pressure", 200, "psi", {}, "oil_pressure_reads_implausible", "present", "common practice"),
    ("oil_pressure_swing", 1.5, "bar", {}, "oil_pressure_fluctuates_steady", "present", "common practice"),
    ("oil_pressure_swing", 2, "psi", {}, "oil_pressure_fluctuates_steady", "absent", "common practice"),
    # lowest at least 75 % of highest: common practice. 1000 of 1180 kPa is 84.7 %.
    ("compression_ratio_low_high", 70, "%", {}, "compression_low_one_cylinder", "present", "common practice"),
    ("compression_ratio_low_high", 84.7, "%", {}, "compression_low_one_cylinder", None, "common practice"),
    ("compression_ratio_low_high", 95, "%", {}, "compression_low_one_cylinder", "absent", "common practice"),
    # under 10 % is good: common practice for cars; the per cent depends on the tester's restrictor
    ("leak_down", 6, "percent", {}, "leak_down_into_crankcase", "absent", "common practice"),
    ("leak_down", 15, "percent", {}, "leak_down_into_crankcase", None, "common practice"),
    # 0.2 V over a ground: common practice; US Army TM 10-3930-671-24 has 0.20 V per 100 A for a whole circuit
    ("ground_drop", 350, "mV", {}, "voltage_drop_ground_high", "present", "TM 10-3930-671-24"),
    ("ground_drop", 0.08, "V", {}, "voltage_drop_ground_high", None, "TM 10-3930-671-24"),
    ("feed_drop", 0.8, "V", {}, "voltage_drop_feed_high", "present", "common practice"),
    ("charging_voltage", 12.4, "V", {RPM: 2000}, "voltage_low_running", "present", "common practice"),
    ("charging_voltage", 14.2, "V", {RPM: 2000}, "voltage_low_running", None, "common practice"),
    ("cranking_voltage", 8.9, "V", {}, "cranking_voltage_low", "present", "common practice"),
    # 80 to 85 % injector duty: common practice
    ("injector_duty", 96, "%", {}, "injector_duty_over_limit", "present", "common practice"),
    (
        "injector_duty",
        70,
        "%",
        {RPM: 6000, "boost_pressure_bar": 1.2},
        "injector_duty_over_limit",
        "absent",
        "common practice",
    ),
    ("injector_flow_spread", 8, "%", {}, "injector_flow_spread_high", "present", "common practice"),
    ("injector_flow_spread", 1, "%", {}, "injector_flow_spread_high", "absent", "common practice"),
    # an unreferenced 300 kPa rail loses 100 kPa of drop at 100 kPa boost: arithmetic
    ("fuel_pressure_loss", 1, "bar", {}, "fuel_pressure_falls_at_load", "present", "arithmetic"),
    (
        "fuel_pressure_loss",
        5,
        "kPa",
        {"boost_pressure_kPa": 100},
        "fuel_pressure_falls_at_load",
        "absent",
        "same",
    ),
    ("lambda_error", 0.08, "", {}, "lean_under_boost", "present", "common practice"),
    ("lambda_error", 0.01, "lambda", {}, "lean_under_boost", None, "common practice"),
    ("boost_shortfall", 6, "psi", {}, "boost_below_target", "present", "common practice"),
    ("boost_shortfall", 2, "kPa", {}, "boost_below_target", "absent", "common practice"),
    ("boost_excess", 4, "psi", {}, "overboost", "present", "common practice"),
    ("coolant_temperature", 245, "degF", {RPM: 4000}, "overheats_at_load", "present", "common practice"),
    ("coolant_pressure_rise", 9, "psi", {}, "coolant_pressure_rises_fast", "present", "memory"),
    ("crankcase_pressure", 1, "psi", {}, "crankcase_pressure_high", "present", "common practice"),
    ("tyre_pressure", 20, "psi", {}, "tyre_pressure_off", "present", "memory"),
    ("tyre_age", 12, "years", {}, "driven_tyres_unfit", "present", "memory"),
]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row[0]}-{row[1]}{row[2]}-{row[4]}")
def test_a_reading_says_what_the_trade_says(
    row: tuple[str, float, str, dict[str, float], str, str | None, str], triage: Triage
) -> None:
    quantity, value, unit, at, finding, state, _ = row
    measurement = {"quantity": quantity, "value": value, "unit": unit, "at": at}
    answer = triage.answer(
        TriageRequest.model_validate({"measurements": [measurement]}), Options(frozenset(["derived"]))
    )
    told = {derived.finding: derived.state for derived in answer.derived or ()}
    assert told.get(finding) == state, told
