"""What the sensors of the model car could see of how it was driven: fuel, oil, water, heat, knock, voltage.

Each function takes what happened (`Driven`) and adds channels at 100 samples per second, before noise. A
fault changes the physics where it acts; what follows from it follows by itself. Names and units as in
``kb/channels.yaml``.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy.signal import lfilter

from engine.logs.stretch import Floats
from tests.logs.model_car import Car
from tests.logs.model_drive import STEP_S, Driven, Faults

LEANEST_SHOWN = 1.45


Real = np.ndarray[tuple[Any, ...], np.dtype[np.floating[Any]]]
"""What numpy calls the product of a flag or a whole number and a float."""


@dataclass
class Scene:
    """A session on its way to channels."""

    car: Car
    driven: Driven
    faults: Faults
    rng: np.random.Generator
    channels: dict[str, Floats] = field(default_factory=dict)

    def size(self, fault: str) -> float:
        """The size of a fault, zero without it."""
        return float(self.faults.get(fault, 0.0))

    def in_phase(self, *kinds: str) -> Floats:
        """One where the driver does one of these, else zero."""
        numbers = [i for i, phase in enumerate(self.driven.phases) if phase.kind in kinds]
        return np.isin(self.driven["phase"], numbers).astype(np.float64)

    def wave(self, tau_s: float) -> Floats:
        """A slow random wander about zero, of spread one."""
        noise = self.rng.normal(0.0, 1.0, self.driven["phase"].size)
        slow = lagged(noise, tau_s, 0.0)
        return slow / max(float(np.std(slow)), 1e-9)

    def events(self, per_s: float, where: Real) -> list[int]:
        """Samples at which something happens by chance, at least one if there is where."""
        found = np.flatnonzero((self.rng.random(where.size) < per_s * STEP_S) & (where > 0.5))
        if not found.size and np.any(where > 0.5):
            found = np.array([int(self.rng.choice(np.flatnonzero(where > 0.5)))])
        return [int(at) for at in found]


def lagged(values: Real, tau_s: float, start: float | None = None) -> Floats:
    """Follow with a first-order lag of `tau_s`, exact for values held over a step (handbook of control)."""
    if tau_s <= 0.0:
        return np.asarray(values, dtype=np.float64)
    share = 1.0 - float(np.exp(-STEP_S / tau_s))
    first = float(values[0]) if start is None else start
    found, _ = lfilter([share], [1.0, share - 1.0], values, zi=[(1.0 - share) * first])
    return np.asarray(found, dtype=np.float64)


def delayed(values: Floats, seconds: float) -> Floats:
    """The values a while later."""
    count = round(seconds / STEP_S)
    return values if count <= 0 else np.concatenate((np.full(count, values[0]), values[:-count]))


def ramp(values: Floats, low: float, high: float) -> Floats:
    """Zero at `low` and below, one at `high` and above, straight in between."""
    return np.clip((values - low) / (high - low), 0.0, 1.0)


def everything(car: Car, driven: Driven, faults: Faults) -> Scene:
    """Return all channels of a session."""
    scene = Scene(car, driven, faults, np.random.default_rng([car.seed, 4]))
    for part in (motion, heat, fuel, mixture, oil, water, knock, electric, pressures, misfires, sensors):
        part(scene)
    return scene


def motion(scene: Scene) -> None:
    """Speed, demand, boost, gears and accelerations, as driven."""
    d, c, car = scene.driven, scene.channels, scene.car
    c["engine_speed"] = d["engine_speed"].copy()
    c["throttle"] = np.clip(d["throttle"], 0.0, 100.0)
    c["pedal"] = np.clip(ramp(delayed(c["throttle"], 0.0), 1.0, 92.0) * 100.0, 0.0, 100.0)
    c["boost"] = d["boost"].copy()
    hertz, swing = scene.size("boost_swing_hertz") or 2.0, scene.size("boost_swing")
    if swing:
        up = ramp(
            lagged(((d["boost"] > 0.85 * d["boost_target"]) & (d["boost_target"] > 20)) * 1.0, 0.1), 0.6, 1
        )
        c["boost"] += 0.5 * swing * np.sin(2.0 * np.pi * hertz * np.arange(up.size) * STEP_S) * up
    c["boost_target"], c["boost_duty"] = d["boost_target"].copy(), d["boost_duty"].copy()
    c["gear"] = d["gear"].copy()
    c["driven_wheel_speed"] = d["wheel_ms"] * 3.6
    c["undriven_wheel_speed"] = d["ground_ms"] * 3.6 * (0.0 if car.dyno else 1.0)
    c["road_speed"] = c["driven_wheel_speed"] if car.dyno else d["ground_ms"] * 3.6
    c["lateral_acceleration"] = d["sideways_g"] + 0.03 * scene.wave(0.5) * (d["ground_ms"] > 3) * (
        not car.dyno
    )
    c["longitudinal_acceleration"] = lagged(d["forward_g"], 0.08)
    c["barometer"] = np.full(d["phase"].size, car.air_kpa)
    c["cut_active"] = d["cut_active"].copy()


def heat(scene: Scene) -> None:
    """Charge air behind the cooler, which warms in a pull and soaks while standing; exhaust."""
    d, c, car = scene.driven, scene.channels, scene.car
    ratio = np.maximum(1.0, (car.air_kpa + np.maximum(d["boost"], 0.0)) / car.air_kpa)
    # Isentropic compression over its efficiency; kappa of air 1.4.
    hot = car.air_degc + (car.air_degc + 273.15) * (ratio ** (0.4 / 1.4) - 1.0) / car.compressor_efficiency
    core = lagged((hot - car.air_degc) / 60.0 * car.cooler_heats_k, 12.0, 0.0)
    core += lagged(ramp(d["boost"], 15.0, 60.0) * scene.size("intake_rise") * 1.8, 5.0, 0.0)
    behind = car.air_degc + (1.0 - car.cooler_effectiveness) * (hot - car.air_degc) + core
    standing = (d["ground_ms"] < 3.0) & (d["engine_speed"] > 400.0)
    soak = lagged(standing * 14.0, 45.0, 6.0 if car.start_degc > 60.0 else 0.0)
    soaked = scene.size("intake_soaked")
    if soaked:
        soak = soak + max(0.0, soaked - car.air_degc)
    step = scene.size("knock_heat_air")
    if step:
        # A cooler that gets no air between pulls: each pull begins hotter.
        behind = behind + step * np.linspace(0.0, 1.0, behind.size)
    c["intake_temperature"] = lagged(behind + soak, 1.5)
    load = ramp(d["boost"], -60.0, car.boost_kpa) * d["engine_speed"] / car.redline_rpm
    running = d["engine_speed"] > 400.0
    c["exhaust_temperature"] = lagged(np.where(running, 380.0 + 500.0 * load**0.6, 150.0), 2.0, 200.0)


def fuel(scene: Scene) -> None:
    """Fuel pressure, injector pulse and duty; the pump gives less the more flows, if it is weak."""
    d, c, car = scene.driven, scene.channels, scene.car
    p_abs = car.air_kpa + c["boost"]
    breathes = 0.85 + 0.2 * np.exp(-(((d["engine_speed"] - 4200.0) / 2200.0) ** 2))
    warm = c["intake_temperature"] + 273.15
    running = ramp(d["engine_speed"], 50.0, 300.0)
    # Ideal gas: two turns for each filling.
    c["air_mass_flow"] = (
        running * breathes * p_abs * d["engine_speed"] / 120.0 * car.displacement_l / (0.28705 * warm)
    )
    full = ramp(c["boost"], -15.0, min(0.7 * car.boost_kpa, 70.0))
    c["lambda_target"] = 1.0 - (1.0 - car.lambda_full) * np.minimum(full, 1.0)
    burnt = c["air_mass_flow"] / (14.6 * c["lambda_target"])
    top = max(float(np.max(burnt)), 1e-6)
    share = burnt / top
    reference = 1.0 - scene.size("fuel_reference_lost")
    wanted = car.fuel_base_kpa + reference * lagged(c["boost"], 0.05) - car.fuel_droop_kpa * share
    wanted -= scene.size("fuel_pump") * ramp(lagged(share, 0.15), 0.35, 0.8)
    away = lagged((np.abs(c["lateral_acceleration"]) > 0.55) * 1.0, 0.35, 0.0)
    wanted -= scene.size("fuel_corners") * ramp(away, 0.3, 0.7)
    pump_on = lagged((np.arange(wanted.size) * STEP_S > 0.5) * 1.0, 0.4, 0.0)
    c["fuel_pressure"] = wanted * pump_on
    top_duty = scene.size("injector_duty") or car.injector_duty_top
    dead_ms = 0.9
    turns = d["engine_speed"] / 1200.0
    effective = np.where(turns > 0.05, burnt / np.maximum(turns, 0.05), 0.0)
    at = int(np.argmax(burnt))
    scale = (top_duty / turns[at] - dead_ms) / effective[at] if turns[at] > 0.05 else 0.0
    cut = overrun_cut(scene)
    c["injector_pulse"] = np.where((d["engine_speed"] > 100.0) & ~cut, effective * scale + dead_ms, 0.0)
    c["injector_duty"] = c["injector_pulse"] * turns
    over = np.maximum(c["fuel_pressure"] - c["boost"], 20.0) / car.fuel_base_kpa
    scene.channels["fuel_flow_share"] = np.sqrt(np.clip(over, 0.05, 3.0))


def overrun_cut(scene: Scene) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Where fuel is cut with the throttle shut."""
    d = scene.driven
    shut = lagged((d["throttle"] < 3.0) * 1.0, 0.12) > 0.9
    return shut & (d["engine_speed"] > 1700.0) & scene.car.overrun_cut


