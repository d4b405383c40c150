"""Oil viscosity at a temperature, from two typed values or from the grade, and whether it is in its grade."""

from __future__ import annotations

import math
from dataclasses import dataclass

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
from engine.measures.limits import Implied, Limits, judge

ZERO_CELSIUS_K = 273.15
COLD_POINT_K = 40.0 + ZERO_CELSIUS_K
HOT_POINT_K = 100.0 + ZERO_CELSIUS_K

THINNEST_CHECKED_MM2_S = 2.0
"""Below this the standard adds terms to the 0.7, which are left out here."""

WINDOW_MM2_S: dict[int, tuple[float, float]] = {
    20: (6.9, 9.3),
    30: (9.3, 12.5),
    40: (12.5, 16.3),
    50: (16.3, 21.9),
    60: (21.9, 26.1),
}
"""SAE J300-2015: kinematic viscosity at 100 degC [mm2/s], from at least to below, by the second number."""

GRADES: dict[str, tuple[int, float]] = {
    "0W-20": (20, 42.0),
    "0W-30": (30, 61.6),
    "0W-40": (40, 88.1),
    "5W-20": (20, 42.9),
    "5W-30": (30, 63.2),
    "5W-40": (40, 90.6),
    "5W-50": (50, 131.5),
    "10W-30": (30, 68.4),
    "10W-40": (40, 99.0),
    "10W-50": (50, 144.9),
    "10W-60": (60, 197.9),
    "15W-40": (40, 105.4),
    "15W-50": (50, 155.3),
    "20W-50": (50, 173.7),
    "20W-60": (60, 240.5),
}
"""The second number of a grade, and the viscosity at 40 degC [mm2/s] of an oil in the middle of its window.

SAE J300 says nothing at 40 degC. The second value follows from a usual viscosity index (ASTM D2270): 170 for
0W, 165 for 5W, 150 for 10W, 140 for 15W, 125 for 20W. These indices are common practice; oils differ by 20.
"""

GRADE_CHOICES = {grade: f"SAE {grade}" for grade in GRADES}


@dataclass(frozen=True)
class Oil:
    """An oil by its kinematic viscosity [m2/s] at 40 and at 100 degC."""

    at_40: float
    at_100: float

    def viscosity(self, temperature_k: float) -> float:
        """Return its kinematic viscosity [m2/s] at a temperature [K]; see `viscosity_at`."""
        return viscosity_at(self.at_40, self.at_100, temperature_k)


def walther_constants(
    first: float, first_k: float, second: float, second_k: float, zero_k: float = ZERO_CELSIUS_K
) -> tuple[float, float]:
    """Return A and B of ``log10 log10(nu + 0.7) = A - B log10(T)`` through two points.

    Viscosities are in m2/s, temperatures in K. `zero_k` is what 0 degC counts as in the formula, since some
    tables take 273. Raises `ValueError` where the oil does not get thinner as it warms.

    >>> a, b = walther_constants(90e-6, 313.15, 14e-6, 373.15)
    >>> round(a, 5), round(b, 5)
    (7.65256, 2.94934)

    Source: ASTM D341 (formula read on a page that quotes it), nu in mm2/s, above 2 mm2/s.
    """
    if first_k == second_k or (first - second) * (second_k - first_k) <= 0.0 or min(first, second) <= 0.0:
        raise ValueError("an oil gets thinner as it warms")
    shift = zero_k - ZERO_CELSIUS_K
    y1, y2 = (math.log10(math.log10(1e6 * v + 0.7)) for v in (first, second))
    x1, x2 = (math.log10(t + shift) for t in (first_k, second_k))
    slope = (y1 - y2) / (x2 - x1)
    return y1 + slope * x1, slope


def viscosity_at(at_40: float, at_100: float, temperature_k: float) -> float:
    """Return the kinematic viscosity [m2/s] at a temperature [K] from those at 40 and 100 degC [m2/s].

    ``log10 log10(nu + 0.7) = A - B log10(T)``, within about 0.5 % between the two points and 5 % beyond.
    Raises `ValueError` where the oil does not get thinner as it warms.

    >>> round(1e6 * viscosity_at(90e-6, 14e-6, 393.15), 3)
    9.317
    >>> round(1e6 * viscosity_at(90e-6, 14e-6, 403.15), 3)
    7.797

    Source: ASTM D341 (formula read on a page that quotes it), nu in mm2/s, above 2 mm2/s.
    """
    a, b = walther_constants(at_40, COLD_POINT_K, at_100, HOT_POINT_K)
    return float(1e-6 * (10.0 ** (10.0 ** (a - b * math.log10(temperature_k))) - 0.7))


