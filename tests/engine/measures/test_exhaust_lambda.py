"""Lambda from exhaust gas: golden values, round trips of element-balanced gas, and the wideband beside it."""

from __future__ import annotations

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from engine.case import TriageRequest
from engine.errors import InputError
from engine.loading import KnowledgeSource, default_root, load_source
from engine.measures.answer import MeasureAnswer
from engine.measures.exhaust_lambda import HC_FACTOR, MEASURE, brettschneider
from engine.measures.run import TypedValue, run
from engine.measures.wideband_leak import indicated
from engine.triage import Options, Triage
from tests.engine.measures.exhaust_gas import burnt, oxygen_needed

GAS: dict[str, TypedValue] = {"co2": "14.7 %", "co": "0.15 %", "o2": "0.30 %", "hc": "50 ppm"}


@pytest.fixture(scope="module")
def source() -> KnowledgeSource:
    return load_source(default_root())


def states(answer: MeasureAnswer) -> dict[str, str]:
    return {finding.id: finding.state for finding in answer.facts.findings}


def value(answer: MeasureAnswer, name: str) -> float:
    return next(r.value for r in answer.results if r.name == name)


@pytest.mark.parametrize(
    ("gas", "expected"), [((14.7, 0.15, 0.30, 50.0), 1.0077), ((12.0, 3.5, 0.3, 250.0), 0.9022)]
)
def test_published_values(gas: tuple[float, float, float, float], expected: float) -> None:
    # Brettschneider 1979 with Hcv 1.7261, Ocv 0.0176, K1 6e-4; reference.md section 8, worked by hand.
    assert brettschneider(*gas) == pytest.approx(expected, abs=5e-5)


@pytest.mark.parametrize(
    ("lam", "share", "gas", "expected"),
    [
        # reference.md section 8: CH1.85, water-gas constant 3.5, air added ahead of the sensor.
        (0.80, 0.05, (9.835, 7.245, 0.999), 0.8400),
        (0.90, 0.10, None, 0.9900),
        (1.00, 0.02, None, 1.0200),
    ],
)
def test_air_added_reads_lean_by_its_share(
    lam: float, share: float, gas: tuple[float, float, float] | None, expected: float
) -> None:
    diluted = burnt(lam, 1.85).with_air(share * lam * oxygen_needed(1.85))
    dry = diluted.dry_percent()
    if gas is not None:
        assert dry == pytest.approx(gas, abs=1e-3)
    assert brettschneider(*dry, 0.0, h=1.85, o=0.0) == pytest.approx(expected, abs=1e-3)
    assert indicated(lam, share) == pytest.approx(expected, abs=1e-9)


@settings(max_examples=200, deadline=None)
@given(st.floats(0.65, 1.6), st.floats(0.0, 0.5), st.floats(1.5, 4.0), st.floats(0.0, 1.0))
def test_a_balanced_gas_of_any_fuel_comes_back_with_any_air(
    lam: float, share: float, h: float, o: float
) -> None:
    assume(abs(lam - 1.0) > 1e-6)
    # Rich of this there is not even oxygen for the carbon.
    assume(2.0 * lam * oxygen_needed(h, o) + o > 1.05)
    diluted = burnt(lam, h, o).with_air(share * lam * oxygen_needed(h, o))
    back = brettschneider(*diluted.dry_percent(), 0.0, h=h, o=o)
    assert back == pytest.approx(lam * (1.0 + share), rel=1e-6)


def test_a_mixture_of_the_library_comes_back() -> None:
    """Differential: octane burnt lean, the products by the element balance of chemicals."""
    combustion = pytest.importorskip("chemicals.combustion")
    products = combustion.combustion_stoichiometry({"C": 8, "H": 18})
    needed = -products["O2"]
    excess = 0.25
    nitrogen = (1.0 + excess) * needed * (1.0 - 0.2095) / 0.2095
    dry = products["CO2"] + excess * needed + nitrogen
    gas = (100.0 * products["CO2"] / dry, 0.0, 100.0 * excess * needed / dry)
    assert brettschneider(*gas, 0.0, h=18 / 8, o=0.0) == pytest.approx(1.25, rel=1e-9)


