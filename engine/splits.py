"""Were these findings absent: the probability of it, the severities and the marginals then, for many groups.

Were finding f absent, only the priors of its causes would change, so one lane of the walk prices that answer,
and the answer "present" is the complement: P(c, f = 1 | e) = P(c | e) - P(c, f = 0 | e).

Causes that no positive finding engages are independent given the evidence. For them everything is a product
over the causes of a finding, taken in one sweep; only groups of findings that an engaged cause can make
present need a lane of the walk, and that lane holds the engaged causes only.
"""

from __future__ import annotations

import numpy as np

from engine.elimination import walk
from engine.links import Groups
from engine.network import Floats, Ints
from engine.posterior import LaneModel, Reasoner, by_severity


class Splits:
    """P(all findings of a group absent, x | evidence), for G groups.

    `share` [G] is P(group absent); `severity` [G, 4] P(group absent, worst consequence); `marginal` [C]
    P(cause | evidence), `total_severity` [4] P(worst consequence | evidence);
    `engaged` [G, E] and `loose` P(cause | evidence, group absent) of the engaged causes
    and, as one long list `loose_group`, `loose_cause`, `loose`, of the others that the group moves.
    """

    def __init__(self, reasoner: Reasoner, model: LaneModel, groups: Groups) -> None:
        self.model = model
        plan = model.plan
        count = groups.log_idle.size
        place = np.full(model.prior.size, -1, dtype=np.intp)
        place[plan.engaged] = np.arange(plan.engaged.size)
        is_engaged = place[groups.cause] >= 0
        silent = reasoner.silent

        loose = ~is_engaged
        self.loose_group = groups.group[loose]
        self.loose_cause = groups.cause[loose]
        stays_off = groups.off[loose]
        p = model.prior[self.loose_cause]
        idle = 1.0 - p * (1.0 - stays_off)
        self.loose = p * stays_off / idle
        spent = np.log(idle)
        self.starts = np.searchsorted(self.loose_group, np.arange(count + 1))

        group = groups.group[is_engaged]
        starts = np.flatnonzero(np.diff(group, prepend=-1))
        lanes = 1 + starts.size
        row = np.zeros(count, dtype=np.intp)
        row[group[starts]] = np.arange(1, lanes)
        start = model.prior[plan.engaged]
        prior = np.tile(start, (lanes, 1))
        rows, columns = row[group], place[groups.cause[is_engaged]]
        off = groups.off[is_engaged]
        q = start[columns]
        stays = 1.0 - q * (1.0 - off)
        log_scale = np.bincount(rows, np.log(stays), lanes)
        prior[rows, columns] = q * off / stays

        walked = walk(
            plan,
            np.concatenate([prior] + [np.where(mask[plan.engaged], 0.0, prior) for mask in silent]),
            lanes,
            None,
            np.repeat(np.arange(4) * lanes, lanes),
        )
        self.engaged_row = row
        self.engaged = walked.marginal
        self.marginal = model.prior.copy()
        self.marginal[plan.engaged] = walked.marginal[0]

        log_walk = walked.log_evidence.reshape(4, lanes) + log_scale - walked.log_evidence[0]
        log_loose = np.empty((4, count))
        log_loose[0] = np.bincount(self.loose_group, spent, count)
        log_idle_prior = np.log1p(-prior)
        outside = model.prior.copy()
        outside[plan.engaged] = 0.0
        for k, mask in enumerate(silent, 1):
            kept = np.where(mask[self.loose_cause], 0.0, spent)
            log_loose[k] = np.bincount(self.loose_group, kept, count)
            log_walk[k] += log_idle_prior @ mask[plan.engaged]
            log_walk[k] += np.log1p(-outside[mask]).sum()
        self.total_severity: Floats = by_severity(np.exp(np.minimum(log_walk[:, :1], 0.0)))[0]
        below = np.exp(np.minimum(groups.log_idle + log_loose + log_walk[:, row], 0.0))
        self.share: Floats = below[0]
        self.severity: Floats = by_severity(below)

    def moved(self, group: int) -> Ints:
        """Return the causes whose probability the group can change."""
        loose = self.loose_cause[self.starts[group] : self.starts[group + 1]]
        if self.engaged_row[group] == 0:
            return loose
        return np.concatenate([loose, self.model.plan.engaged])

    def whole(self, group: int) -> Floats:
        """Return P(cause | evidence, group absent) [C]."""
        whole = self.marginal.copy()
        whole[self.model.plan.engaged] = self.engaged[self.engaged_row[group]]
        mine = slice(self.starts[group], self.starts[group + 1])
        whole[self.loose_cause[mine]] = self.loose[mine]
        return whole