def mixture(scene: Scene) -> None:
    """Lambda as burnt and as the sensor shows it, and the trims of the closed loop."""
    d, c, car = scene.driven, scene.channels, scene.car
    loaded = ramp(c["boost"], 5.0, 30.0)
    burnt = c["lambda_target"] * (1.0 + car.lambda_error * loaded)
    fault = scene.size("lean") - scene.size("rich")
    # Half of the cars show it over all of the load, the others only high up.
    high = 1.0 if car.seed % 2 else ramp(d["engine_speed"], 0.5 * car.redline_rpm, 0.6 * car.redline_rpm)
    burnt += fault * loaded * high
    burnt += scene.size("lean_in_gear") * loaded * (d["gear"] == 4)
    flow = c.pop("fuel_flow_share")
    closed = ramp(-c["boost"], -8.0, 5.0)
    burnt /= flow * (1.0 - closed) + closed
    # Fuel that wets the port walls is missing as air rushes in, and comes when it stops.
    rush = np.gradient(c["boost"], STEP_S)
    film = lagged(np.clip(rush, -300.0, 300.0) / 300.0, 0.12, 0.0)
    burnt += np.where(film > 0.0, car.tip_in_lean * film, 0.03 * film)
    let_out = scene.size("rich_at_lift")
    if let_out:
        for start in lifts(scene):
            # The metering still counts the air that is let out: its fuel comes without it.
            burnt[start : start + 60] = burnt[start - 5] - let_out
    scene.channels["lambda_burnt"] = burnt
    cut = overrun_cut(scene)
    if let_out:
        cut = cut & ~np.isin(np.arange(cut.size), [i for s in lifts(scene) for i in range(s, s + 70)])
    at_sensor = np.where(cut | (d["engine_speed"] < 100.0), LEANEST_SHOWN, np.clip(burnt, 0.6, LEANEST_SHOWN))
    late = delayed(at_sensor, car.lambda_delay_s)
    stuck = scene.size("wideband_stuck")
    shown = lagged(late, max(car.lambda_lag_s, scene.size("wideband_slow")))
    c["lambda"] = np.full(shown.size, 0.88) if stuck else shown
    running = (d["engine_speed"] > 400.0) & (closed > 0.9) & ~cut
    trim = scene.size("trim") * closed
    c["fuel_trim_short"] = np.where(running, 1.6 * scene.wave(0.8) + 0.3 * trim, 0.0)
    c["fuel_trim_long"] = car.trim_long + 0.7 * trim * running


