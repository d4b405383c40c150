"""Reports, scores and simulations as text of at most 72 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping

from engine.differential import INSEPARABLE
from engine.figures import Figures, Mean, Rate
from engine.report import CONFIRMED, PairPower, Report, Unconfirmed
from engine.scoring import Miss, Score
from engine.simulation import Simulation

COLUMNS = 72
RATES = (
    ("top_1", "first cause right"),
    ("top_3", "true cause among the first 3 (5)"),
    ("verdict", "verdict right"),
    ("dangerous", "let run that must not"),
    ("needless", "kept from running that may"),
    ("next_step", "sensible next step offered"),
    ("hold", "hold raised that must be"),
    ("reachable", "true cause at 80 %, all told"),
    ("found", "true cause at 80 % in 15 steps"),
)
MEANS = (
    ("steps", "questions and tests until then", 1),
    ("minutes", "minutes until then", 1),
    ("brier", "Brier score, summed over the causes", 3),
)
IN_GROUPS = (
    ("top_1", "first"),
    ("top_3", "top 3"),
    ("verdict", "verdict"),
    ("dangerous", "danger"),
    ("needless", "needless"),
    ("found", "found"),
)


def told_score(score: Score, misses: bool) -> Iterator[str]:
    """Yield a score line by line; with `misses` every miss, else the dangerous ones only."""
    stamp = f"knowledge base {score.kb.version} ({score.kb.revision})"
    yield f"{score.figures.cases} golden cases, {stamp}"
    yield from _figures(score.figures)
    yield from _groups("By kind", score.by_kind)
    yield from _groups("By file", score.by_file)
    dangerous = [miss for miss in score.misses if "dangerous" in miss.wrong]
    yield from ("", f"{len(score.misses)} cases with a miss, {len(dangerous)} of them dangerous")
    for miss in score.misses if misses else dangerous:
        yield from _miss(miss)
    if not misses and len(score.misses) > len(dangerous):
        yield "The others are told with --misses."


def told_simulation(simulation: Simulation) -> Iterator[str]:
    """Yield a simulation line by line."""
    yield f"{simulation.figures.cases} cases drawn with the seed {simulation.seed}"
    yield f"knowledge base {simulation.kb.version} ({simulation.kb.revision})"
    yield f"answers wrong {simulation.wrong:.1%}, missing {simulation.missing:.1%}".replace("%", " %")
    yield from _figures(simulation.figures)
    yield from _groups("By the worst consequence of what was there", simulation.by_consequence)


def told_report(report: Report, worst: int) -> Iterator[str]:
    """Yield a report line by line, with the `worst` pairs."""
    yield f"{report.causes} causes, knowledge base {report.kb.version} ({report.kb.revision})"
    yield from ("", f"Hardest to tell apart, of {len(report.pairs)} pairs within a system")
    yield f"({report.inseparable} that nothing separates by {INSEPARABLE:g} bit; 1 bit settles it)"
    for pair in report.pairs[:worst]:
        yield from _pair(pair)
    yield from (
        "",
        f"No test, even with the complaint, brings to {CONFIRMED:.0%}".replace("%", " %")
        + _of(report.unconfirmed),
    )
    for cause in report.unconfirmed:
        yield from _unconfirmed(cause)
    yield from ("", "Findings that alone change nothing" + _of(report.silent))
    for finding in report.silent:
        rules = f", rules: {', '.join(finding.rules)}" if finding.rules else ""
        yield from _wrapped(f"  {finding.finding} ({finding.system}){rules}", 4)


def _of(items: tuple[object, ...]) -> str:
    return f": {len(items) or 'none'}"


def _figures(figures: Figures) -> Iterator[str]:
    yield from ("", f"{'':33}cases    of    share   95 % interval")
    for name, words in RATES:
        rate: Rate = getattr(figures, name)
        if rate.share is not None and rate.low is not None and rate.high is not None:
            interval = f"{100 * rate.low:5.1f} to {100 * rate.high:5.1f} %"
            yield f"{words:33}{rate.hits:5} {rate.of:5}  {100 * rate.share:5.1f} %  {interval}"
    for name, words, digits in MEANS:
        mean: Mean | None = getattr(figures, name)
        if mean is not None:
            known = mean.low is not None and mean.high is not None
            interval = f"{mean.low:5.{digits}f} to {mean.high:5.{digits}f}" if known else ""
            yield f"{words:38} {mean.of:5}  {mean.value:5.{digits}f}    {interval}".rstrip()
    yield from ("", "How far the probabilities hold (causes at 2 % and more)")
    yield f"{'told':>12} {'causes':>8} {'mean told':>11} {'came true':>11}"
    for row in figures.reliability:
        told = f"{100 * row.low:.0f} to {100 * row.high:.0f} %"
        yield f"{told:>12} {row.count:8} {100 * row.predicted:9.1f} % {100 * row.observed:9.1f} %"


def _groups(title: str, groups: Mapping[str, Figures]) -> Iterator[str]:
    yield from ("", f"{title}, in %")
    yield f"{'':21}cases" + "".join(f"{words:>{_width(words)}}" for _, words in IN_GROUPS)
    for group, figures in groups.items():
        name = group.rpartition("/")[2].removesuffix(".yaml")
        cells = ""
        for field, words in IN_GROUPS:
            rate: Rate = getattr(figures, field)
            cells += f"{'-' if rate.share is None else f'{100 * rate.share:.0f}':>{_width(words)}}"
        yield f"{name[:20]:20} {figures.cases:5}{cells}"


def _width(words: str) -> int:
    return max(7, len(words) + 1)


def _miss(miss: Miss) -> Iterator[str]:
    yield from ("", miss.name)
    yield from _wrapped(f"  {miss.file}:{miss.line}, {miss.kind}: {', '.join(miss.wrong)}", 4)
    ranks = (f"{cause} ({rank or 'excluded'})" for cause, rank in miss.true_ranks.items())
    yield from _wrapped(f"  true, and its place: {', '.join(ranks)}", 4)
    if {"top_1", "top_3"} & set(miss.wrong):
        yield from _wrapped(f"  may be first: {', '.join(miss.first)}", 4)
    ranked = ", ".join(f"{r.cause} {100 * r.probability:.0f} %" for r in miss.ranked)
    yield from _wrapped(f"  ranked: {ranked}", 4)
    if {"verdict", "dangerous", "needless", "hold"} & set(miss.wrong):
        yield from _wrapped(f"  verdict: {miss.verdict} ({miss.basis}), not {' or '.join(miss.verdicts)}", 4)
        if miss.holds:
            yield from _wrapped(f"  holds: {', '.join(miss.holds)}", 4)
    if "next_step" in miss.wrong:
        yield from _wrapped(f"  sensible next: {', '.join(miss.next_steps)}", 4)
        yield from _wrapped(f"  offered: {', '.join(miss.offered)}", 4)
    if "not_found" in miss.wrong:
        yield f"  played on: {100 * miss.reached:.0f} % after {miss.steps} steps"


def _pair(pair: PairPower) -> Iterator[str]:
    yield ""
    yield from _wrapped(f"{pair.bits:.2f} bit  {pair.system}: {pair.first}, {pair.second}", 10)
    for words, told in (("ask", pair.question), ("see", pair.finding), ("test", pair.test)):
        yield f"  {words:5} {'nothing' if told is None else f'{told.id} ({told.bits:.2f})'}"


def _unconfirmed(cause: Unconfirmed) -> Iterator[str]:
    yield from ("", f"{100 * cause.probability:3.0f} %  {cause.cause} ({cause.system})")
    if cause.test is not None:
        yield from _wrapped(f"  best: {cause.test} showing {', '.join(cause.findings)}", 4)
    yield from _wrapped(f"  reason: {cause.reason or 'none written'}", 4)


def _wrapped(text: str, indent: int) -> list[str]:
    return textwrap.wrap(
        text, COLUMNS, subsequent_indent=" " * indent, break_long_words=False, break_on_hyphens=False
    )