def oil_of_grade(grade: str, place: float = 0.5) -> Oil:
    """Return an oil of a grade at a place in its window at 100 degC, 0 the thinnest and 1 the thickest.

    The viscosity at 40 degC is moved in step, so that the viscosity index hardly changes.

    >>> round(1e6 * oil_of_grade("5W-30").at_100, 2)
    10.9

    Source: SAE J300-2015 for the window; the value at 40 degC is an estimate, see `GRADES`.
    """
    hot, at_40 = GRADES[grade]
    low, high = WINDOW_MM2_S[hot]
    middle = (low + high) / 2.0
    at_100 = low + place * (high - low)
    # Oils of one index lie close to nu40 ~ nu100^1.35; seen from ASTM D2270 between 7 and 26 mm2/s.
    return Oil(1e-6 * at_40 * (at_100 / middle) ** 1.35, 1e-6 * at_100)


def beyond_window(at_100: float, grade: str) -> float:
    """Return how far a viscosity at 100 degC [m2/s] lies outside the window of a grade, as a share.

    A share of the nearer end; nought within the window.

    >>> round(beyond_window(8.37e-6, "5W-30"), 3)
    0.1

    Source: SAE J300-2015.
    """
    low, high = (1e-6 * end for end in WINDOW_MM2_S[GRADES[grade][0]])
    return max((low - at_100) / low, (at_100 - high) / high, 0.0)


GRADE = Input(
    "grade",
    "Grade on the can",
    "choice",
    needed=False,
    choices=GRADE_CHOICES,
    help="Used where the two viscosities are not known.",
)
AT_40 = Input(
    "at_40",
    "Viscosity at 40 degC, from the data sheet or a laboratory",
    "viscosity",
    ("10 mm2/s", "500 mm2/s"),
    False,
    doubt="1 %",
    example="90 mm2/s",
)
AT_100 = Input(
    "at_100",
    "Viscosity at 100 degC, from the data sheet or a laboratory",
    "viscosity",
    ("3 mm2/s", "40 mm2/s"),
    False,
    doubt="1 %",
    example="14 mm2/s",
)


def oil_given(given: Given) -> Oil | None:
    """Return the oil that the readings `grade`, `at_40` and `at_100` tell of, or None where they tell none.

    Raises `InputError` where one of the two viscosities stands alone or they contradict each other.
    """
    at_40, at_100 = given.optional("at_40"), given.optional("at_100")
    if at_40 is not None and at_100 is not None:
        if at_40 <= 1.5 * at_100:
            message = "oil is far thicker at 40 than at 100 degC; the two viscosities contradict each other"
            raise wrong("at_40", f"{1e6 * at_40:g} mm2/s", message, (f"above {1.5e6 * at_100:.1f} mm2/s",))
        return Oil(at_40, at_100)
    grade = given.picked("grade")
    if at_40 is not None and at_100 is None:
        raise wrong("at_100", None, "the viscosity at 40 degC needs the one at 100 degC", ("14 mm2/s",))
    if at_100 is not None:
        if grade is None:
            raise wrong("at_40", None, "the viscosity at 100 degC needs the one at 40 degC", ("90 mm2/s",))
        hot, at_40_middle = GRADES[grade]
        middle = sum(WINDOW_MM2_S[hot]) / 2.0
        return Oil(1e-6 * at_40_middle * (1e6 * at_100 / middle) ** 1.35, at_100)
    return None if grade is None else oil_of_grade(grade)


def compute(given: Given) -> Computed:
    """Return the viscosity at the temperature, the span of the grade, and how far it is out of grade."""
    oil = oil_given(given)
    if oil is None:
        raise wrong("grade", None, "the grade, or the viscosities at 40 and 100 degC, is needed", ("5W-30",))
    temperature = given.number("temperature")
    results: dict[str, float] = {"viscosity": oil.viscosity(temperature), "at_100_degc": oil.at_100}
    grade = given.picked("grade")
    if grade is not None and not given.has("at_100"):
        results["thinnest"] = oil_of_grade(grade, 0.0).viscosity(temperature)
        results["thickest"] = oil_of_grade(grade, 1.0).viscosity(temperature)
    wanted = given.picked("wanted_grade")
    if wanted is not None and given.has("at_100"):
        results["out_of_grade"] = beyond_window(oil.at_100, wanted)
    return results


