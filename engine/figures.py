"""Figures over many answered cases: how often right, how sure, how far to go, and how far to trust that.

Wilson's interval for a share (E. B. Wilson 1927, Probable inference, the law of succession, and statistical
inference), the normal interval for a mean, Brier's score (G. W. Brier 1950, Verification of forecasts
expressed in terms of probability) summed over the causes, and a reliability table. All intervals hold
95 %.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import sqrt

from pydantic import BaseModel, ConfigDict, Field

from engine.answer import TriageAnswer
from engine.playing import Played

Z95 = 1.959964
BINS = 10
TOLD_FROM = 0.02
"""Probabilities below this do not enter the reliability table: nearly all causes have one."""
LETS_RUN = frozenset({"run", "run_with_advice"})


class Figure(BaseModel):
    """What all figures share."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Rate(Figure):
    """`hits` of `of` cases with the 95 % Wilson interval of the share; of no cases there is none."""

    hits: int
    of: int
    share: float | None
    low: float | None
    high: float | None


class Mean(Figure):
    """A mean over `of` values, none below 0, with its 95 % normal interval cut off at 0."""

    value: float
    of: int
    low: float | None = Field(description="None: one value says nothing of the spread.")
    high: float | None


class Bin(Figure):
    """Of the probabilities from `low` to `high`: their mean, and the share of them that came true."""

    low: float
    high: float
    count: int
    predicted: float
    observed: float


class Figures(Figure):
    """The figures of a set of cases. `None` stands for what nobody expected anything of."""

    cases: int
    top_1: Rate = Field(description="The cause ranked first is one that may stand first.")
    top_3: Rate = Field(
        description="A true cause is among the first three; of two or more, two are among the first five."
    )
    verdict: Rate
    dangerous: Rate = Field(description="Let run, of the cases where that is wrong.")
    needless: Rate = Field(description="Kept from running, of the cases where every right verdict lets run.")
    next_step: Rate = Field(description="A sensible next question or test was offered.")
    hold: Rate = Field(description="A hold was raised, of the cases where one must be.")
    reachable: Rate = Field(description="A true cause comes to 80 % when all that can be known is told.")
    found: Rate = Field(description="A true cause came to 80 % when the case was played on.")
    steps: Mean | None = Field(description="Questions plus tests until then, over the cases found.")
    minutes: Mean | None = Field(description="Minutes that these took.")
    brier: Mean | None = Field(description="Sum over all causes of (probability - truth)^2, per case.")
    reliability: tuple[Bin, ...]


@dataclass(frozen=True)
class Outcome:
    """One answered and played case. What nothing was expected of is None."""

    top_1: bool
    top_3: bool
    verdict: bool
    dangerous: bool | None
    needless: bool | None
    next_step: bool | None
    hold: bool | None
    reachable: bool | None
    brier: float
    predictions: tuple[tuple[float, bool], ...]
    """(P(cause), whether it is there) of every cause at `TOLD_FROM` or more."""
    played: Played


def outcome(
    answer: TriageAnswer,
    played: Played,
    truth: Sequence[str],
    first: Iterable[str],
    verdicts: Iterable[str],
    next_steps: Iterable[str] | None = None,
    hold: bool | None = None,
    reachable: bool | None = None,
) -> Outcome:
    """Compare an answer with what is right.

    `answer` tells every cause that is not excluded. `truth` are the causes there, `first` those that may
    stand first besides them, `verdicts` the right ones, `next_steps` the sensible ones, `hold` whether one
    must be raised, `reachable` whether all that can be known would bring a true cause to 80 %.
    """
    ranked = [cause.id for cause in answer.causes or ()]
    right = frozenset(verdicts)
    runs = answer.verdict.verdict in LETS_RUN
    probability = {cause.id: cause.probability for cause in answer.causes or ()}
    among = sum(cause in ranked[: 3 if len(truth) == 1 else 5] for cause in truth)
    missed = sum(cause not in probability for cause in truth)
    return Outcome(
        top_1=bool(ranked) and ranked[0] in {*truth, *first},
        top_3=among >= min(2, len(truth)),
        verdict=answer.verdict.verdict in right,
        dangerous=None if right & LETS_RUN else runs,
        needless=None if right - LETS_RUN else not runs,
        next_step=None if next_steps is None else not offered(answer).isdisjoint(next_steps),
        hold=bool(answer.holds) if hold else None,
        reachable=reachable,
        brier=sum((p - (cause in truth)) ** 2 for cause, p in probability.items()) + missed,
        predictions=tuple((p, cause in truth) for cause, p in probability.items() if p >= TOLD_FROM),
        played=played,
    )


