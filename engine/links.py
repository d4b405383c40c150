"""Groups of findings and the causes linked to them, as flat arrays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from engine.network import Floats, Ints, Network


@dataclass(frozen=True)
class Groups:
    """Groups of findings, with their links as one long list sorted by group.

    `group`, `cause` and `off` [N]: that cause switches on no finding of that group with probability `off`.
    `log_idle` [G] is the log of P(no finding of the group is on by its background).
    """

    group: Ints
    cause: Ints
    off: Floats
    log_idle: Floats

    @classmethod
    def build(cls, network: Network, groups: Sequence[tuple[int, ...]]) -> Groups:
        """List the links of any groups."""
        lane_of: list[int] = []
        cause_of: list[int] = []
        log_off: list[float] = []
        for lane, group in enumerate(groups):
            merged: dict[int, float] = {}
            for f in group:
                for cause in network.parents[f]:
                    merged[cause] = merged.get(cause, 0.0) + float(network.log_off[f, cause])
            lane_of.extend([lane] * len(merged))
            cause_of.extend(merged)
            log_off.extend(merged.values())
        idle = np.log1p(-network.background)
        return cls(
            np.array(lane_of, dtype=np.intp),
            np.array(cause_of, dtype=np.intp),
            np.exp(np.array(log_off)),
            np.array([float(idle[list(group)].sum()) for group in groups]),
        )

    @classmethod
    def singles(cls, network: Network) -> Groups:
        """List the links of every finding alone; group i is finding i."""
        finding, cause = np.nonzero(network.strength)
        return cls(finding, cause, 1.0 - network.strength[finding, cause], np.log1p(-network.background))

    def only(self, wanted: Ints) -> Groups:
        """Return the groups `wanted` (ascending), renumbered from 0."""
        number = np.full(self.log_idle.size, -1, dtype=np.intp)
        number[wanted] = np.arange(wanted.size)
        kept = number[self.group] >= 0
        return Groups(number[self.group[kept]], self.cause[kept], self.off[kept], self.log_idle[wanted])
