"""Cautions as every answer tells them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from engine.answer import CautionPart
from engine.loading import KnowledgeSource


def told(source: KnowledgeSource, belongs: Mapping[str, Sequence[str]]) -> list[CautionPart]:
    """Return cautions in full, in this order; `belongs` says per caution id what it belongs to."""
    return [
        CautionPart(
            id=caution,
            label=source.cautions[caution].label,
            hazard=source.cautions[caution].hazard,
            wording=source.cautions[caution].wording,
            defers_to=source.cautions[caution].defers_to,
            belongs_to=list(owners),
        )
        for caution, owners in belongs.items()
    ]
