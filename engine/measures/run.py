"""From typed readings to the answer of a measure: read, compute, carry the doubt along, judge, tell."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from engine.case import FindingReport, MeasurementReport
from engine.errors import InputError, InputIssue, UnknownEntryError
from engine.loading import KnowledgeSource
from engine.measures import answer as views
from engine.measures.declare import Computed, Given, Input, Measure, Output, Result, Results, Told
from engine.measures.kinds import KINDS, KindName
from engine.measures.limits import Implied
from engine.measures.typed import Typed, TypedError, pint_name, read_typed
from engine.measures.uncertainty import COVERAGE, HALF_WIDTH_TO_STANDARD, propagate
from engine.nearest import nearest
from engine.units import conversion

TypedValue = str | Sequence[str]

SIGNIFICANT = 6


@dataclass
class _Readings:
    """What was typed, read; numbers are flat so that each can be moved by its doubt."""

    typed: dict[str, list[Typed]] = field(default_factory=dict)
    chosen: dict[str, str] = field(default_factory=dict)
    assumed: set[str] = field(default_factory=set)
    issues: list[InputIssue] = field(default_factory=list)


def run(source: KnowledgeSource, measure: Measure, typed: Mapping[str, TypedValue]) -> views.MeasureAnswer:
    """Return the answer of a measure to readings as typed.

    Raises `InputError` with everything that is wrong with the readings, and `UnknownEntryError` where the
    knowledge base lacks a limit that the measure needs.
    """
    for limit in measure.limits:
        if limit not in source.limits:
            raise UnknownEntryError("limit", limit, nearest(limit, source.limits))
    readings = _read(measure, typed)
    slots = [(name, i) for name, values in readings.typed.items() for i in range(len(values))]
    index = {slot: k for k, slot in enumerate(slots)}

    def compute(shifts: Mapping[int, float]) -> Computed:
        return measure.compute(_given(measure, readings, index, shifts))

    doubts = [readings.typed[name][i].uncertainty for name, i in slots]
    try:
        computed, results = propagate(compute, doubts)
    except (ArithmeticError, ValueError) as error:
        message = f"the readings together are beyond what this calculation can take ({error})"
        raise InputError([InputIssue("readings", None, message, ())]) from error
    _refuse_nonsense(computed)
    told = measure.tell(_given(measure, readings, index, {}), results, source.limits)
    return _answer(source, measure, readings, results, told)


def _read(measure: Measure, typed: Mapping[str, TypedValue]) -> _Readings:
    readings = _Readings()
    known = {item.name: item for item in measure.inputs}
    for name, value in typed.items():
        if name not in known:
            readings.issues.append(
                InputIssue(
                    f"readings.{name}",
                    value if isinstance(value, str) else None,
                    f"{measure.id} takes no reading called {name!r}",
                    nearest(name, known) or tuple(known),
                )
            )
    for item in measure.inputs:
        given = typed.get(item.name)
        if given is None and item.default is not None:
            readings.assumed.add(item.name)
            given = item.default
        if given is None:
            if item.needed:
                message = f"{item.label} is needed"
                readings.issues.append(InputIssue(f"readings.{item.name}", None, message, (item.typed_as,)))
            continue
        _read_one(readings, item, given)
    if readings.issues:
        raise InputError(readings.issues)
    return readings


def split_list(text: str) -> list[str]:
    """Return the readings in "1000/970/1010 cc/min" or "12 V, 11.5 V"; a unit at the end goes for all.

    >>> split_list("1000/970, 1010 cc/min")
    ['1000 cc/min', '970 cc/min', '1010 cc/min']
    """
    head, last = text.strip(), ""
    for sign in ",;":
        head = head.replace(sign, " \n")
    parts: list[str] = []
    for line in head.split("\n"):
        numbers = line.strip()
        while "/" in numbers and numbers.split("/", 1)[0].strip().replace(".", "", 1).lstrip("+-").isdigit():
            first, numbers = numbers.split("/", 1)
            parts.append(first.strip())
        if numbers.strip():
            parts.append(numbers.strip())
    if parts:
        number, _, unit = parts[-1].partition(" ")
        last = unit if number else ""
    return [part if " " in part or not last else f"{part} {last}" for part in parts]


def _read_one(readings: _Readings, item: Input, given: TypedValue) -> None:
    where = f"readings.{item.name}"
    if item.choices:
        if not isinstance(given, str) or given.strip() not in item.choices:
            shown = given if isinstance(given, str) else "a list"
            message = f"{shown!r} is no choice of {item.name!r}"
            readings.issues.append(InputIssue(where, shown, message, tuple(item.choices)))
            return
        readings.chosen[item.name] = given.strip()
        return
    texts = [given] if isinstance(given, str) else list(given)
    if isinstance(given, str) and item.many:
        texts = split_list(given)
    if not item.many and len(texts) != 1:
        message = f"takes one reading, not {len(texts)}"
        readings.issues.append(InputIssue(where, None, message, (item.typed_as,)))
        return
    if item.many and not item.at_least <= len(texts) <= item.at_most:
        message = f"takes {item.at_least} to {item.at_most} readings, not {len(texts)}"
        readings.issues.append(InputIssue(where, None, message, (item.typed_as,)))
        return
    values = []
    for i, text in enumerate(texts):
        here = f"{where}.{i}" if item.many else where
        try:
            value = read_typed(item, text)
        except TypedError as error:
            readings.issues.append(InputIssue(here, text[:200], str(error), (error.accepted,)))
            continue
        if (issue := _incredible(item, value, here)) is not None:
            readings.issues.append(issue)
        values.append(value)
    readings.typed[item.name] = values


def _incredible(item: Input, typed: Typed, where: str) -> InputIssue | None:
    """Return the issue with a value outside what is credible; a pressure is looked at as it was typed."""
    assert item.credible is not None
    low, high = (range_end(item, end) for end in item.credible)
    shift = 0.0
    if typed.reference is not None and typed.reference != item.reference:
        shift = 101_325.0 if typed.reference == "gauge" else -101_325.0
    value = typed.value + (shift if item.reference == "absolute" else 0.0)
    if item.reference == "gauge":
        value = typed.value + shift
    if low <= value <= high:
        return None
    message = f"{typed.text} is not a credible reading of {item.label[0].lower()}{item.label[1:]}"
    return InputIssue(where, typed.text, message, (f"{item.credible[0]} to {item.credible[1]}",))


def range_end(item: Input, text: str) -> float:
    """Return an end of a range that an input states, in SI, against the reference that it is kept in."""
    if item.kind == "pressure" and not text.endswith(("gauge", "abs")):
        text = f"{text} {'gauge' if item.reference == 'gauge' else 'abs'}"
    return read_typed(item, text).value


def _given(
    measure: Measure, readings: _Readings, index: Mapping[tuple[str, int], int], shifts: Mapping[int, float]
) -> Given:
    raw = {
        name: [typed.value + shifts.get(index[name, i], 0.0) for i, typed in enumerate(values)]
        for name, values in readings.typed.items()
    }
    atmosphere = raw.get("atmosphere", [101_325.0])[0]
    numbers, lists = {}, {}
    for item in measure.inputs:
        values = raw.get(item.name)
        if values is None:
            continue
        kept = [
            value + _to_kept(item, typed, atmosphere)
            for value, typed in zip(values, readings.typed[item.name], strict=True)
        ]
        if item.many:
            lists[item.name] = tuple(kept)
        else:
            numbers[item.name] = kept[0]
    return Given(numbers, lists, readings.chosen)


def _to_kept(item: Input, typed: Typed, atmosphere: float) -> float:
    if typed.reference is None or typed.reference == item.reference:
        return 0.0
    return atmosphere if typed.reference == "gauge" else -atmosphere


def _refuse_nonsense(computed: Computed) -> None:
    for name, value in computed.items():
        values = (value,) if isinstance(value, (int, float)) else value
        if not all(math.isfinite(v) for v in values):
            message = f"the readings together give no finite {name.replace('_', ' ')}"
            raise InputError([InputIssue("readings", None, message, ())])


def shown(kind: KindName, unit: str, si: float, *, width: bool = False) -> float:
    """Return an SI value in the unit that people read, or a width (no offset) in it."""
    scale, offset = _shown_scale(kind, unit)
    value = (si / scale) if width else (si - offset) / scale
    return float(f"{value:.{SIGNIFICANT}g}")


def _shown_scale(kind: KindName, unit: str) -> tuple[float, float]:
    if not unit or unit == KINDS["throughput"].shown:
        return 1.0, 0.0
    top, *under = pint_name(unit).split("/")
    name = "/".join([top, *(part.replace("*", "/") for part in under)])
    return conversion(name, KINDS[kind].unit)


def _answer(
    source: KnowledgeSource, measure: Measure, readings: _Readings, results: Results, told: Told
) -> views.MeasureAnswer:
    return views.MeasureAnswer(
        measure=measure.id,
        label=measure.label,
        kb=views.KnowledgeStamp(version=source.manifest.version, revision=source.revision),
        says=list(told.says),
        results=[view for output in measure.outputs for view in _result_views(output, results)],
        findings=[_finding_view(source, implied) for implied in told.findings],
        facts=views.FactsForTriage(
            findings=_decided(told.findings),
            measurements=[
                MeasurementReport(
                    quantity=reported.quantity,
                    value=reported.value,
                    unit=reported.unit,
                    at=dict(reported.at),
                )
                for reported in told.measurements
            ],
        ),
        caveats=[*_range_caveats(measure, readings), *_assumption_caveats(measure, readings), *told.caveats],
        assumes=list(measure.assumes),
        readings=[view for item in measure.inputs for view in _reading_views(item, readings)],
        formulas=formula_views(source, measure),
        cautions=caution_views(source, measure.cautions),
    )


def _decided(findings: Sequence[Implied]) -> list[FindingReport]:
    decided: dict[str, FindingReport] = {}
    for implied in sorted(findings, key=lambda i: i.state != "present"):
        if implied.state != "unknown":
            decided.setdefault(implied.finding, FindingReport(id=implied.finding, state=implied.state))
    return list(decided.values())


def _result_views(output: Output, results: Results) -> list[views.ResultView]:
    if output.name in results.one:
        return [_result_view(output, results.one[output.name], output.name, output.label)]
    return [
        _result_view(output, result, f"{output.name}.{i}", f"{output.label} {i + 1}")
        for i, result in enumerate(results.several.get(output.name, ()))
    ]


def _result_view(output: Output, result: Result, name: str, label: str) -> views.ResultView:
    return views.ResultView(
        name=name,
        label=label,
        unit=output.unit,
        reference=output.reference,
        value=shown(output.kind, output.unit, result.value),
        plus_minus=float(f"{shown(output.kind, output.unit, COVERAGE * result.uncertainty, width=True):.3g}"),
    )


def _finding_view(source: KnowledgeSource, implied: Implied) -> views.ImpliedFinding:
    return views.ImpliedFinding(
        id=implied.finding,
        label=source.findings[implied.finding].label,
        state=implied.state,
        strength=round(implied.strength, 3),
        limit=implied.limit,
        limit_label=source.limits[implied.limit].label,
        value=float(f"{implied.value:.{SIGNIFICANT}g}"),
        unit=implied.unit,
        because=implied.because,
        source=source_view(source, implied.source),
    )


def source_view(source: KnowledgeSource, source_id: str) -> views.SourceView:
    """Return a source of the knowledge base as answers show it."""
    entry = source.sources[source_id]
    return views.SourceView(id=source_id, kind=entry.kind, title=entry.title, detail=entry.detail)


def formula_views(source: KnowledgeSource, measure: Measure) -> list[views.FormulaView]:
    """Return the formulas of a measure with their sources."""
    return [
        views.FormulaView(text=formula.text, source=source_view(source, formula.source))
        for formula in measure.formulas
    ]


def caution_views(source: KnowledgeSource, cautions: Sequence[str]) -> list[views.CautionView]:
    """Return cautions of the knowledge base as answers show them."""
    return [
        views.CautionView(
            id=caution_id,
            label=source.cautions[caution_id].label,
            wording=source.cautions[caution_id].wording,
            defers_to=source.cautions[caution_id].defers_to,
        )
        for caution_id in cautions
    ]


def _reading_views(item: Input, readings: _Readings) -> list[views.ReadingUsed]:
    assumed = item.name in readings.assumed
    if item.name in readings.chosen:
        choice = readings.chosen[item.name]
        return [
            views.ReadingUsed(
                name=item.name,
                label=item.label,
                typed=choice,
                unit="",
                assumed=assumed,
            )
        ]
    values = readings.typed.get(item.name, [])
    found = []
    for i, typed in enumerate(values):
        half = typed.uncertainty / HALF_WIDTH_TO_STANDARD
        found.append(
            views.ReadingUsed(
                name=f"{item.name}.{i}" if item.many else item.name,
                label=item.label,
                typed=typed.text,
                value=shown(item.kind, item.unit, typed.value),
                unit=item.unit,
                reference=typed.reference,
                plus_minus=float(f"{shown(item.kind, item.unit, half, width=True):.3g}"),
                assumed=assumed,
            )
        )
    return found


def _range_caveats(measure: Measure, readings: _Readings) -> list[str]:
    caveats = []
    for item in measure.inputs:
        if item.valid is None:
            continue
        low, high = (range_end(item, end) for end in item.valid)
        for typed in readings.typed.get(item.name, []):
            shift = _to_kept(item, typed, 101_325.0)
            if not low <= typed.value + shift <= high:
                caveats.append(
                    f"{item.label}: {typed.text} lies outside {item.valid[0]} to {item.valid[1]}; "
                    f"{item.valid_because}"
                )
    return caveats


def _assumption_caveats(measure: Measure, readings: _Readings) -> list[str]:
    given = {*readings.typed, *readings.chosen} - readings.assumed
    references = {item.name: item.reference for item in measure.inputs}
    converted = any(
        typed.reference is not None and typed.reference != references[name]
        for name, values in readings.typed.items()
        for typed in values
    )
    assumed = [
        item
        for item in measure.inputs
        if item.name in readings.assumed
        and (converted or not item.for_conversion)
        and (item.matters_with is None or item.matters_with in given)
    ]
    return [f"{item.label} was not given; taken as {item.default}." for item in assumed]