def lifts(scene: Scene) -> list[int]:
    """Where the throttle shuts after a pull."""
    pulls = scene.in_phase("pull", "through")
    return [int(at) + 1 for at in np.flatnonzero(np.diff(pulls) < 0)]


def oil(scene: Scene) -> None:
    """Oil temperature; pressure with speed and viscosity up to what the relief valve lets stand."""
    d, c, car = scene.driven, scene.channels, scene.car
    running = d["engine_speed"] > 400.0
    load = ramp(d["boost"], -60.0, 60.0)
    start = car.oil_hot_degc - 10.0 if car.start_degc > 60.0 else car.start_degc
    goal = np.where(running, car.oil_hot_degc - 4.0 + 10.0 * load, start)
    c["oil_temperature"] = lagged(goal, 110.0, start)
    # Viscosity falls by a quarter for each 12 K near 100 degC (common practice for multigrade oil).
    thick = np.exp(-0.022 * (c["oil_temperature"] - car.oil_hot_degc))
    worn = 1.0 - scene.size("oil_low")
    thin = 1.0 - scene.size("oil_thins") * ramp(c["oil_temperature"], 55.0, car.oil_hot_degc - 8.0)
    raw = car.oil_hot_idle_kpa * d["engine_speed"] / car.idle_rpm * thick**0.6 * worn * thin
    pressure = np.minimum(raw, car.relief_kpa + 0.02 * np.maximum(raw - car.relief_kpa, 0.0))
    # The relief valve opens softly.
    pressure = np.where(
        raw > 0.8 * car.relief_kpa, 0.5 * (pressure + np.minimum(raw, pressure) * 1.0), pressure
    )
    if scene.size("oil_low"):
        pressure = np.minimum(pressure, car.relief_kpa * worn)
    away = lagged((np.abs(c["lateral_acceleration"]) > 0.55) * 1.0, 0.4, 0.0)
    pressure -= scene.size("oil_corners") * ramp(away, 0.35, 0.8)
    unsteady = scene.size("oil_unsteady")
    if unsteady:
        beat = np.sin(2 * np.pi * 0.7 * np.arange(pressure.size) * STEP_S + 1.5 * scene.wave(1.5))
        pressure += 0.5 * unsteady * beat * ramp(d["engine_speed"], 1000.0, 1800.0)
    c["oil_pressure"] = lagged(np.maximum(pressure, 0.0), 0.2, 0.0)


