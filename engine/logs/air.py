"""The air pressure that the pressures of a log are counted from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from engine.logs.column_units import ATMOSPHERE_KPA, ENGINE_OFF_RPM, LEAST_SAMPLES, Meaning
from engine.logs.layout import Caveat
from engine.logs.raw import Piece
from engine.logs.stretch import Floats

CREDIBLE_KPA = (50.0, 110.0)
AT_REST_KPA = (75.0, 108.0)


@dataclass(frozen=True)
class Air:
    """The air pressure [kPa]; `why` tells how it was had where the log has none of its own."""

    kpa: float
    why: str | None


def air_of(meanings: Mapping[str, tuple[int, Meaning]], head: Piece) -> tuple[Air, list[Caveat]]:
    """Return the air pressure: the log's own, else the manifold with the engine off, else sea level.

    `meanings` has the number and the meaning of each channel's column.
    """
    caveats = []
    logged = _kpa(meanings, head, "barometer")
    if logged is not None and (known := logged[~np.isnan(logged)]).size:
        middle = float(np.median(known))
        if CREDIBLE_KPA[0] <= middle <= CREDIBLE_KPA[1]:
            return Air(middle, None), []
        text = f"the air pressure in the log, {middle:.0f} kPa, is not credible; it is not used"
        caveats.append(Caveat(code="contradiction", text=text, channel="barometer"))
    manifold, speed = _kpa(meanings, head, "boost", "absolute"), _kpa(meanings, head, "engine_speed")
    if manifold is not None and speed is not None:
        rest = manifold[(speed < ENGINE_OFF_RPM) & ~np.isnan(manifold)]
        middle = float(np.median(rest)) if rest.size >= LEAST_SAMPLES else 0.0
        if AT_REST_KPA[0] <= middle <= AT_REST_KPA[1]:
            why = (
                f"the log has no air pressure; {middle:.1f} kPa, the manifold's with the engine off, is taken"
            )
            return Air(middle, why), caveats
    why = f"the log has no air pressure; absolute pressures are counted from {ATMOSPHERE_KPA} kPa"
    return Air(ATMOSPHERE_KPA, why), caveats


def _kpa(
    meanings: Mapping[str, tuple[int, Meaning]], head: Piece, channel: str, reference: str | None = None
) -> Floats | None:
    if channel not in meanings:
        return None
    i, meaning = meanings[channel]
    if meaning.question is not None or (reference is not None and meaning.reference != reference):
        return None
    values: Floats = head.columns.get(i, np.full(head.times.size, np.nan)) * meaning.scale + meaning.offset
    return values
