"""What oil pressure readings say: too low, too high, swinging, or not to be believed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from engine.measures.declare import Given, Reported, Results
from engine.measures.limits import SURE_TO_BE_ABSENT, Implied, Limits, judge, setting
from engine.measures.oil_viscosity import ZERO_CELSIUS_K

LOW_IDLE = "oil_pressure_low_hot_idle"
LOW_AT_SPEED = "oil_pressure_low_at_speed"
IMPLAUSIBLE = "oil_pressure_reads_implausible"
PAIRS_TO_CLEAR_A_DASH = 2


@dataclass(frozen=True)
class OilReading:
    """A pressure [Pa gauge] at an engine speed [rpm], with the oil temperature [K] where it is known."""

    pressure: float
    speed_rpm: float
    temperature_k: float | None

    @property
    def kpa(self) -> float:
        """The pressure in kPa."""
        return self.pressure / 1e3

    def is_hot(self, limits: Limits) -> bool:
        """Whether the oil is known to be hot enough for the reading to clear an engine."""
        if self.temperature_k is None:
            return False
        return self.temperature_k - ZERO_CELSIUS_K >= setting(limits["oil_pressure_hot_idle"], "hot", "degC")


@dataclass
class Judged:
    """What was found, in the order in which it is told."""

    says: list[str] = field(default_factory=list)
    caveats: list[str] = field(default_factory=list)
    findings: list[Implied] = field(default_factory=list)
    measurements: list[Reported] = field(default_factory=list)


@dataclass(frozen=True)
class _One:
    """A reading, what was implied of it, and whether the maker's figure overrides the rule of thumb."""

    reading: OilReading
    implied: tuple[Implied, ...]
    overridden: bool


def judge_readings(given: Given, readings: Sequence[OilReading], results: Results, limits: Limits) -> Judged:
    """Return what the pressures against speed say, with what the triage can take of them."""
    told = Judged()
    if not readings:
        return told
    ones = [
        _judge_one(given, reading, results.several["margin"][i].uncertainty, limits)
        for i, reading in enumerate(readings)
    ]
    implied = [i for one in ones for i in one.implied]
    implied += _stuck_at_full_scale(given, readings, limits)
    present = {i.finding for i in implied if i.state == "present"}
    if IMPLAUSIBLE in present:
        # A gauge that lies cannot clear the engine; a low reading is still believed until disproved.
        implied = [i for i in implied if i.state != "absent"]
    told.findings += _decisive(implied)
    told.findings += _within_maker(given, ones, present, results, limits)
    told.measurements += _to_report(ones, present, implied, limits)
    _say(told, given, ones, present)
    temperatures = [r.temperature_k - ZERO_CELSIUS_K for r in readings if r.temperature_k is not None]
    if temperatures:
        hottest = max(temperatures)
        told.measurements.append(Reported("oil_temperature", round(hottest, 2), "degC"))
        hot = judge(limits, "oil_temperature_over", hottest)
        if hot.state == "present":
            told.findings.append(hot)
            told.says.append(f"Oil at {hottest:.0f} degC is too hot; let it cool before it is judged again.")
    return told


def _judge_one(given: Given, reading: OilReading, uncertainty: float, limits: Limits) -> _One:
    doubt = uncertainty / 1e3
    always = ("oil_pressure_beyond_any_engine", "oil_pressure_negative")
    implied = [judge(limits, limit, reading.kpa, doubt) for limit in always]
    if reading.speed_rpm == 0.0:
        implied.append(judge(limits, "oil_pressure_at_standstill", reading.kpa, doubt))
        return _One(reading, tuple(implied), overridden=False)
    if reading.is_hot(limits):
        implied.append(judge(limits, "oil_pressure_hot_over_relief", reading.kpa, doubt))
    by_rule = _against_rule(reading, doubt, limits)
    by_maker = _against_maker(given, reading, doubt, limits)
    overridden = False
    if by_maker is not None:
        implied.append(by_maker)
        # The figure for 3,000 rpm excuses nothing at 5,000; it only asks for no less there.
        at_its_speed = reading.speed_rpm <= 1.1 * given.number("maker_speed")
        surely_met = by_maker.strength <= 1.0 - SURE_TO_BE_ABSENT and reading.is_hot(limits) and at_its_speed
        low = [i for i in by_rule if i.finding == by_maker.finding == LOW_AT_SPEED and i.state != "absent"]
        if surely_met and low:
            overridden = True
            by_rule = [i for i in by_rule if i not in low]
    return _One(reading, (*implied, *by_rule), overridden)