def water(scene: Scene) -> None:
    """Coolant temperature about the thermostat and with load, and pressure under the cap."""
    d, c, car = scene.driven, scene.channels, scene.car
    running = d["engine_speed"] > 400.0
    load = ramp(d["boost"], 0.0, 80.0)
    warms = np.where(running, 130.0, car.start_degc)
    free = lagged(warms, 320.0, car.start_degc)
    steady = np.minimum(free, car.coolant_hot_degc + 0.6 * scene.wave(12.0))
    temperature = lagged(steady, 3.0) + lagged(3.0 * load, 14.0, 0.0)
    # Each pull leaves heat that does not go away soon.
    rise = scene.size("coolant_rise")
    temperature += lagged(rise * 4.0 * load, 30.0, 0.0) if rise else 0.0
    c["coolant_temperature"] = temperature
    warm = ramp(temperature, 30.0, 100.0) ** 1.5 * 0.75 * car.cap_kpa
    pump = 12.0 * (d["engine_speed"] / 6000.0) ** 2
    gas = lagged(ramp(c["boost"], 10.0, 0.8 * car.boost_kpa), 0.5, 0.0)
    c["coolant_pressure"] = warm + pump + scene.size("coolant_pressure_boost") * gas


def knock(scene: Scene) -> None:
    """Ignition and what knock control takes out: now and then a little, on a sound engine too."""
    d, c, car = scene.driven, scene.channels, scene.car
    retard = np.zeros(d["phase"].size)

    def take_out(at: int, size: float, back_s: float) -> None:
        count = round(back_s / STEP_S)
        inside = retard[at : at + count + 15]
        shape = np.concatenate((np.ones(15), np.linspace(1.0, 0.0, count)))[: inside.size]
        np.maximum(inside, size * shape, out=inside)

    loaded = ((c["boost"] > 20.0) & (d["engine_speed"] > 1500.0)) * 1.0
    if car.knock_flicker > 0.3 and not scene.size("no_flicker"):
        for at in scene.events(0.12, loaded):
            take_out(at, float(scene.rng.uniform(0.3, 1.0)) * car.knock_flicker, 0.8)
    pulls = [number for number, phase in enumerate(d.phases) if phase.kind in ("pull", "through")]
    for number in pulls:
        inside = np.flatnonzero(d["phase"] == number)
        if scene.size("knock") and (number == pulls[0] or scene.rng.random() < 0.7):
            late = inside[int(inside.size * float(scene.rng.uniform(0.45, 0.8)))]
            take_out(int(late), scene.size("knock"), 1.8)
        if scene.size("knock_shift"):
            take_out(int(inside[0]) + 12, scene.size("knock_shift"), 0.35)
    hotter = scene.size("knock_heat")
    if hotter:
        hot = ramp(c["intake_temperature"], *np.quantile(c["intake_temperature"][loaded > 0], (0.1, 0.9)))
        retard = np.maximum(retard, hotter * hot * loaded * ramp(d["engine_speed"], 2500.0, 4000.0))
    c["knock_retard"] = retard
    base = 30.0 - 0.12 * (c["boost"] + 60.0) + 6.0 * d["engine_speed"] / 6000.0
    base = np.where(d["throttle"] < 3.0, 18.0, base)
    c["ignition_angle"] = np.where(d["engine_speed"] > 100.0, base - retard, 5.0)