def tell(given: Given, results: Results, limits: Limits) -> Told:
    """Say how thick the oil is, and whether it is still the oil that the engine wants."""
    celsius = given.number("temperature") - ZERO_CELSIUS_K
    here, hot = 1e6 * results.value("viscosity"), 1e6 * results.value("at_100_degc")
    says = [f"At {celsius:.0f} degC the oil has {here:.1f} mm2/s; at 100 degC it has {hot:.1f}."]
    caveats, findings = [], []
    if results.has("thinnest"):
        thin, thick = 1e6 * results.value("thinnest"), 1e6 * results.value("thickest")
        says.append(f"From the grade alone it can lie between {thin:.1f} and {thick:.1f} mm2/s.")
        caveats.append("The grade fixes the viscosity at 100 degC only; a usual viscosity index is taken.")
    if here < THINNEST_CHECKED_MM2_S:
        caveats.append("Below 2 mm2/s the formula in this short form is off.")
    if results.has("out_of_grade"):
        implied = _in_grade(results, limits)
        wanted = given.picked("wanted_grade")
        if implied.state == "present":
            says.append(
                f"It is not an SAE {wanted}: {implied.value:.0f} % outside the window at 100 degC. Find out "
                "what was filled, smell the oil for fuel, and change it before load."
            )
            findings.append(implied)
        else:
            says.append(f"At 100 degC it passes as SAE {wanted}, which says nothing of its additives.")
    return Told(says=says, caveats=caveats, findings=findings)


def _in_grade(results: Results, limits: Limits) -> Implied:
    share = 100.0 * results.value("out_of_grade")
    return judge(limits, "oil_viscosity_out_of_grade", share, 100.0 * results.uncertainty("out_of_grade"))


MEASURE = Measure(
    id="oil_viscosity",
    label="Oil viscosity",
    asks="How thick is the oil at this temperature, and is it the grade that the engine needs?",
    inputs=(
        Input(
            "temperature",
            "Oil temperature",
            "temperature",
            ("-40 degC", "200 degC"),
            valid=("0 degC", "150 degC"),
            valid_because="the formula was checked between 0 and 150 degC; cold oil can be thicker.",
            doubt="2 K",
            example="120 degC",
        ),
        GRADE,
        AT_40,
        AT_100,
        Input(
            "wanted_grade",
            "Grade that the engine maker or builder asks for",
            "choice",
            needed=False,
            choices=GRADE_CHOICES,
            help="Compared with the viscosity at 100 degC of the oil that is in it.",
        ),
    ),
    outputs=(
        Output("viscosity", "Viscosity at the temperature", "viscosity"),
        Output("thinnest", "Thinnest oil of this grade at the temperature", "viscosity"),
        Output("thickest", "Thickest oil of this grade at the temperature", "viscosity"),
        Output("at_100_degc", "Viscosity at 100 degC", "viscosity"),
        Output("out_of_grade", "Outside the window of the wanted grade by", "fraction"),
    ),
    formulas=(
        Formula("log10 log10(nu + 0.7) = A - B log10(T)", "astm_d341"),
        Formula("window of the grade at 100 degC", "sae_j300"),
        Formula("viscosity at 40 degC from a usual viscosity index of the grade", "oil_index_of_grade"),
    ),
    assumes=(
        "Kinematic viscosity at low shear; in a loaded bearing a multigrade oil is thinner.",
        "No fuel, water or soot in it, unless a laboratory measured this very oil.",
    ),
    compute=compute,
    tell=tell,
    example={"temperature": "120 degC", "at_40": "90 mm2/s", "at_100": "14 mm2/s", "wanted_grade": "10W-40"},
    cautions=("hot_oil_drain", "chemical_skin"),
    limits=("oil_viscosity_out_of_grade",),
    published=(
        Published("viscosity", 9.317, 5e-3, "ASTM D341 with 273.15, worked out by hand from 90 and 14 mm2/s"),
    ),
)
