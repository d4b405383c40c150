"""Tells for each column of a log which channel it is and what its numbers mean."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from engine.logs.column_units import (
    ATMOSPHERE_KPA,
    Meaning,
    Sample,
    meaning_of,
    rescaled,
    same_as_measured,
)
from engine.logs.layout import Caveat, Column, Question, shown_name
from engine.logs.mapping import ColumnMapping
from engine.logs.mapping import Mapping as LogMapping
from engine.logs.naming import PREFIX, Match, Named, assign, match_columns, named, names_of
from engine.logs.raw import Piece, RawLog
from engine.logs.stretch import Floats
from engine.model import Channel

LEAST_SURE = 0.88


@dataclass(frozen=True)
class Use:
    """How a column becomes a channel in its kept unit: ``kept = number * scale + offset``."""

    channel: str
    scale: float
    offset: float


@dataclass(frozen=True)
class Identified:
    """What the columns are; `used` by the number of the column, without those that await an answer."""

    columns: list[Column]
    used: dict[int, Use]
    questions: list[Question]
    caveats: list[Caveat]


@dataclass
class _Column:
    raw: Named
    match: Match | None
    others: list[str]
    told: ColumnMapping | None
    meaning: Meaning | None = None


def identify(
    raw: RawLog, channels: Mapping[str, Channel], head: Piece, mapping: LogMapping | None
) -> Identified:
    """Return what the columns of a log are, from the mapping first, then their names, units and numbers."""
    columns = _named(raw, channels, mapping)
    layout_names = [column.name for column in raw.layout().columns]
    speed, load = _speed_and_load(columns, head)
    for i, column in columns.items():
        if column.match is None or i == raw.time_column:
            continue
        channel = channels[PREFIX + column.match.channel]
        sample = Sample(head.columns.get(i, np.full(head.times.size, np.nan)), speed, load)
        column.meaning = _meaning(layout_names[i], column, channel, sample)
    _settle_target(columns, head, load)
    return _told(raw, columns, channels, head, layout_names)


def _named(raw: RawLog, channels: Mapping[str, Channel], mapping: LogMapping | None) -> dict[int, _Column]:
    known = names_of(channels)
    known = {name: channel for name, channel in known.items() if channel != "time"}
    cut = [named(column.name, column.unit, known) for column in raw.columns]
    names = [column.name for column in cut]
    written = [column.name for column in raw.layout().columns]
    told = {column.column: column for column in (mapping.columns if mapping else ())}
    matches = match_columns(names, known)
    if raw.time_column is not None:
        matches[raw.time_column] = []
    said_channels = {c.channel for c in told.values() if c.channel is not None}
    free = [
        [] if written[i] in told else [m for m in found if m.channel not in said_channels]
        for i, found in enumerate(matches)
    ]
    taken = assign(free)
    columns = {}
    for i, column in enumerate(cut):
        said = told.get(written[i])
        match = taken.get(i)
        if said is not None:
            match = Match(said.channel, 1.0) if said.channel and i != raw.time_column else None
        others = [m.channel for m in matches[i] if match is None or m.channel != match.channel]
        columns[i] = _Column(column, match, others, said)
    return columns


def _speed_and_load(columns: Mapping[int, _Column], head: Piece) -> tuple[Floats | None, Floats | None]:
    found: dict[str, Floats] = {}
    for i, column in columns.items():
        if column.match is not None and column.match.channel in ("engine_speed", "throttle", "pedal"):
            found.setdefault(column.match.channel, head.columns.get(i, np.empty(0)))
    load = found.get("throttle", found.get("pedal"))
    if load is not None and load.size and np.nanmax(np.append(load, 0.0)) <= 1.0:
        load = load * 100.0
    return found.get("engine_speed"), load


def _meaning(name: str, column: _Column, channel: Channel, sample: Sample) -> Meaning:
    assert column.match is not None
    told = column.told
    unit = column.raw.unit if told is None or told.unit is None else told.unit
    wording = column.raw.name
    if told is not None and told.reference is not None:
        # What a person says of the reference beats the name; the unit must still be one.
        wording, unit_says = "", {"gauge": "gauge", "absolute": "abs"}[told.reference]
        plain = Sample(np.empty(0), None, None)
        meaning = meaning_of(name, f"{unit_says}", column.match.channel, channel, unit or "", plain)
        return rescaled(replace(meaning, why=f"{meaning.why}; as you said"), told.scale, told.offset)
    meaning = meaning_of(name, wording, column.match.channel, channel, unit, sample)
    return rescaled(meaning, told.scale if told else None, told.offset if told else None)


def _settle_target(columns: dict[int, _Column], head: Piece, load: Floats | None) -> None:
    """Tell whether a boost target is gauge or absolute from the boost that follows it, where that can be."""
    by_channel = {c.match.channel: i for i, c in columns.items() if c.match is not None and c.meaning}
    target, boost = by_channel.get("boost_target"), by_channel.get("boost")
    if target is None or boost is None:
        return
    asked, measured = columns[target].meaning, columns[boost].meaning
    assert asked is not None and measured is not None
    if measured.reference is None or measured.question is not None:
        return
    if asked.question is None or set(asked.question.accepted) != {"gauge", "absolute"}:
        return
    unit = meaning_unit(columns[target])
    scale, offset = unit
    follows = same_as_measured(
        head.columns[target] * scale + offset,
        head.columns[boost] * measured.scale + measured.offset,
        load,
        measured.reference,
    )
    if follows is not None:
        columns[target].meaning = Meaning(
            columns[target].raw.unit, scale, offset, follows, f"{follows}, as the measured boost follows it"
        )


def meaning_unit(column: _Column) -> tuple[float, float]:
    """Return scale and offset to kPa of a pressure column whose reference is not known yet."""
    from engine.logs.column_units import known_unit  # noqa: PLC0415
    from engine.units import conversion  # noqa: PLC0415

    told = column.told.unit if column.told is not None and column.told.unit else column.raw.unit
    unit = known_unit(told, "kPa")
    return conversion(unit, "kPa") if unit else (1.0, 0.0)


def _told(
    raw: RawLog,
    columns: Mapping[int, _Column],
    channels: Mapping[str, Channel],
    head: Piece,
    names: list[str],
) -> Identified:
    air, caveats = _air(columns, head)
    used: dict[int, Use] = {}
    questions = []
    shown = []
    assumed: dict[str, list[str]] = {}
    converted = False
    for i, column in columns.items():
        meaning, match = column.meaning, column.match
        view = Column(
            name=names[i],
            written_unit=shown_name(column.raw.unit),
            candidates=column.others[:3],
            why="the time" if i == raw.time_column else "",
        )
        if match is not None and meaning is not None:
            channel = channels[PREFIX + match.channel]
            how = "as you said" if column.told is not None else _how(match.likeness)
            view = view.model_copy(
                update={
                    "channel": match.channel,
                    "unit": meaning.unit,
                    "reference": meaning.reference,
                    "confidence": match.likeness,
                    "why": "; ".join(part for part in (how, meaning.why) if part),
                }
            )
            if meaning.question is not None:
                questions.append(meaning.question)
            else:
                offset = meaning.offset
                if channel.reference is not None and meaning.reference != channel.reference:
                    offset += -air if channel.reference == "gauge" else air
                    converted = True
                used[i] = Use(match.channel, meaning.scale, offset)
                if meaning.assumed is not None:
                    assumed.setdefault(meaning.assumed, []).append(names[i])
        elif column.others and i != raw.time_column and column.told is None:
            view = view.model_copy(update={"why": "another column fits its channel better, or none well"})
        shown.append(view)
    for what, which in assumed.items():
        caveats.append(Caveat(code="unit_assumed", text=f"{', '.join(which)}: {what}"))
    if converted and not any(c.match and c.match.channel == "barometer" for c in columns.values()):
        text = f"the log has no air pressure; absolute pressures are counted from {ATMOSPHERE_KPA} kPa"
        caveats.append(Caveat(code="air_pressure_assumed", text=text, channel="barometer"))
    return Identified(shown, used, questions, caveats)


def _how(likeness: float) -> str:
    return "by its name" if likeness >= 1.0 else f"its name is {100 * likeness:.0f} % like one that is known"


def _air(columns: Mapping[int, _Column], head: Piece) -> tuple[float, list[Caveat]]:
    """Return the air pressure [kPa] that the log itself has, or that of sea level."""
    for i, column in columns.items():
        meaning = column.meaning
        if column.match is None or column.match.channel != "barometer" or meaning is None:
            continue
        values = head.columns.get(i, np.empty(0)) * meaning.scale + meaning.offset
        known = values[~np.isnan(values)]
        middle = float(np.median(known)) if known.size else 0.0
        if meaning.question is None and 50.0 <= middle <= 110.0:
            return middle, []
        if known.size:
            text = f"the air pressure in the log, {middle:.0f} kPa, is not credible; sea level is taken"
            return ATMOSPHERE_KPA, [Caveat(code="contradiction", text=text, channel="barometer")]
    return ATMOSPHERE_KPA, []
