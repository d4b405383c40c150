"""Which entry kind stands in which folder or file of the knowledge base."""

from __future__ import annotations

from engine.inspection.entries import Point, Stage, Watch
from engine.model import (
    Cause,
    Caution,
    Channel,
    Entry,
    Finding,
    Fix,
    Judgement,
    Links,
    Quantity,
    Rule,
    Source,
    Test,
    TroubleCodeTitle,
    VehicleFact,
    WordGroup,
)

KINDS: dict[str, type[Entry]] = {
    "sources": Source,
    "cautions": Caution,
    "findings": Finding,
    "causes": Cause,
    "links": Links,
    "tests": Test,
    "fixes": Fix,
    "rules": Rule,
    "limits": Judgement,
    "points": Point,
}

SINGLE_FILES: dict[str, type[Entry]] = {
    "vehicle_facts.yaml": VehicleFact,
    "quantities.yaml": Quantity,
    "trouble_codes.yaml": TroubleCodeTitle,
    "word_groups.yaml": WordGroup,
    "channels.yaml": Channel,
    "stages.yaml": Stage,
    "watches.yaml": Watch,
}

GENERAL_KINDS = frozenset({"sources", "cautions", "rules", "limits", "points"})
"""Kinds that may also have a ``general.yaml`` beside the system files."""
