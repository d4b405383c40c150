"""Turbocharger oil drain: what it carries by gravity, against what the feed sends through the bearing."""

from __future__ import annotations

import math

from engine.measures.declare import (
    TO_CONVERT,
    Computed,
    Formula,
    Given,
    Input,
    Measure,
    Output,
    Published,
    Reported,
    Results,
    Told,
    wrong,
)
from engine.measures.drain_flow import (
    DEGREES_PER_RADIAN,
    end_height,
    feed_flow,
    flattest_slope,
    head_of_pressure,
    oil_density,
    smallest_bore,
)
from engine.measures.limits import Implied, Limits, judge
from engine.measures.oil_viscosity import AT_40, AT_100, GRADE, oil_given
from engine.measures.pipe_flow import Pipe, full_flow, half_full_flow


def compute(given: Given) -> Computed:
    """Return what the drain carries full and half full, what comes, and the head that pressure takes away."""
    temperature, foam = given.number("temperature"), given.number("foam")
    oil = oil_given(given)
    if oil is None:
        raise wrong("grade", None, "the grade, or the viscosities at 40 and 100 degC, is needed", ("10W-40",))
    slope = flattest_slope(given)
    viscosity, density = oil.viscosity(temperature), oil_density(temperature)
    # Froth is lighter by the foam factor and as thick as its oil, so its kinematic viscosity is higher.
    froth, froth_density = viscosity * foam, density / foam
    bends, tight = given.number("bends"), given.optional("tight_bends") or 0.0
    pipe = Pipe(given.number("bore"), given.number("length"), tight, bends)
    end = end_height(given)
    fall = given.number("fall") + min(end or 0.0, 0.0)
    needed = feed_flow(given, density)
    full = full_flow(pipe, fall, froth) / foam
    half = half_full_flow(pipe.bore, slope, froth) / foam
    results: dict[str, float] = {
        "needed": needed,
        "carries_full": full,
        "carries_half": half,
        "margin": full / needed,
        "margin_half": half / needed,
        "viscosity": viscosity,
    }
    pressure = given.optional("crankcase_pressure") or 0.0
    if pressure > 0.0:
        # A standing column of froth is lighter than oil, so the same pressure holds up more of it.
        left = fall - head_of_pressure(pressure, froth_density)
        results["pushed_back"] = head_of_pressure(pressure, density)
        results["carries_pushed"] = full_flow(pipe, left, froth) / foam
    bore = smallest_bore(pipe, fall, slope, froth, needed * foam)
    if bore is not None:
        results["smallest_bore"] = bore
    # Not shown; only so that the doubt of readings that are judged as they stand comes with the results.
    if given.has("housing_bore"):
        results["bore_share"] = given.number("bore") / given.number("housing_bore")
    if end is not None:
        results["end_height"] = end
    for name in ("flattest", "clocking"):
        if given.has(name):
            results[name] = given.number(name)
    return results


def tell(given: Given, results: Results, limits: Limits) -> Told:
    """Say whether the drain is enough, what would be, and what stands against it."""
    needed, full = 6e4 * results.value("needed"), 6e4 * results.value("carries_full")
    half = 6e4 * results.value("carries_half")
    says = [f"{needed:.1f} L/min of oil comes; the drain carries {half:.1f} half full and {full:.1f} full."]
    if results.value("margin") < 1.0:
        sure = "cannot" if given.has("feed") else "may not"
        says.append(
            f"Even full it {sure} carry what comes, and oil then stands in the bearing housing. Pour half a "
            "litre of oil in at the turbocharger; it must run away as fast as it is poured."
        )
    elif results.value("margin_half") < 1.0:
        says.append("It runs more than half full, without room for froth to part from gas.")
    else:
        says.append("By its size it is enough; carbon, a gasket over the hole or a kink is not seen by this.")
    if results.has("smallest_bore"):
        says.append(f"A bore of {math.ceil(1e3 * results.value('smallest_bore'))} mm all the way would do.")
    else:
        says.append("No bore helps, since it hardly falls. Raise the turbocharger or fit a scavenge pump.")
    if results.has("carries_pushed"):
        says.append(
            f"The crankcase pressure holds up {1e3 * results.value('pushed_back'):.0f} mm of oil and "
            f"{given.number('foam'):g} times that of froth. A drain that stands full then carries "
            f"{6e4 * results.value('carries_pushed'):.1f} L/min. See to the crankcase vent before the drain."
        )
    return Told(says, _caveats(given), _findings(given, results, limits), _measurements(given))