def electric(scene: Scene) -> None:
    """Battery, cranking, alternator and what full load draws."""
    d, c, car = scene.driven, scene.channels, scene.car
    rest = 12.45 + 0.2 * float(scene.rng.uniform(-1.0, 1.0))
    crank = scene.in_phase("crank")
    volts = np.where(d["engine_speed"] > 400.0, car.volts, rest)
    volts -= car.volts_idle_drop * ((d["engine_speed"] > 400.0) & (d["engine_speed"] < 1100.0))
    volts -= car.volts_load_drop * ramp(c["boost"], 0.0, car.boost_kpa)
    volts -= scene.size("voltage_falls") * lagged(
        ramp(c["injector_duty"] / car.injector_duty_top, 0.35, 0.8), 0.3
    )
    volts -= scene.size("charging_low") * (d["engine_speed"] > 400.0)
    volts -= 2.2 * crank
    c["battery_voltage"] = lagged(volts, 0.15) + 0.03 * scene.wave(2.0)


def pressures(scene: Scene) -> None:
    """Tank and crankcase."""
    c, car = scene.channels, scene.car
    boosted = np.maximum(c["boost"], 0.0) / car.boost_kpa
    quiet = 0.5 + 0.4 * scene.wave(20.0)
    c["tank_pressure"] = quiet + scene.size("tank_pressure") * lagged(np.minimum(boosted, 1.1), 0.6, 0.0)
    running = scene.driven["engine_speed"] > 400.0
    # The vent draws the crankcase down off boost; blow-by lifts it a little on boost.
    base = np.where(running, car.crankcase_kpa, 0.0) + 0.6 * lagged(boosted, 0.3, 0.0)
    c["crankcase_pressure"] = lagged(base, 0.3) + scene.size("crankcase") * lagged(boosted, 0.4, 0.0)


def misfires(scene: Scene) -> None:
    """Dips of engine speed where a cylinder does not fire: some by chance at load, one cylinder at idle."""
    d, c = scene.driven, scene.channels
    count = np.zeros(d["phase"].size)
    at_load, at_idle = scene.size("misfire_load"), scene.size("misfire_idle")
    if at_load:
        pulls = scene.in_phase("pull", "through") * (c["boost"] > 20.0)
        for at in scene.events(1.6, pulls):
            shape = _dip(scene, at, at_load, 0.14, count)
            end = at + shape.size
            c["longitudinal_acceleration"][at:end] -= 0.12 * shape * (not scene.car.dyno)
            # The unburnt oxygen comes past the sensor a little later.
            late = c["lambda"][at + 8 : end + 8]
            late += 0.03 * shape[: late.size]
    if at_idle:
        at = 0
        idle = (scene.in_phase("idle") > 0.5) & (d["engine_speed"] > 500.0)
        while at < idle.size:
            if idle[at] and scene.rng.random() < 0.7:
                _dip(scene, at, at_idle, 0.1, count)
            # Two turns until the same cylinder is due again.
            at += max(1, round(120.0 / max(float(d["engine_speed"][at]), 500.0) / STEP_S))
    for at in scene.events(0.006, (d["engine_speed"] > 600.0) * 1.0):
        count[at] += 1.0
    c["misfire_count"] = np.cumsum(count)


def _dip(scene: Scene, at: int, size: float, seconds: float, count: Floats) -> Floats:
    """Take one dip out of the engine speed and count it; return its shape."""
    length = round(seconds / STEP_S)
    inside = scene.channels["engine_speed"][at : at + length]
    shape: Floats = np.sin(np.linspace(0.0, np.pi, length))[: inside.size]
    inside -= size * shape
    count[at] += 1.0
    return shape


def sensors(scene: Scene) -> None:
    """Faults of the sensors themselves."""
    d, c = scene.driven, scene.channels
    jump = scene.size("throttle_jumps")
    if jump:
        moving = (d["engine_speed"] > 1200.0) * 1.0
        for at in scene.events(0.15, moving):
            length = int(scene.rng.integers(3, 9))
            sign = -1.0 if c["throttle"][at] > 50.0 else 1.0
            c["throttle"][at : at + length] += sign * jump
        c["throttle"] = np.clip(c["throttle"], 0.0, 100.0)
    c.pop("lambda_burnt", None)