def offered(answer: TriageAnswer) -> frozenset[str]:
    """Return the findings asked for and the tests offered."""
    questions = {question.finding for question in answer.next_questions or ()}
    return frozenset(questions | {test.id for test in answer.next_tests or ()})


def figures(outcomes: Sequence[Outcome]) -> Figures:
    """Return the figures of some cases."""
    found = [o.played for o in outcomes if o.played.found]
    return Figures(
        cases=len(outcomes),
        top_1=rate(o.top_1 for o in outcomes),
        top_3=rate(o.top_3 for o in outcomes),
        verdict=rate(o.verdict for o in outcomes),
        dangerous=rate(o.dangerous for o in outcomes),
        needless=rate(o.needless for o in outcomes),
        next_step=rate(o.next_step for o in outcomes),
        hold=rate(o.hold for o in outcomes),
        reachable=rate(o.reachable for o in outcomes),
        found=rate(o.played.found for o in outcomes),
        steps=mean([played.steps for played in found]),
        minutes=mean([played.minutes for played in found]),
        brier=mean([o.brier for o in outcomes]),
        reliability=reliability([pair for o in outcomes for pair in o.predictions]),
    )


def by_group(outcomes: Sequence[Outcome], groups: Sequence[str]) -> Mapping[str, Figures]:
    """Return the figures of each group; `groups` names that of each outcome."""
    found: dict[str, list[Outcome]] = {}
    for group, item in zip(groups, outcomes, strict=True):
        found.setdefault(group, []).append(item)
    return {group: figures(items) for group, items in sorted(found.items())}


def rate(hits: Iterable[bool | None]) -> Rate:
    """Return the share of True among True and False, with Wilson's interval; None does not count."""
    counted = [hit for hit in hits if hit is not None]
    n, k = len(counted), sum(counted)
    if not n:
        return Rate(hits=0, of=0, share=None, low=None, high=None)
    p, z2 = k / n, Z95**2 / n
    middle = (p + z2 / 2.0) / (1.0 + z2)
    reach = Z95 * sqrt(p * (1.0 - p) / n + z2 / n / 4.0) / (1.0 + z2)
    return Rate(hits=k, of=n, share=p, low=max(0.0, middle - reach), high=min(1.0, middle + reach))


def mean(values: Sequence[float]) -> Mean | None:
    """Return the mean of `values` with its normal interval; None of no values."""
    n = len(values)
    if not n:
        return None
    middle = sum(values) / n
    if n == 1:
        return Mean(value=middle, of=1, low=None, high=None)
    reach = Z95 * sqrt(sum((value - middle) ** 2 for value in values) / (n - 1) / n)
    return Mean(value=middle, of=n, low=max(0.0, middle - reach), high=middle + reach)


def reliability(predictions: Iterable[tuple[float, bool]]) -> tuple[Bin, ...]:
    """Return the bins of (probability, came true), each a tenth wide; empty ones are left out."""
    bins: dict[int, list[tuple[float, bool]]] = {}
    for p, true in predictions:
        bins.setdefault(min(int(p * BINS), BINS - 1), []).append((p, true))
    return tuple(
        Bin(
            low=max(i / BINS, TOLD_FROM),
            high=(i + 1) / BINS,
            count=len(pairs),
            predicted=sum(p for p, _ in pairs) / len(pairs),
            observed=sum(true for _, true in pairs) / len(pairs),
        )
        for i, pairs in sorted(bins.items())
    )
