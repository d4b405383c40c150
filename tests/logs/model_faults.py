"""The faults that the model can put into a session, their sizes, and what a log of each should show.

`matter` are sizes that must be found: well beyond the limit of the finding in ``kb/limits``, as such a fault
would be on a car that needs work. `too_small` are sizes that may or may not be told. What follows from a fault
by physics (a lean mixture from lost fuel pressure) is in `also`: it may be told and is no false finding.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from tests.logs.model import Recording, record


@dataclass(frozen=True)
class Fault:
    """A fault of the model: `id` is its name there, `findings` are those of which one at least must show."""

    id: str
    told: str
    unit: str
    matter: tuple[float, ...]
    too_small: tuple[float, ...]
    findings: frozenset[str]
    also: frozenset[str] = frozenset()
    needs: frozenset[str] = frozenset()
    dyno: bool | None = None
    start: str | None = None
    fixed: Mapping[str, float] = field(default_factory=dict)


def set_of(text: str) -> frozenset[str]:
    """The words of a text."""
    return frozenset(text.split())


def faulty(seed: int, fault: Fault, size: float) -> Recording:
    """The session of a car with a fault of a size, its logger having what is needed to see it."""
    return record(
        seed,
        {fault.id: size, **fault.fixed},
        also_logged=fault.needs,
        dyno=fault.dyno,
        start=fault.start,
    )


def _fault(
    fault_id: str,
    told: str,
    unit: str,
    matter: tuple[float, ...],
    too_small: tuple[float, ...],
    findings: str,
    *,
    also: str = "",
    needs: str = "",
    dyno: bool | None = None,
    start: str | None = None,
    fixed: Mapping[str, float] | None = None,
) -> Fault:
    return Fault(
        id=fault_id,
        told=told,
        unit=unit,
        matter=matter,
        too_small=too_small,
        findings=set_of(findings),
        also=set_of(also),
        needs=set_of(needs),
        dyno=dyno,
        start=start,
        fixed=fixed or {},
    )


BOOST = (
    _fault(
        "boost_leak",
        "leak: boost short of target",
        "kPa",
        (22.0, 35.0),
        (6.0,),
        "boost_below_target",
        also="gate_duty_at_limit_below_target boost_limited_to_spring",
        needs="boost_target boost_duty",
    ),
    _fault(
        "overboost",
        "gate stuck: boost over target",
        "kPa",
        (22.0, 40.0),
        (5.0,),
        "overboost",
        also="gate_duty_at_zero_above_target boost_spike injector_duty_over_limit charge_air_too_hot "
        "charge_air_climbs_all_through_pull boost_full_at_part_throttle",
        needs="boost_target",
    ),
    _fault(
        "boost_spike",
        "gate opens late: spike",
        "kPa",
        (28.0, 45.0),
        (4.0,),
        "boost_spike",
        also="overboost boost_oscillates gate_duty_at_zero_above_target injector_duty_over_limit",
        needs="boost_target",
    ),
    _fault(
        "boost_creep",
        "gate too small: creep",
        "kPa",
        (28.0, 45.0),
        (5.0,),
        "boost_creep",
        also="overboost gate_duty_at_zero_above_target injector_duty_over_limit charge_air_too_hot "
        "charge_air_climbs_all_through_pull",
    ),
    _fault(
        "boost_falls",
        "turbocharger out of breath at the top",
        "kPa",
        (35.0, 50.0),
        (6.0,),
        "boost_falls_at_high_speed",
        also="boost_below_target gate_duty_at_limit_below_target",
    ),
    _fault(
        "boost_swing",
        "boost hunts at 1.6 Hz, peak to peak",
        "kPa",
        (24.0, 36.0),
        (5.0,),
        "boost_oscillates",
        also="boost_spike boost_below_target overboost gate_duty_at_zero_above_target "
        "gate_duty_at_limit_below_target boost_falls_at_high_speed boost_creep",
        needs="boost_target",
        fixed={"boost_swing_hertz": 1.6},
    ),
    _fault(
        "boost_swing",
        "boost hunts at 3.5 Hz, peak to peak",
        "kPa",
        (24.0, 36.0),
        (5.0,),
        "boost_oscillates",
        also="boost_spike boost_falls_at_high_speed boost_creep overboost boost_below_target",
        fixed={"boost_swing_hertz": 3.5},
    ),
    _fault(
        "boost_at_part_throttle",
        "gate shut at part throttle, of full boost",
        "share",
        (2.0, 3.0),
        (0.5,),
        "boost_full_at_part_throttle",
        also="overboost gate_duty_at_zero_above_target boost_spike lean_under_boost",
        needs="boost_target",
        dyno=False,
    ),
    _fault(
        "map_ceiling",
        "manifold sensor at its ceiling, below target by",
        "kPa",
        (12.0, 30.0),
        (),
        "map_frozen_at_ceiling",
        also="boost_below_target gate_duty_at_limit_below_target boost_gauges_disagree "
        "fuel_pressure_high_at_load boost_limited_to_spring",
    ),
)

MIXTURE = (
    _fault(
        "lean",
        "lean at load",
        "lambda",
        (0.07, 0.12),
        (0.01,),
        "lean_under_boost",
        needs="lambda_target",
    ),
    _fault(
        "rich",
        "rich at load",
        "lambda",
        (0.1, 0.14),
        (0.01,),
        "rich_under_boost",
        needs="lambda_target",
    ),
    _fault(
        "lean_in_gear",
        "lean in fourth gear only",
        "lambda",
        (0.07, 0.12),
        (0.01,),
        "lean_under_boost",
        needs="lambda_target gear",
        dyno=False,
    ),
    _fault(
        "trim",
        "lean at idle and cruise: trims add",
        "%",
        (16.0, 22.0),
        (2.0,),
        "lean_at_idle_and_cruise",
        needs="fuel_trim_short fuel_trim_long",
        start="warm",
    ),
    _fault(
        "trim",
        "rich at idle and cruise: trims take out",
        "%",
        (-16.0, -22.0),
        (-2.0,),
        "rich_at_idle_and_cruise",
        needs="fuel_trim_short fuel_trim_long",
        start="warm",
    ),
    _fault(
        "rich_at_lift",
        "metered air let out at the lift: rich",
        "lambda",
        (0.18, 0.24),
        (0.02,),
        "rich_when_throttle_shuts_logged",
    ),
    _fault(
        "wideband_slow",
        "wideband slow, time to 63 per cent",
        "s",
        (1.8, 3.0),
        (0.3,),
        "wideband_slow_or_stuck",
        also="lean_under_boost rich_under_boost rich_when_throttle_shuts_logged",
        needs="lambda_target",
    ),
    _fault(
        "wideband_stuck",
        "wideband stuck at one value",
        "",
        (1.0,),
        (),
        "wideband_slow_or_stuck",
        also="lean_under_boost rich_under_boost wideband_reads_lean_everywhere",
        needs="lambda_target",
    ),
)

FUEL = (
    _fault(
        "fuel_reference_lost",
        "fuel pressure without boost reference",
        "share",
        (1.0, 0.8),
        (0.1,),
        "fuel_pressure_flat_with_boost",
        also="fuel_pressure_falls_at_load lean_under_boost",
        needs="fuel_pressure",
    ),
    _fault(
        "fuel_pump",
        "pump gives less at load",
        "kPa",
        (60.0, 90.0),
        (6.0,),
        "fuel_pressure_falls_at_load",
        also="lean_under_boost fuel_pressure_flat_with_boost",
        needs="fuel_pressure",
    ),
    _fault(
        "fuel_corners",
        "fuel runs from the pickup in corners",
        "kPa",
        (60.0, 100.0),
        (6.0,),
        "fuel_pressure_dips_in_corners",
        also="lean_under_boost fuel_pressure_falls_at_load",
        needs="fuel_pressure lateral_acceleration",
        dyno=False,
    ),
    _fault(
        "injector_duty",
        "injectors too small, duty at the top",
        "%",
        (93.0, 105.0),
        (79.0,),
        "injector_duty_over_limit",
        needs="injector_duty",
    ),
    _fault(
        "tank_pressure",
        "boost in the tank",
        "kPa",
        (9.0, 15.0),
        (1.0,),
        "tank_pressure_rises_under_boost",
        needs="tank_pressure",
    ),
)

IGNITION = (
    _fault(
        "knock",
        "knock in pulls, retard",
        "deg",
        (4.5, 8.0),
        (1.0,),
        "knock_retard_logged",
        also="knock_worse_hot_air",
        needs="knock_retard",
    ),
    _fault(
        "knock_shift",
        "retard at throttle snaps only",
        "deg",
        (1.8, 3.0),
        (0.3,),
        "knock_retard_only_at_shift",
        needs="knock_retard",
        fixed={"no_flicker": 1.0},
    ),
    _fault(
        "knock_heat",
        "retard grows with charge air",
        "deg",
        (4.0, 7.0),
        (0.5,),
        "knock_worse_hot_air",
        also="knock_retard_logged charge_air_hot_before_pull charge_air_too_hot",
        needs="knock_retard",
        fixed={"knock_heat_air": 28.0},
    ),
    _fault(
        "misfire_load",
        "misfires at load, dip of engine speed",
        "rpm",
        (160.0, 260.0),
        (12.0,),
        "misfire_under_boost",
        needs="misfire_count",
    ),
    _fault(
        "misfire_idle",
        "one cylinder dead at idle, dip of engine speed",
        "rpm",
        (120.0, 180.0),
        (8.0,),
        "misfire_at_idle",
        also="idle_unsteady",
    ),
)

OIL = (
    _fault(
        "oil_corners",
        "oil runs from the pickup in corners",
        "kPa",
        (130.0, 200.0),
        (12.0,),
        "oil_pressure_drops_in_corners",
        also="oil_pressure_low_at_speed oil_pressure_fluctuates_steady",
        needs="oil_pressure lateral_acceleration oil_temperature",
        dyno=False,
        start="warm",
    ),
    _fault(
        "oil_unsteady",
        "oil pressure swings at steady speed, peak to peak",
        "kPa",
        (120.0, 170.0),
        (12.0,),
        "oil_pressure_fluctuates_steady",
        also="oil_pressure_low_at_speed oil_pressure_drops_in_corners",
        needs="oil_pressure",
    ),
    _fault(
        "oil_low",
        "oil pressure low at all speeds, share lost",
        "share",
        (0.65, 0.75),
        (0.05,),
        "oil_pressure_low_at_speed oil_pressure_low_hot_idle",
        also="oil_pressure_falls_as_it_warms",
        needs="oil_pressure oil_temperature",
        start="warm",
    ),
    _fault(
        "oil_thins",
        "oil pressure goes as it warms, share lost",
        "share",
        (0.78, 0.86),
        (0.05,),
        "oil_pressure_falls_as_it_warms",
        also="oil_pressure_low_at_speed oil_pressure_low_hot_idle",
        needs="oil_pressure oil_temperature",
        start="cold",
    ),
)

HEAT = (
    _fault(
        "intake_rise",
        "charge air climbs in the pull",
        "K",
        (35.0, 50.0),
        (3.0,),
        "charge_air_climbs_all_through_pull charge_air_too_hot",
        also="charge_air_hot_before_pull",
    ),
    _fault(
        "intake_soaked",
        "charge air hot before the pull",
        "degC",
        (70.0, 85.0),
        (),
        "charge_air_hot_before_pull",
        also="charge_air_too_hot",
    ),
    _fault(
        "coolant_rise",
        "coolant climbs with load",
        "K",
        (22.0, 30.0),
        (1.0,),
        "overheats_at_load coolant_over_temperature",
        also="coolant_pressure_rises_fast overheats_at_idle",
        start="warm",
    ),
    _fault(
        "coolant_pressure_boost",
        "combustion gas in the coolant, step with boost",
        "kPa",
        (35.0, 60.0),
        (2.0,),
        "coolant_pressure_steps_with_boost",
        also="coolant_pressure_rises_fast",
        needs="coolant_pressure",
    ),
)

REST = (
    _fault(
        "voltage_falls",
        "voltage falls at full load",
        "V",
        (1.1, 1.6),
        (0.1,),
        "voltage_falls_at_load_logged",
        also="voltage_low_running",
        needs="battery_voltage",
    ),
    _fault(
        "charging_low",
        "alternator weak",
        "V",
        (1.8, 2.2),
        (0.1,),
        "voltage_low_running",
        also="voltage_falls_at_load_logged",
        needs="battery_voltage",
    ),
    _fault(
        "clutch_slip",
        "clutch slips at load, of the speed",
        "share",
        (0.08, 0.15),
        (0.004,),
        "double_clutch_slip_logged gear_ratio_slip_logged engine_speed_flares_in_gear",
        also="misfire_under_boost",
        needs="driven_wheel_speed gear",
    ),
    _fault(
        "tyre_slip",
        "driven tyres slip, of the speed",
        "share",
        (0.15, 0.25),
        (0.004,),
        "wheel_speeds_disagree_logged tyre_slip_on_rollers",
        also="engine_speed_flares_in_gear",
        needs="driven_wheel_speed undriven_wheel_speed road_speed",
        dyno=False,
    ),
    _fault(
        "throttle_jumps",
        "throttle signal jumps",
        "%",
        (30.0, 50.0),
        (1.0,),
        "throttle_reading_jumps",
        also="knock_retard_only_at_shift",
        needs="pedal",
    ),
    _fault(
        "crankcase",
        "crankcase pressure on boost",
        "kPa",
        (6.0, 10.0),
        (0.3,),
        "crankcase_pressure_high",
        needs="crankcase_pressure",
    ),
)

FAULTS: tuple[Fault, ...] = (*BOOST, *MIXTURE, *FUEL, *IGNITION, *OIL, *HEAT, *REST)
