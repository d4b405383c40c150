"""Exhaust leak ahead of the wideband: share, bounds at load, trust, and what may and may not follow."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.case import TriageRequest
from engine.errors import InputError
from engine.loading import KnowledgeSource, default_root, load_source
from engine.measures.answer import MeasureAnswer
from engine.measures.run import TypedValue, run
from engine.measures.wideband_leak import MEASURE, drawn_through, indicated, share_from_cover
from engine.triage import Options, Triage


@pytest.fixture(scope="module")
def source() -> KnowledgeSource:
    return load_source(default_root())


def states(answer: MeasureAnswer) -> dict[str, str]:
    return {finding.id: finding.state for finding in answer.facts.findings}


def value(answer: MeasureAnswer, name: str) -> float:
    return next(r.value for r in answer.results if r.name == name)


@pytest.mark.parametrize(
    ("lam", "share", "shown"), [(0.80, 0.05, 0.84), (0.90, 0.10, 0.99), (1.00, 0.02, 1.02)]
)
def test_published_values(lam: float, share: float, shown: float) -> None:
    # reference.md section 8, element balance of CH1.85; the gas itself is built in test_exhaust_lambda.py.
    assert indicated(lam, share) == pytest.approx(shown, abs=1e-3)


@settings(max_examples=100, deadline=None)
@given(st.floats(0.6, 1.5), st.floats(0.0, 0.6), st.floats(-0.3, 0.3), st.floats(-0.3, 0.3))
def test_the_share_comes_back_whatever_the_trims_do(
    lam: float, share: float, found: float, covered: float
) -> None:
    # The fuel goes with one plus the trim, so the true lambda goes against it.
    shown = indicated(lam / (1.0 + found), share)
    sealed = lam / (1.0 + covered)
    assert share_from_cover(shown, sealed, found, covered) == pytest.approx(share, abs=1e-9)


def test_a_hole_agrees_with_the_library() -> None:
    """Differential: small suction, so nearly incompressible; fluids' discharge equation without expansion."""
    meter = pytest.importorskip("fluids.flow_meter")
    flow = meter.flow_meter_discharge(
        D=1.0,
        Do=0.004,
        P1=101_325.0,
        P2=100_325.0,
        rho=101_325.0 / (287.05 * 293.15),
        C=0.7,
        expansibility=1.0,
    )
    assert drawn_through(0.004, 0.7, 1000.0, 1.0, 101_325.0) == pytest.approx(flow, rel=0.01)
    assert drawn_through(0.004, 0.7, 1000.0, 0.3, 101_325.0) == pytest.approx(0.3 * flow, rel=0.01)


@settings(max_examples=60, deadline=None)
@given(st.floats(0.5e-3, 0.02), st.floats(100.0, 10e3), st.floats(1.01, 2.0))
def test_a_larger_hole_and_more_suction_draw_more(diameter: float, suction: float, more: float) -> None:
    here = drawn_through(diameter, 0.7, suction, 0.3, 101_325.0)
    assert drawn_through(diameter * more, 0.7, suction, 0.3, 101_325.0) == pytest.approx(here * more**2)
    assert (
        here < drawn_through(diameter, 0.7, suction * more, 0.3, 101_325.0) < here * math.sqrt(more) * 1.001
    )


@settings(max_examples=40, deadline=None)
@given(st.floats(0.5, 40.0), st.floats(30.0, 1000.0))
def test_the_bound_at_load_falls_with_the_flow_and_never_leaves_what_is_shown(
    source: KnowledgeSource, share: float, flow: float
) -> None:
    readings: dict[str, TypedValue] = {
        "share": f"{share:.3f} %",
        "load_lambda": "0.80",
        "load_flow": f"{flow:.2f} g/s",
        "idle_flow": "4 g/s",
    }
    answer = run(source, MEASURE, readings)
    true, error = value(answer, "true_load"), value(answer, "error_load")
    assert true < 0.80
    assert true + error == pytest.approx(0.80, abs=1e-5)
    assert indicated(true, share / 100 * 4.0 / flow) == pytest.approx(0.80, abs=2e-5)
    # At the flow from which it is trusted the bound is just one per cent.
    trusted = value(answer, "trusted_from")
    assert share / 100 * 4.0 / trusted == pytest.approx(0.01, rel=1e-2)
    assert (
        value(run(source, MEASURE, readings | {"load_flow": f"{1.5 * flow:.2f} g/s"}), "error_load") < error
    )


COVER: dict[str, TypedValue] = {"idle_lambda": "1.08", "idle_covered": "1.00", "load_lambda": "0.80"}


