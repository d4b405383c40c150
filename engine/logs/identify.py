"""Tells for each column of a log which channel it is and what its numbers mean."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from engine.logs.air import air_of
from engine.logs.column_units import (
    Meaning,
    Sample,
    known_unit,
    meaning_of,
    rescaled,
    same_as_measured,
)
from engine.logs.layout import Caveat, Column, Question, shown_name
from engine.logs.mapping import ColumnMapping
from engine.logs.mapping import Mapping as LogMapping
from engine.logs.naming import (
    LEAST_LIKENESS,
    PREFIX,
    TIME,
    Match,
    Named,
    assign,
    match_columns,
    named,
    names_of,
    sibling_of,
)
from engine.logs.raw import Piece, RawLog
from engine.logs.stretch import Floats
from engine.model import Channel
from engine.units import conversion

SAME_WITHIN = 0.1
"""Two columns of one channel say the same if they are usually closer than this share of its range."""


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
    best: str = ""
    meaning: Meaning | None = None


def identify(
    raw: RawLog, channels: Mapping[str, Channel], head: Piece, mapping: LogMapping | None
) -> Identified:
    """Return what the columns of a log are, from the mapping first, then their names, units and numbers."""
    columns = _named(raw, channels, head, mapping)
    layout_names = [column.name for column in raw.layout().columns]
    speed, load = _speed_and_load(columns, head)

    def tell(fahrenheit: bool) -> None:
        for i, column in columns.items():
            if column.match is None or i == raw.time_column:
                continue
            channel = channels[PREFIX + column.match.channel]
            values = head.columns.get(i, np.full(head.times.size, np.nan))
            sample = Sample(values, speed, load, fahrenheit)
            column.meaning = _meaning(layout_names[i], column, channel, sample)

    tell(fahrenheit=False)
    if any(c.meaning is not None and known_unit(c.meaning.unit, "degC") == "degF" for c in columns.values()):
        # A logger writes all its temperatures in one unit; those of the air alone would not tell it.
        tell(fahrenheit=True)
    _settle_target(columns, head, load)
    return _told(raw, columns, channels, head, layout_names)


def candidates(raw: RawLog, channels: Mapping[str, Channel], mapping: LogMapping | None) -> list[int]:
    """Return the columns that may be a channel, by their names or as a mapping has it."""
    nothing = Piece(np.empty(0), {})
    named_so = _named(raw, channels, nothing, mapping)
    return [i for i, column in named_so.items() if column.match is not None or column.best]


def _named(
    raw: RawLog, channels: Mapping[str, Channel], head: Piece, mapping: LogMapping | None
) -> dict[int, _Column]:
    known = names_of(channels)
    known = {name: channel for name, channel in known.items() if channel != TIME}
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
    empty = frozenset(i for i, values in head.columns.items() if np.all(np.isnan(values)))
    taken = assign(free, empty)
    columns = {}
    for i, column in enumerate(cut):
        said = told.get(written[i])
        match = taken.get(i)
        if match is not None:
            others_have = said_channels | {m.channel for j, m in taken.items() if j != i}
            by_unit = _by_unit(match, column.unit)
            match = match if by_unit.channel in others_have else by_unit
        if said is not None:
            used = said.channel not in (None, TIME) and i != raw.time_column
            match = Match(str(said.channel), 1.0) if used else None
        others = [m.channel for m in matches[i] if match is None or m.channel != match.channel]
        sure = [m.channel for m in matches[i][:1] if m.likeness >= LEAST_LIKENESS]
        best = sure[0] if sure else sibling_of(names[i], known) or ""
        columns[i] = _Column(column, match, others, said, best)
    return columns


def _by_unit(match: Match, unit: str) -> Match:
    """Return a match with lambda and the air-fuel ratio told apart by the unit."""
    ratio = {"lambda": "air_fuel_ratio", "lambda_target": "air_fuel_ratio_target"}
    plain = {wide: narrow for narrow, wide in ratio.items()}
    other = {"afr": ratio, "lambda": plain, "λ": plain}.get(unit.strip().lower(), {}).get(match.channel)
    return match if other is None else Match(other, match.likeness)


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
    scale, offset = _to_kpa(columns[target])
    follows = same_as_measured(
        head.columns[target] * scale + offset,
        head.columns[boost] * measured.scale + measured.offset,
        load,
        measured.reference,
    )
    if follows is not None:
        why = f"{follows}, as the measured boost follows it"
        columns[target].meaning = Meaning(columns[target].raw.unit, scale, offset, follows, why)


def _to_kpa(column: _Column) -> tuple[float, float]:
    """Return scale and offset to kPa of a pressure column whose reference is not known yet."""
    told = column.told
    unit = known_unit(told.unit if told is not None and told.unit else column.raw.unit, "kPa")
    scale, offset = conversion(unit, "kPa") if unit else (1.0, 0.0)
    plain = Meaning("", scale, offset, None, "")
    meant = rescaled(plain, told.scale if told else None, told.offset if told else None)
    return meant.scale, meant.offset


def _told(
    raw: RawLog,
    columns: Mapping[int, _Column],
    channels: Mapping[str, Channel],
    head: Piece,
    names: list[str],
) -> Identified:
    air, caveats = air_of(_meanings(columns), head)
    used: dict[int, Use] = {}
    questions: list[Question] = []
    shown: list[Column] = []
    assumed: dict[str, list[str]] = {}
    for i, column in columns.items():
        shown.append(_view(names[i], column, raw.time_unit if i == raw.time_column else None))
        if column.match is None or column.meaning is None:
            continue
        if column.meaning.question is not None:
            questions.append(column.meaning.question)
            continue
        used[i] = _use(column.match.channel, column.meaning, channels, air.kpa)
        if column.meaning.assumed is not None:
            assumed.setdefault(column.meaning.assumed, []).append(names[i])
    for what, which in assumed.items():
        caveats.append(Caveat(code="unit_assumed", text=f"{', '.join(which)}: {what}"))
    if air.why is not None and any(_counted_from_air(columns[i], channels) for i in used):
        caveats.append(Caveat(code="air_pressure_assumed", text=air.why, channel="barometer"))
    caveats += _seconds(columns, channels, head, names, used, air.kpa)
    return Identified(shown, used, questions, caveats)


def _meanings(columns: Mapping[int, _Column]) -> dict[str, tuple[int, Meaning]]:
    return {
        column.match.channel: (i, column.meaning)
        for i, column in columns.items()
        if column.match is not None and column.meaning is not None
    }


def _counted_from_air(column: _Column, channels: Mapping[str, Channel]) -> bool:
    assert column.match is not None and column.meaning is not None
    kept = channels[PREFIX + column.match.channel].reference
    return kept is not None and column.meaning.reference != kept


def _use(channel: str, meaning: Meaning, channels: Mapping[str, Channel], air_kpa: float) -> Use:
    kept, offset = channels[PREFIX + channel].reference, meaning.offset
    if kept is not None and meaning.reference != kept:
        offset += -air_kpa if kept == "gauge" else air_kpa
    return Use(channel, meaning.scale, offset)


def _view(name: str, column: _Column, time_unit: str | None) -> Column:
    view = Column(name=name, written_unit=shown_name(column.raw.unit), candidates=column.others[:3])
    match, meaning = column.match, column.meaning
    if time_unit is not None:
        how = "as you said" if column.told is not None else "by its name"
        why = f"the time; {how}"
        return view.model_copy(
            update={"channel": "time", "unit": time_unit, "confidence": 1.0, "why": why, "candidates": []}
        )
    if match is not None and meaning is not None:
        how = "as you said" if column.told is not None else _how(match.likeness)
        return view.model_copy(
            update={
                "channel": match.channel,
                "unit": meaning.unit,
                "reference": meaning.reference,
                "confidence": match.likeness,
                "why": "; ".join(part for part in (how, meaning.why) if part),
            }
        )
    if column.told is not None:
        return view.model_copy(update={"why": "left out, as you said"})
    if column.others:
        return view.model_copy(update={"why": "another column fits its channel better, or none well"})
    return view


def _seconds(
    columns: Mapping[int, _Column],
    channels: Mapping[str, Channel],
    head: Piece,
    names: list[str],
    used: Mapping[int, Use],
    air_kpa: float,
) -> list[Caveat]:
    """Tell of columns that are left out since another is the same channel, and whether they contradict it."""
    first = {use.channel: i for i, use in used.items()}
    found = []
    for i, column in columns.items():
        if column.match is not None or column.told is not None or not column.best:
            continue
        j = first.get(column.best)
        if j is None:
            continue
        called = column.best.replace("_", " ")
        text = f"{names[j]} and {names[i]} are both called like {called}; {names[j]} is used"
        channel = channels[PREFIX + column.best]
        meaning = meaning_of(
            names[i], column.raw.name, column.best, channel, column.raw.unit, _plain(head, i)
        )
        code = "second_column"
        if meaning.question is None:
            other = _use(column.best, meaning, channels, air_kpa)
            apart = _apart(
                head.columns[j] * used[j].scale + used[j].offset,
                head.columns[i] * other.scale + other.offset,
            )
            if apart is not None:
                code = "contradiction"
                text += (
                    f", and they differ by {apart:.3g} {channel.unit.replace('dimensionless', '')}".rstrip()
                )
        found.append(Caveat(code=code, text=text, channel=column.best))
    return found


def _plain(head: Piece, i: int) -> Sample:
    return Sample(head.columns.get(i, np.full(head.times.size, np.nan)), None, None)


def _apart(first: Floats, second: Floats) -> float | None:
    """Return how far two columns are usually apart, None where that is little for what they hold."""
    both = ~np.isnan(first) & ~np.isnan(second)
    if int(both.sum()) < 20:
        return None
    low, middle, high = np.percentile(first[both], (5.0, 50.0, 95.0))
    apart = float(np.median(np.abs(first[both] - second[both])))
    little = max(SAME_WITHIN * (high - low), SAME_WITHIN / 3.0 * abs(middle), 1e-9)
    return apart if apart > little else None


def _how(likeness: float) -> str:
    return "by its name" if likeness >= 1.0 else f"its name is {100 * likeness:.0f} % like one that is known"
