"""Which channel a column is, by its name."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from engine.logs.column_units import known_unit
from engine.logs.layout import shown_name
from engine.logs.naming import (
    LEAST_LIKENESS,
    PREFIX,
    assign,
    fold_name,
    is_unit,
    match_columns,
    named,
    names_of,
    reference_said,
)
from engine.units import conversion
from tests.logs.log_text import knowledge

KNOWN = {name: channel for name, channel in names_of(knowledge().channels).items() if channel != "time"}
EVERY_NAME = sorted(
    (name, channel_id.removeprefix(PREFIX))
    for channel_id, channel in knowledge().channels.items()
    for name in channel.called
)


def channel_of(header: str) -> str | None:
    matches = match_columns([named(header, "", KNOWN).name], KNOWN)
    taken = assign(matches).get(0)
    return None if taken is None else taken.channel


def test_no_name_is_given_to_two_channels() -> None:
    owner: dict[str, str] = {}
    for name, channel in EVERY_NAME:
        assert owner.setdefault(fold_name(name), channel) == channel, name


@pytest.mark.parametrize(
    ("header", "channel"),
    [
        ("RPM", "engine_speed"),
        ("EngineSpeed", "engine_speed"),
        ("Engine_Speed_rpm", "engine_speed"),
        ("Throttle Pos (%)", "throttle"),
        ("Manifold Abs Press [kPa]", "boost"),
        ("MAP (kPa abs)", "boost"),
        ("Boost (Target)", "boost_target"),
        ("Boost Pressure Desired", "boost_target"),
        ("lambda_desired", "lambda_target"),
        ("Temperature (Oil)", "oil_temperature"),
        ("Oil Press.1", "oil_pressure"),
        ("oil_pressure_kPa", "oil_pressure"),
        ("Öldruck [bar]", "oil_pressure"),
        ("OELDRUCK", "oil_pressure"),
        ("Kühlmitteltemperatur", "coolant_temperature"),
        ("Régime moteur (tr/min)", "engine_speed"),
        ("Presión de aceite", "oil_pressure"),
        ("Giri motore", "engine_speed"),
        ("Température d'huile", "oil_temperature"),
        ("EGT1", "exhaust_temperature"),
        ("AFR", "air_fuel_ratio"),
        ("A/F", "air_fuel_ratio"),
        ("WG duty %", "boost_duty"),
        ("Engine oil pressuer", "oil_pressure"),
    ],
)
def test_names_that_loggers_write(header: str, channel: str) -> None:
    assert channel_of(header) == channel


@pytest.mark.parametrize(
    "header",
    [
        "Fuel temperature",
        "Gearbox oil temperature",
        "Oil pressure warning",
        "Oil pressure min",
        "Oil temperature limit",
        "Engine speed limit",
        "Throttle target",
        "Target gear",
        "Lambda 2",
        "EGT 2",
        "Injector duty 2",
        "Boost error",
        "Boost limit",
        "Max boost",
        "Lambda error",
        "Lambda sensor voltage",
        "Knock sensor gain",
        "Wheel speed FL",
        "Rear wheel speed",
        "Ambient air temp",
        "Turbine inlet pressure",
        "Fuel pressure target",
        "Battery current",
        "x",
        "",
        "...",
    ],
)
def test_other_quantities_are_not_taken(header: str) -> None:
    assert channel_of(header) is None


@given(st.sampled_from(EVERY_NAME), st.sampled_from(["upper", "title", "_", "-", "  ", " [kPa]", "_kPa"]))
def test_known_names_are_known_however_they_are_written(entry: tuple[str, str], style: str) -> None:
    name, channel = entry
    if channel == "time":
        return
    written = {"upper": name.upper(), "title": name.title()}.get(style)
    if written is None:
        written = name + style if "kPa" in style else name.replace(" ", style)
    assert channel_of(written) == channel


@given(st.lists(st.sampled_from([name for name, _ in EVERY_NAME]), max_size=12))
def test_each_channel_is_given_to_one_column(names: list[str]) -> None:
    matches = match_columns(names, KNOWN)
    taken = assign(matches)
    channels = [match.channel for match in taken.values()]
    assert len(set(channels)) == len(channels)
    assert all(match.likeness >= LEAST_LIKENESS for match in taken.values())
    sure = {found[0].channel for found in matches if found and found[0].likeness >= LEAST_LIKENESS}
    assert sure == set(channels)


def test_an_empty_column_gives_way() -> None:
    matches = match_columns(["oil pressure", "oil pressure 1"], KNOWN)
    assert set(assign(matches)) == {0}
    assert set(assign(matches, frozenset({0}))) == {1}


@given(st.text(max_size=60))
def test_any_name_is_folded_once_and_for_all(text: str) -> None:
    folded = fold_name(text)
    assert folded == " ".join(folded.split())
    channel_of(text)


@given(st.text(max_size=300))
def test_what_is_shown_is_short_and_harmless(text: str) -> None:
    shown = shown_name(text)
    assert len(shown) <= 80
    assert all(ord(sign) >= 32 and not 0x7F <= ord(sign) <= 0x9F for sign in shown)
    assert shown_name(shown) == shown


@pytest.mark.parametrize(
    ("unit", "said"),
    [
        ("kPa abs", "absolute"),
        ("psia", "absolute"),
        ("bar (a)", "absolute"),
        ("psig", "gauge"),
        ("bar g", "gauge"),
        ("kPa", None),
        ("bar", None),
        ("Pa", None),
    ],
)
def test_reference_in_the_unit(unit: str, said: str | None) -> None:
    assert reference_said("oil pressure", unit) == said
    assert is_unit(unit) or unit == "Pa"
    assert known_unit(unit, "kPa") is not None


@pytest.mark.parametrize(
    ("name", "said"),
    [("MAP", "absolute"), ("Boost", "gauge"), ("Manifold pressure", None), ("Boost MAP", None)],
)
def test_reference_in_the_name(name: str, said: str | None) -> None:
    assert reference_said(name, "kPa") == said


@pytest.mark.parametrize(
    ("written", "kept", "one"),
    [
        # SI brochure and its accepted units; psi and inHg after NIST SP 811 Appendix B.
        ("psi", "kPa", 6.894757),
        ("inHg", "kPa", 3.38639),
        ("bar", "kPa", 100.0),
        ("mbar", "kPa", 0.1),
        ("kg/cm2", "kPa", 98.0665),
        ("mph", "km/h", 1.609344),
        ("m/s", "km/h", 3.6),
        ("1/min", "rpm", 1.0),
        ("mV", "volt", 1e-3),
        ("kg/h", "g/s", 1.0 / 3.6),
        ("lb/min", "g/s", 7.559873),
        ("us", "ms", 1e-3),
        ("m/s²", "g_0", 1.0 / 9.80665),
    ],
)
def test_units_as_written(written: str, kept: str, one: float) -> None:
    unit = known_unit(written, kept)
    assert unit is not None
    scale, offset = conversion(unit, kept)
    assert scale == pytest.approx(one, rel=1e-5)
    assert offset == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("written", "kept"), [("V", "kPa"), ("degC", "kPa"), ("bananas", "rpm"), ("__x", "g/s")]
)
def test_units_of_something_else(written: str, kept: str) -> None:
    assert known_unit(written, kept) is None


@given(
    st.text(max_size=30), st.sampled_from(["kPa", "degC", "rpm", "g_0", "dimensionless", "percent", "g/s"])
)
def test_any_unit_is_known_or_not(text: str, kept: str) -> None:
    unit = known_unit(text, kept)
    if unit is not None:
        conversion(unit, kept)