@pytest.mark.parametrize(
    ("readings", "expected"),
    [
        # A sensor in the tailpipe that comes right at load: that is what the finding says.
        (COVER | {"sensor_at": "tailpipe"}, {"lean_reading_only_at_low_flow": "present"}),
        ({"share": "0.2 % +/- 0.3 %", "sensor_at": "tailpipe"}, {"lean_reading_only_at_low_flow": "absent"}),
        # Two readings a hundredth apart tell nothing.
        ({"idle_lambda": "1.01", "idle_covered": "1.00", "sensor_at": "tailpipe"}, {}),
        # In a boss of the pipe it is a leak, which that finding would put down to dilution.
        (COVER, {}),
        # Not right at load either.
        ({"share": "40 %", "load_flow": "40 g/s", "sensor_at": "tailpipe"}, {}),
        # A hole is an estimate, not a reading of lambda.
        ({"hole": "8 mm", "sensor_at": "tailpipe"}, {}),
    ],
)
def test_what_follows(
    source: KnowledgeSource, triage: Triage, readings: dict[str, TypedValue], expected: dict[str, str]
) -> None:
    answer = run(source, MEASURE, readings)
    assert states(answer) == expected
    request = TriageRequest(findings=answer.facts.findings, measurements=answer.facts.measurements)
    assert triage.answer(request).conflicts == []


def test_a_leak_in_the_pipe_is_to_be_mended_first(source: KnowledgeSource) -> None:
    says = " ".join(run(source, MEASURE, COVER).says)
    assert "Mend the leak before" in says
    assert "smoke" in says


def test_dilution_of_a_tailpipe_sensor_moves_with_it(source: KnowledgeSource, triage: Triage) -> None:
    def share(readings: dict[str, TypedValue]) -> tuple[float, float]:
        answer = run(source, MEASURE, readings | {"sensor_at": "tailpipe"})
        request = TriageRequest(vehicle={"wideband": "tailpipe"}, findings=answer.facts.findings)
        told = triage.answer(request, Options(causes=1000))
        part = next(c for c in told.causes or () if c.id == "wideband_tailpipe_dilution")
        return part.probability, part.prior

    probability, prior = share(COVER)
    assert probability > 10 * prior
    probability, prior = share({"share": "0.2 % +/- 0.3 %"})
    assert probability < prior


def test_closed_loop_hides_the_leak_in_the_trim(source: KnowledgeSource) -> None:
    hidden = run(source, MEASURE, {"idle_lambda": "1.00", "idle_covered": "1.00"})
    assert value(hidden, "share_idle") == 0.0
    assert any("closed loop" in caveat for caveat in hidden.caveats)
    told = run(
        source,
        MEASURE,
        {"idle_lambda": "1.00", "idle_covered": "1.00", "trim_found": "9 %", "trim_covered": "1 %"},
    )
    assert value(told, "share_idle") == pytest.approx(100 * (1.09 / 1.01 - 1.0), abs=1e-3)
    assert not any("closed loop" in caveat for caveat in told.caveats)


def test_doubt_at_nothing_is_that_of_two_readings(source: KnowledgeSource) -> None:
    answer = run(source, MEASURE, {"idle_lambda": "1.00", "idle_covered": "1.00"})
    half = next(r.plus_minus for r in answer.results if r.name == "share_idle")
    # 0.01 of each, evenly spread: sqrt(2) 0.01 / sqrt(3), twice that for 95 per cent.
    assert half == pytest.approx(100 * 2 * math.sqrt(2) * 0.01 / math.sqrt(3), rel=5e-3)


@pytest.mark.parametrize(
    ("readings", "where"),
    [
        ({}, "readings.idle_covered"),
        ({"idle_lambda": "1.05"}, "readings.idle_covered"),
        ({"idle_covered": "1.05"}, "readings.idle_lambda"),
        ({"idle_lambda": "1.05 kPa", "idle_covered": "1.0"}, "readings.idle_lambda"),
        ({"idle_lambda": "nan", "idle_covered": "1.0"}, "readings.idle_lambda"),
        ({"idle_lambda": "14.7", "idle_covered": "1.0"}, "readings.idle_lambda"),
        ({"idle_lambda": "0.95", "idle_covered": "1.00"}, "readings.idle_covered"),
        ({"idle_lambda": "2.4", "idle_covered": "1.00"}, "readings.idle_lambda"),
        ({"share": "5 %", "hole": "4 mm"}, "readings.share"),
        ({"share": "5"}, "readings.share"),
        ({"share": "90 %"}, "readings.share"),
        ({"share": "5 %", "load_flow": "160 kPa"}, "readings.load_flow"),
        ({"hole": "4 mm", "atmosphere": "98 kPa gauge"}, "readings.atmosphere"),
    ],
)
def test_bad_readings_are_told(source: KnowledgeSource, readings: dict[str, TypedValue], where: str) -> None:
    with pytest.raises(InputError) as raised:
        run(source, MEASURE, readings)
    assert raised.value.issues[0].field == where