def expected_doubt(splits: Splits, row: Ints, accuracy: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Return the worth of results: P pairs of a group `row` [P] and (sensitivity, specificity) [P, 2].

    The first array [2, P] is the drop of doubt in nats, plain and with each cause weighted by `weight` [C],
    the second [P, 2, 4]
    P(result, worst consequence) for the result absent and present.
    """
    sensitivity, specificity = accuracy[:, 0], accuracy[:, 1]
    share = splits.share[row]
    shows_absent = specificity * share + (1.0 - sensitivity) * (1.0 - share)
    shows_present = 1.0 - shows_absent
    start = splits.severity[row]
    rest = np.maximum(splits.total_severity - start, 0.0)
    severity = np.stack(
        [
            specificity[:, None] * start + (1.0 - sensitivity)[:, None] * rest,
            (1.0 - specificity)[:, None] * start + sensitivity[:, None] * rest,
        ],
        axis=1,
    )
    doubt = np.zeros((2, row.size))

    def add(pair: Ints, before: Floats, absent: Floats) -> Floats:
        joint = share[pair] * absent
        other = np.maximum(before - joint, 0.0)
        se, sp = sensitivity[pair], specificity[pair]
        a, b = shows_absent[pair], shows_present[pair]
        drop = entropy(before)
        for p, mix in ((a, sp * joint + (1.0 - se) * other), (b, (1.0 - sp) * joint + se * other)):
            drop = drop - p * entropy(np.clip(mix / np.maximum(p, 1e-300), 0.0, 1.0))
        return drop

    engaged_row = splits.engaged_row[row]
    walked = np.flatnonzero(engaged_row > 0)
    if walked.size:
        width = splits.model.plan.engaged.size
        pair = np.repeat(walked, width)
        before = np.tile(splits.engaged[0], walked.size)
        drop = add(pair, before, splits.engaged[engaged_row[walked]].ravel())
        by_cause = drop.reshape(walked.size, width)
        doubt[0, walked] += by_cause.sum(axis=1)
        doubt[1, walked] += by_cause @ weight[splits.model.plan.engaged]
    if splits.loose_group.size:
        starts = splits.starts[row]
        counts = splits.starts[row + 1] - starts
        pair = np.repeat(np.arange(row.size), counts)
        offset = np.arange(pair.size) - np.repeat(np.cumsum(counts) - counts, counts)
        item = np.repeat(starts, counts) + offset
        cause = splits.loose_cause[item]
        drop = add(pair, splits.marginal[cause], splits.loose[item])
        doubt[0] += np.bincount(pair, drop, row.size)
        doubt[1] += np.bincount(pair, drop * weight[cause], row.size)
    return np.maximum(doubt, 0.0), severity


def entropy(p: Floats) -> Floats:
    """Binary entropy of each p, in nats."""
    q = 1.0 - p
    with np.errstate(divide="ignore", invalid="ignore"):
        first = np.where(p > 0.0, p * np.log(p), 0.0)
        second = np.where(q > 0.0, q * np.log(q), 0.0)
    value: Floats = -(first + second)
    return value
