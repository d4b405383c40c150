"""Fits the score on the tuning set; the held-apart set is not read.

First the direction: how much small talk in the same words and the odds of a symptom weigh against likeness,
so that most findings are offered among the first five, over several shares of lines without a symptom that
raise one; the threshold is that of `FALSE_ALARMS`. Then the scale: logistic regression of "was meant" on that
weighed likeness, so that a score is about the share of candidates like it that were meant. Last the state:
logistic regression of "was said to be absent" on the signs of each finding that a line means. Prints the
constants of `engine.listening.weighing` and `engine.listening.states`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from engine.knowledge import load
from engine.listening.hearing import Listener
from engine.listening.states import StateSigns
from engine.listening.weighing import Candidate
from tests.phrases.lines import TUNING, Line, read_lines

FALSE_ALARMS = 0.0376
RATES = (0.011, 0.016, 0.022, 0.027, 0.033, 0.038, 0.043, 0.048, 0.053)
"""Shares of false alarms over which the direction is judged: at any one of them two lines decide."""

LIKELIEST = 10
DENIALS_COUNT = 2.0
"""A denial counts as so many: on a call most of what is asked is denied, in the lines a sixth."""

STEPS = 30
RIDGE = 0.05

Lines = Sequence[tuple[Line, list[tuple[str, Candidate]]]]


def main() -> None:
    """Print the constants, and how right the scores are."""
    listener = Listener(load().source)
    lines = [(line, listener.candidates(line.says)) for line in read_lines(*TUNING)]
    _, talk, odds = max(
        (sum(threshold_for(lines, talk, odds, rate)[0] for rate in RATES), talk, odds)
        for talk in np.arange(0.0, 1.01, 0.1)
        for odds in np.arange(0.2, 1.01, 0.1)
    )
    recall, threshold = threshold_for(lines, talk, odds, FALSE_ALARMS)
    print(f"TALK, ODDS = {talk:.2f}, {odds:.2f}")
    print(f"HEARD_FROM = {threshold:.3f} (recall@5 {recall:.1%} at {FALSE_ALARMS:.1%} false alarms)")
    rows = [row for line, candidates in lines for row in rows_of(line, candidates, talk, odds, threshold)]
    x, y = np.array([row[:3] for row in rows]), np.array([row[3] for row in rows])
    w = logistic(x, y, np.ones(len(y)))
    print(f"SLOPE, BEHIND_SLOPE, OFFSET = {w[0]:.2f}, {w[1]:.2f}, {w[2]:.2f}")
    score = 1.0 / (1.0 + np.exp(-x @ w))
    for low in np.arange(0.0, 1.0, 0.1):
        within = (score >= low) & (score < low + 0.1)
        if within.any():
            print(f"  score {low:.1f}-{low + 0.1:.1f}: {within.sum():5}, {y[within].mean():6.1%} meant")
    fit_state(listener, [line for line, _ in lines])


def fit_state(listener: Listener, lines: Sequence[Line]) -> None:
    """Print the weights of the signs of a state, and how many states come out right."""
    told = [(listener.signs(line.says), line) for line in lines]
    pairs = [(signs[f], state) for signs, line in told for f, state in line.means.items() if f in signs]
    x = np.array([columns(signs) for signs, _ in pairs])
    y = np.array([float(state == "absent") for _, state in pairs])
    w = logistic(x, y, np.where(y > 0.0, DENIALS_COUNT, 1.0))
    right = (x @ w > 0.0) == (y > 0.0)
    print("OWN, LOUDEST, DENIED, LACK, WELL, ALIKE, ABSENT_FROM =", ", ".join(f"{v:.2f}" for v in w * SIGNS))
    print(
        f"  {right[y > 0].mean():.1%} of {y.sum():.0f} denied, {right[y == 0].mean():.1%} of the others right"
    )


def columns(signs: StateSigns) -> tuple[float, ...]:
    """Return the signs in the order of their weights."""
    return signs.own, signs.loudest, signs.denied, signs.lack, signs.well, signs.alike, signs.straight


SIGNS = np.array([-1.0, -1.0, 1.0, -1.0, 1.0, 1.0, -1.0])
"""How each weight enters the log-odds of absence."""


def rows_of(
    line: Line, candidates: list[tuple[str, Candidate]], talk: float, odds: float, threshold: float
) -> list[tuple[float, float, float, float]]:
    """Return weight, how far behind, the constant and whether it was meant, for what would be heard."""
    rows: list[tuple[float, float, float, float]] = []
    told: list[tuple[Candidate, float]] = []
    for finding, c in sorted(candidates, key=lambda f: -weighed(f[1], talk, odds))[:LIKELIEST]:
        weight = weighed(c, talk, odds)
        over = (w for o, w in told if o.span.first < c.span.last and o.span.last > c.span.first)
        ahead = next(over, weight)
        told.append((c, weight))
        if ahead >= threshold:
            rows.append((weight, -math.sqrt(max(ahead - weight, 0.0)), -1.0, float(finding in line.means)))
    return rows


def weighed(candidate: Candidate, talk: float, odds: float) -> float:
    """Return the likeness with what small talk and odds add."""
    return candidate.likeness - talk * candidate.small_talk + odds * candidate.odds


def threshold_for(lines: Lines, talk: float, odds: float, rate: float) -> tuple[float, float]:
    """Return recall@5 and the lowest threshold at which no larger share of the quiet lines is heard."""
    quiet = sorted(
        max((weighed(c, talk, odds) for _, c in candidates), default=-9.0)
        for line, candidates in lines
        if line.kind == "nothing"
    )
    threshold = quiet[len(quiet) - 1 - int(rate * len(quiet))] + 1e-6
    right = meant = 0
    for line, candidates in lines:
        scored = sorted((-weighed(c, talk, odds), finding) for finding, c in candidates)
        offered = [finding for value, finding in scored if -value >= threshold]
        for finding in line.means:
            meant += 1
            before = offered[: offered.index(finding)] if finding in offered else ()
            right += finding in offered and sum(other not in line.means for other in before) < 5
    return right / meant, threshold


def logistic(
    x: NDArray[np.float64], y: NDArray[np.float64], count: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the weights of the logistic regression of `y` on the columns of `x`, by Newton's method.

    Each row counts `count` times; a small ridge holds the weights that few rows tell of.
    """
    w = np.zeros(x.shape[1])
    for _ in range(STEPS):
        p = 1.0 / (1.0 + np.exp(-x @ w))
        curvature = (x * (count * p * (1.0 - p))[:, None]).T @ x + RIDGE * np.eye(len(w))
        w += np.linalg.solve(curvature, x.T @ (count * (y - p)) - RIDGE * w)
    return w


if __name__ == "__main__":
    main()