def _caveats(given: Given) -> list[str]:
    caveats = []
    if not given.has("feed") and not given.has("restrictor"):
        bearing = given.picked("bearing") or "journal"
        caveats.append(
            f"The feed is what a {bearing} bearing usually passes; half to twice is met. Catch it."
        )
    elif not given.has("feed"):
        caveats.append("The bearing behind the restrictor takes part of the pressure, so less may come.")
    if not given.has("at_100"):
        caveats.append("The viscosity is that of a usual oil of the grade; it can be a fifth off.")
    if not given.has("flattest"):
        caveats.append("The slope is taken as even; one flat piece or a sag holds oil back.")
    if end_height(given) is None:
        caveats.append("The drain is taken to end above the oil level.")
    return caveats


def _findings(given: Given, results: Results, limits: Limits) -> list[Implied]:
    # A feed that was not caught and timed may be half as much; carbon is not seen, so sizes never clear.
    sure = 1.0 if given.has("feed") else 2.0
    margin, doubt = sure * results.value("margin"), sure * results.uncertainty("margin")
    flow = judge(limits, "turbo_drain_margin", margin, doubt)
    found = [flow] if flow.state == "present" else []
    if results.has("flattest"):
        flat = _judge(results, limits, "turbo_drain_slope", "flattest", DEGREES_PER_RADIAN)
        found += [flat] if flat.state == "present" else []
    if results.has("bore_share"):
        narrow = _judge(results, limits, "turbo_drain_bore_share", "bore_share", 100.0)
        no_tight_elbow = given.optional("tight_bends") == 0.0
        found += [narrow] if narrow.state == "present" or no_tight_elbow else []
    return found + _low_end(results, limits)


def _low_end(results: Results, limits: Limits) -> list[Implied]:
    """Return whether it ends too low or leaves too far off straight down; both must be sound to clear."""
    checks = []
    if results.has("end_height"):
        checks.append(_judge(results, limits, "turbo_drain_end_height", "end_height", 1e3))
    if results.has("clocking"):
        checks.append(_judge(results, limits, "turbo_drain_clocking", "clocking", DEGREES_PER_RADIAN))
    bad = [check for check in checks if check.state == "present"]
    if bad:
        return bad[:1]
    clear = len(checks) == 2 and all(check.state == "absent" for check in checks)
    return [min(checks, key=lambda check: check.strength)] if clear else []


def _judge(results: Results, limits: Limits, limit: str, name: str, scale: float) -> Implied:
    return judge(limits, limit, scale * results.value(name), scale * results.uncertainty(name))


def _measurements(given: Given) -> list[Reported]:
    pressure = given.optional("crankcase_pressure")
    return [] if pressure is None else [Reported("crankcase_pressure", round(pressure / 1e3, 3), "kPa")]