def _against_rule(reading: OilReading, doubt: float, limits: Limits) -> list[Implied]:
    """Return how the reading stands to the rule of thumb; only hot oil can clear."""
    hot, limit = reading.is_hot(limits), _limit_at(reading.speed_rpm, limits)
    found = [] if limit is None else [judge(limits, limit, reading.kpa, doubt)]
    found = [i for i in found if i.state != "absent" or (hot and i.finding == LOW_IDLE)]
    if hot and _clears(reading.speed_rpm, limits):
        at_3000 = judge(limits, "oil_pressure_speed_3000", reading.kpa, doubt)
        found += [at_3000] if at_3000.state == "absent" else []
    return found


def _limit_at(speed: float, limits: Limits) -> str | None:
    """Return the limit below which a pressure at a speed is low."""
    idle = limits["oil_pressure_hot_idle"]
    if setting(idle, "from", "rpm") <= speed <= setting(idle, "to", "rpm"):
        return "oil_pressure_hot_idle"
    for limit in ("oil_pressure_speed_4000", "oil_pressure_speed_3000", "oil_pressure_speed_2000"):
        if speed >= setting(limits[limit], "from", "rpm"):
            return limit
    return None


def _clears(speed: float, limits: Limits) -> bool:
    at_3000 = limits["oil_pressure_speed_3000"]
    return setting(at_3000, "clears_from", "rpm") <= speed <= setting(at_3000, "clears_to", "rpm")


def _against_maker(given: Given, reading: OilReading, doubt: float, limits: Limits) -> Implied | None:
    """Return how the reading stands to the maker's minimum, where that speaks of its speed."""
    minimum, speed = given.optional("maker_minimum"), given.optional("maker_speed")
    if minimum is None or speed is None:
        return None
    idle_to = setting(limits["oil_pressure_hot_idle"], "to", "rpm")
    if speed <= idle_to:
        limit, applies = "oil_pressure_under_maker_idle", 0.75 * speed <= reading.speed_rpm <= idle_to
    else:
        # Nothing excuses less pressure at a higher speed than the maker's.
        limit, applies = "oil_pressure_under_maker_speed", reading.speed_rpm >= 0.95 * speed
    if not applies:
        return None
    percent = 100.0 / (minimum / 1e3)
    return judge(limits, limit, reading.kpa * percent, doubt * percent)


def _within_maker(
    given: Given, ones: Sequence[_One], present: set[str], results: Results, limits: Limits
) -> list[Implied]:
    """Return that a low idle figure is within the maker's minimum, where pressure at speed is sure."""
    minimum, speed = given.optional("maker_minimum"), given.optional("maker_speed")
    low_idle_by_rule = any(
        i.limit == "oil_pressure_hot_idle" and i.state == "present" for one in ones for i in one.implied
    )
    if minimum is None or speed is None or not low_idle_by_rule or LOW_AT_SPEED in present:
        return []
    idle_to = setting(limits["oil_pressure_hot_idle"], "to", "rpm")
    cleared_at_speed = any(
        i.finding == LOW_AT_SPEED and i.state == "absent" for one in ones for i in one.implied
    )
    idles = [
        (one.reading, results.several["margin"][k].uncertainty)
        for k, one in enumerate(ones)
        if 0.75 * speed <= one.reading.speed_rpm <= idle_to
    ]
    if speed > idle_to or not cleared_at_speed or not idles or not all(r.is_hot(limits) for r, _ in idles):
        return []
    reading, doubt = min(idles, key=lambda pair: pair[0].pressure)
    share = 100.0 * reading.pressure / minimum
    within = judge(limits, "oil_pressure_within_maker_idle", share, 100.0 * doubt / minimum)
    return [within] if within.state == "present" and within.strength >= SURE_TO_BE_ABSENT else []


