"""The two-layer noisy-OR network (BN2O) as arrays, and how absent findings reweight its priors.

P(f absent | causes C) = (1 - b_f) * prod over active c in C of (1 - q_fc), with b_f the background of the
finding and q_fc the strength of the link (Heckerman 1989; Shwe et al. 1991, the QMR-DT form).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Network:
    """A noisy-OR network of C causes and F findings.

    `prior` [C] is P(cause), `background` [F] is P(finding | no cause), `strength` [F, C] is
    P(cause alone makes the finding present), 0 where there is no link. All lie in [0, 1).
    """

    prior: Floats
    background: Floats
    strength: Floats
    log_off: Floats
    """log(1 - strength) [F, C]."""
    parents: tuple[tuple[int, ...], ...]
    """Per finding, the causes that are linked to it."""

    @classmethod
    def build(cls, prior: Floats, background: Floats, strength: Floats) -> Network:
        """Return the network; raises ValueError where a probability is out of range or shapes differ."""
        if strength.shape != (background.size, prior.size):
            raise ValueError(f"strength has shape {strength.shape}, not {(background.size, prior.size)}")
        for name, array in (("prior", prior), ("background", background), ("strength", strength)):
            if array.size and not (np.all(array >= 0.0) and np.all(array < 1.0)):
                raise ValueError(f"{name} must lie in [0, 1)")
        arrays = [np.array(array, dtype=np.float64) for array in (prior, background, strength)]
        arrays.append(np.log1p(-arrays[2]))
        for array in arrays:
            array.setflags(write=False)
        parents = tuple(tuple(int(c) for c in np.flatnonzero(row)) for row in arrays[2])
        return cls(arrays[0], arrays[1], arrays[2], arrays[3], parents)

    def without(self, excluded: Bools) -> Floats:
        """Return the priors [C] with the causes in the mask `excluded` [C] set to 0."""
        return np.where(excluded, 0.0, self.prior)


def reweight(prior: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Multiply the odds side of each cause by exp(weight) and normalise cause by cause.

    `prior` [C] or [L, C], `weight` [L, C] (log of the likelihood of the active state). Returns the new
    priors [L, C] and the log of the normaliser summed over causes [L].
    """
    top = np.maximum(weight, 0.0)
    active = prior * np.exp(weight - top)
    total = (1.0 - prior) * np.exp(-top) + active
    return active / total, (np.log(total) + top).sum(axis=-1)