MEASURE = Measure(
    id="oil_drain",
    label="Turbocharger oil drain",
    asks="Is the oil drain of the turbocharger wide and steep enough for the oil that comes?",
    inputs=(
        TO_CONVERT,
        Input(
            "bore",
            "Smallest bore of the drain, fittings and hose",
            "length",
            ("3 mm", "50 mm"),
            doubt="0.3 mm",
            example="16 mm",
        ),
        Input(
            "length",
            "Length of the drain",
            "length",
            ("30 mm", "3000 mm"),
            doubt="10 mm",
            example="400 mm",
        ),
        Input(
            "fall",
            "Height that the drain falls from turbocharger to its end",
            "length",
            ("0 mm", "2000 mm"),
            doubt="10 mm",
            example="250 mm",
        ),
        Input(
            "flattest",
            "Slope of its flattest piece, from level",
            "angle",
            ("-45 deg", "90 deg"),
            False,
            doubt="2 deg",
            example="20 deg",
            help="Below zero where it rises.",
        ),
        Input("bends", "Swept bends", "count", ("0", "12"), False, "1"),
        Input("tight_bends", "Tight elbows of 90 degrees", "count", ("0", "12"), False, example="0"),
        Input(
            "housing_bore",
            "Drain hole in the bearing housing",
            "length",
            ("5 mm", "50 mm"),
            False,
            doubt="0.3 mm",
            example="18 mm",
        ),
        Input(
            "end_above_oil",
            "Lower end above the oil level of the standing engine",
            "length",
            ("0 mm", "600 mm"),
            False,
            doubt="5 mm",
            example="40 mm",
        ),
        Input(
            "end_under_oil",
            "Lower end under the oil level, if it is",
            "length",
            ("0 mm", "300 mm"),
            False,
            doubt="5 mm",
            example="20 mm",
        ),
        Input(
            "clocking",
            "Angle at which the drain leaves the turbocharger, off straight down",
            "angle",
            ("0 deg", "180 deg"),
            False,
            doubt="3 deg",
            example="10 deg",
        ),
        Input(
            "temperature",
            "Oil temperature in the drain",
            "temperature",
            ("-20 degC", "200 degC"),
            False,
            "90 degC",
            valid=("60 degC", "150 degC"),
            valid_because="cold oil drains far more slowly than the feed slows down.",
            doubt="5 K",
        ),
        GRADE,
        AT_40,
        AT_100,
        Input(
            "bearing",
            "Bearing",
            "choice",
            needed=False,
            choices={
                "journal": "Journal bearing",
                "ball": "Ball bearing",
            },
        ),
        Input(
            "feed",
            "Oil that comes, caught and timed hot",
            "volume_flow",
            ("0.05 L/min", "30 L/min"),
            False,
            doubt="10 %",
            example="3 L/min",
        ),
        Input(
            "restrictor",
            "Bore of the restrictor in the feed",
            "length",
            ("0.4 mm", "8 mm"),
            False,
            doubt="0.05 mm",
            example="1.5 mm",
        ),
        Input(
            "feed_pressure",
            "Oil pressure ahead of the restrictor",
            "pressure",
            ("0 kPa", "1200 kPa"),
            False,
            reference="gauge",
            doubt="20 kPa",
            example="400 kPa gauge",
        ),
        Input(
            "crankcase_pressure",
            "Pressure in the crankcase",
            "pressure",
            ("-80 kPa", "60 kPa"),
            False,
            reference="gauge",
            doubt="0.1 kPa",
            example="3 kPa gauge",
        ),
        Input(
            "foam",
            "Volume of the froth for each volume of oil",
            "ratio",
            ("1", "5"),
            False,
            "2",
            doubt="0.3",
            help="1 is oil without air. Common practice takes about 2.",
        ),
    ),
    outputs=(
        Output("needed", "Oil that comes", "volume_flow"),
        Output("carries_half", "Oil that it carries half full, at its flattest", "volume_flow"),
        Output("carries_full", "Oil that it carries full", "volume_flow"),
        Output("margin_half", "Carried half full, as a multiple of what comes", "ratio"),
        Output("margin", "Carried full, as a multiple of what comes", "ratio"),
        Output("smallest_bore", "Smallest bore that would do", "length"),
        Output("pushed_back", "Height of oil that the crankcase pressure holds up", "length"),
        Output("carries_pushed", "Oil that it carries full against that pressure", "volume_flow"),
        Output("viscosity", "Viscosity of the oil", "viscosity"),
    ),
    formulas=(
        Formula("h = (f L / D + sum K) v^2 / (2 g), f = 64 / Re when laminar", "laminar_pipe_flow"),
        Formula(
            "1 / sqrt(f) = -1.8 log10((e / 3.7)^1.11 + 6.9 / Re) when turbulent", "friction_factor_haaland"
        ),
        Formula("K = K1 / Re + Kinf (1 + 1 / D_inch)", "hooper_two_k"),
        Formula("half full: S = f / D v^2 / (2 g) on half the section", "laminar_pipe_flow"),
        Formula("log10 log10(nu + 0.7) = A - B log10(T)", "astm_d341"),
        Formula("rho = 870 - 0.65 (t - 15)", "oil_density_handbook"),
        Formula("Q = Cd A sqrt(2 dp / rho)", "restrictor_flow"),
        Formula("feed by bearing, foam factor", "turbo_drain_practice"),
    ),
    assumes=(
        "Gravity alone drains it; a scavenge pump is another matter.",
        "The froth is as thick as its oil and lighter by the foam factor.",
        "One bore all the way, the smallest; smooth inside.",
    ),
    compute=compute,
    tell=tell,
    example={
        "bore": "12 mm",
        "length": "400 mm",
        "fall": "250 mm",
        "bends": "1",
        "tight_bends": "1",
        "housing_bore": "18 mm",
        "temperature": "120 degC",
        "at_40": "90 mm2/s",
        "at_100": "14 mm2/s",
        "feed": "4 L/min",
        "crankcase_pressure": "3 kPa gauge",
    },
    cautions=("lifting_support", "hot_parts_burn", "hot_oil_drain", "oil_on_exhaust_fire"),
    limits=(
        "turbo_drain_bore_share",
        "turbo_drain_clocking",
        "turbo_drain_end_height",
        "turbo_drain_margin",
        "turbo_drain_slope",
    ),
    published=(
        Published("viscosity", 9.317, 5e-3, "ASTM D341 with 273.15, by hand from 90 and 14 mm2/s"),
        Published(
            "carries_half", 2.511, 5e-3, "Hagen-Poiseuille by hand, g S D^2 / (32 nu) on half the section"
        ),
        Published("pushed_back", 381.6, 1e-3, "hydrostatics by hand, p / (rho g) with 801.75 kg/m3"),
    ),
)