def _stuck_at_full_scale(given: Given, readings: Sequence[OilReading], limits: Limits) -> list[Implied]:
    """Return that the gauge stands at the end of its scale even at hot idle, if it does."""
    full = given.optional("full_scale")
    idle_to = setting(limits["oil_pressure_hot_idle"], "to", "rpm")
    if full is None or not any(r.is_hot(limits) and 0.0 < r.speed_rpm <= idle_to for r in readings):
        return []
    found = judge(limits, "oil_pressure_at_full_scale", 100.0 * min(r.pressure for r in readings) / full)
    return [found] if found.state == "present" else []


def _decisive(implied: Sequence[Implied]) -> list[Implied]:
    """Return one statement per finding: present before unknown before absent, the surest first.

    What the readings lie far from is left out, so that a gauge that is in order is not listed as a doubt.
    """
    rank = {"present": 0, "unknown": 1, "absent": 2}
    best: dict[str, Implied] = {}
    for one in sorted(implied, key=lambda i: (rank[i.state], -i.strength)):
        if one.state == "unknown" and one.strength < 1.0 - SURE_TO_BE_ABSENT:
            continue
        best.setdefault(one.finding, one)
    return list(best.values())


def _to_report(
    ones: Sequence[_One], present: set[str], implied: Sequence[Implied], limits: Limits
) -> list[Reported]:
    """Return the readings that the rules of the knowledge base may see.

    A rule knows neither doubt nor the maker's figure, so readings are held back where it would clear what
    is not cleared here, or call low what the maker's figure allows.
    """
    cleared = {i.finding for i in implied if i.state == "absent"} - present
    reported = []
    for one in ones:
        reading = one.reading
        hot = reading.is_hot(limits)
        would_clear: set[str] = set()
        if hot and reading.speed_rpm <= setting(limits["oil_pressure_hot_idle"], "to", "rpm"):
            would_clear |= _cleared_by("oil_pressure_hot_idle", reading, limits)
        if hot and _clears(reading.speed_rpm, limits):
            would_clear |= _cleared_by("oil_pressure_speed_3000", reading, limits)
        if one.overridden or not would_clear <= cleared:
            continue
        at = {"engine_speed_rpm": round(reading.speed_rpm, 1)}
        if reading.temperature_k is not None:
            at["oil_temperature_degC"] = round(reading.temperature_k - ZERO_CELSIUS_K, 2)
        reported.append(Reported("oil_pressure", round(reading.kpa, 2), "kPa", at))
    return reported


def _cleared_by(limit: str, reading: OilReading, limits: Limits) -> set[str]:
    found = judge(limits, limit, reading.kpa)
    return {found.finding} if found.state == "absent" else set()