@settings(max_examples=100, deadline=None)
@given(
    st.floats(5.0, 15.0),
    st.floats(0.0, 8.0),
    st.floats(0.0, 5.0),
    st.floats(0.0, 2000.0),
    st.floats(0.01, 1.0),
)
def test_oxygen_leans_and_fuel_left_over_enriches(
    co2: float, co: float, o2: float, hc: float, more: float
) -> None:
    here = brettschneider(co2, co, o2, hc)
    assert brettschneider(co2, co, o2 + more, hc) > here
    assert brettschneider(co2, co, o2, hc + 100.0 * more) < here
    assert brettschneider(co2, co, o2, hc, k1=2.0 * HC_FACTOR) <= here
    # Only ratios count: dry or wet, the same.
    assert brettschneider(0.87 * co2, 0.87 * co, 0.87 * o2, 0.87 * hc) == pytest.approx(here)


def test_the_example(source: KnowledgeSource) -> None:
    answer = run(source, MEASURE, GAS)
    assert value(answer, "lambda") == pytest.approx(1.0077, abs=1e-4)
    assert states(answer) == {}


@pytest.mark.parametrize(
    ("shown", "probe", "expected"),
    [
        ("1.06", "beside", {"wideband_disagrees_with_reference": "present"}),
        ("0.96", "beside", {"wideband_disagrees_with_reference": "present"}),
        ("1.01", "beside", {"wideband_disagrees_with_reference": "absent"}),
        ("1.028", "beside", {}),
        ("1.06", "tailpipe", {}),
        ("1.01", "tailpipe", {}),
    ],
)
def test_only_a_probe_beside_the_wideband_judges_it(
    source: KnowledgeSource, shown: str, probe: str, expected: dict[str, str]
) -> None:
    answer = run(source, MEASURE, GAS | {"wideband": shown, "probe_at": probe})
    assert states(answer) == expected


def test_a_wideband_off_moves_its_causes_and_holds_the_run(source: KnowledgeSource, triage: Triage) -> None:
    def asked(shown: str) -> tuple[float, float, str]:
        answer = run(source, MEASURE, GAS | {"wideband": shown, "probe_at": "beside"})
        told = triage.answer(TriageRequest(findings=answer.facts.findings), Options(causes=1000))
        assert told.conflicts == []
        part = next(c for c in told.causes or () if c.id == "wideband_aged")
        return part.probability, part.prior, told.verdict.verdict

    probability, prior, verdict = asked("1.10")
    assert probability > 10 * prior
    assert verdict == "mend_first"
    probability, prior, _ = asked("1.01")
    assert probability < prior


def test_oxygen_beside_carbon_monoxide_is_told(source: KnowledgeSource) -> None:
    answer = run(source, MEASURE, {"co2": "9.8 %", "co": "7.2 %", "o2": "2.0 %"})
    assert any("drawn in ahead of the probe" in line for line in answer.says)
    assert not any("drawn in ahead" in line for line in run(source, MEASURE, GAS).says)


def test_much_unburnt_fuel_is_told_with_the_other_factor(source: KnowledgeSource) -> None:
    answer = run(source, MEASURE, GAS | {"hc": "1500 ppm"})
    assert any("counted twice" in caveat for caveat in answer.caveats)


@pytest.mark.parametrize(
    ("readings", "where"),
    [
        ({"co2": "14 %", "co": "1 %"}, "readings.o2"),
        (GAS | {"co2": "14.7 kPa"}, "readings.co2"),
        (GAS | {"co2": "14.7"}, "readings.co2"),
        (GAS | {"co2": "nan %"}, "readings.co2"),
        (GAS | {"co": "40 %"}, "readings.co"),
        (GAS | {"o2": "9 %"}, "readings.o2"),
        ({"co2": "0.1 %", "co": "0 %", "o2": "20.6 %"}, "readings.co2"),
        (GAS | {"probe_at": "nose"}, "readings.probe_at"),
    ],
)
def test_bad_readings_are_told(source: KnowledgeSource, readings: dict[str, TypedValue], where: str) -> None:
    with pytest.raises(InputError) as raised:
        run(source, MEASURE, readings)
    assert raised.value.issues[0].field == where