def _say(told: Judged, given: Given, ones: Sequence[_One], present: set[str]) -> None:
    running = [one.reading for one in ones if one.reading.speed_rpm >= 550.0]
    if any(r.kpa < 20.0 for r in running):
        told.says.append(
            "Stop the engine: almost no oil pressure while it runs. It counts as true until a mechanical "
            "gauge disproves it."
        )
    for finding, where in ((LOW_IDLE, "hot idle"), (LOW_AT_SPEED, "speed")):
        if finding in present:
            low = [o for o in ones if any(i.finding == finding and i.state == "present" for i in o.implied)]
            lowest = min((o.reading for o in low), key=lambda r: r.pressure / r.speed_rpm)
            told.says.append(
                f"Low at {where}: {lowest.kpa:.0f} kPa at {lowest.speed_rpm:.0f} rpm. Check the oil level, "
                "then a mechanical gauge with hot oil; do not rev it to see whether it recovers."
            )
    if any(f.finding == "idle_figure_within_maker_limit" for f in told.findings):
        told.says.append("The idle figure meets the maker's minimum, and the pressure at speed is good.")
    if any(one.overridden for one in ones):
        told.says.append("The maker's minimum is met and overrides the rule of thumb, which asks for more.")
    if IMPLAUSIBLE in present:
        told.says.append(
            "The gauge or its sender shows what no engine has. Read it with the engine stopped, then fit a "
            "mechanical gauge; nothing it shows clears the engine."
        )
    if "oil_pressure_too_high" in present:
        told.says.append(
            "Hot oil at more than a relief valve should let through. Look at the relief and the filter."
        )
    if not told.says and any(one.reading.speed_rpm == 0.0 for one in ones):
        told.says.append("With the engine stopped the gauge shows about nothing, as it should.")
    if not present and running and not any(one.overridden for one in ones):
        told.says.append("No reading is under the limits. Note them with the oil temperature for next time.")
    if not told.says:
        told.says.append("No limit speaks of these speeds. Read at hot idle, at 2,000 and at 3,000 rpm.")
    told.caveats += _patterns(running)


def _patterns(running: Sequence[OilReading]) -> list[str]:
    """Return what the readings look like that a broken sender circuit gives, without a finding."""
    if len(running) < 2:
        return []
    values, speeds = [r.kpa for r in running], [r.speed_rpm for r in running]
    if max(values) <= 5.0:
        return ["Nothing at every speed is also what a broken sender circuit shows; do not bet on it."]
    if max(speeds) >= 3.0 * min(speeds) and max(values) - min(values) <= 0.02 * max(values):
        return [
            "The same pressure at idle and at three times the speed is what a stuck gauge, or a sender that "
            "is only a switch, shows. A mechanical gauge tells."
        ]
    return []


def judge_rest(given: Given, results: Results, limits: Limits) -> Judged:
    """Return what the steady readings and the comparison of two gauges say."""
    told = Judged()
    if results.has("swing"):
        swing = results.value("swing") / 1e3
        found = judge(limits, "oil_pressure_swing_steady", swing, results.uncertainty("swing") / 1e3)
        told.findings.append(found)
        if found.state != "unknown" or swing > 35.0:
            told.measurements.append(Reported("oil_pressure_swing", round(swing, 2), "kPa"))
        told.says.append(
            {
                "present": f"It swings by {swing:.0f} kPa at steady speed: air at the pickup or a hunting "
                "relief. No load until a mechanical gauge stands still.",
                "absent": f"At steady speed it is steady, within {swing:.0f} kPa.",
                "unknown": f"It swings by {swing:.0f} kPa at steady speed, between steady and too much. "
                "Read it on a mechanical gauge.",
            }[found.state]
        )
    if results.has("dash_difference"):
        _judge_dash(told, results, limits)
    return told


def _judge_dash(told: Judged, results: Results, limits: Limits) -> None:
    differences = results.several["dash_difference"]
    worst = max(differences, key=lambda difference: abs(difference.value))
    off = abs(worst.value) / 1e3
    found = judge(limits, "dash_differs_from_mechanical", off, worst.uncertainty / 1e3)
    if found.state == "absent" and len(differences) < PAIRS_TO_CLEAR_A_DASH:
        told.caveats.append("One pair of readings cannot clear the dash gauge; read at idle and at speed.")
        return
    told.findings.append(found)
    side = "above" if worst.value > 0.0 else "below"
    told.says.append(
        {
            "present": f"The dash reads up to {off:.0f} kPa {side} the mechanical gauge. Go by the latter "
            "and look at the sender, its wiring and its ground.",
            "absent": f"Dash and mechanical gauge agree within {off:.0f} kPa.",
            "unknown": f"The dash is up to {off:.0f} kPa off, which both gauges together could be.",
        }[found.state]
    )
