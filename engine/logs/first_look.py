"""What the first bytes of a file show already, before anything large is loaded for it."""

from __future__ import annotations

from pathlib import Path

from engine.logs.mapping import Mapping
from engine.logs.sniffing import HEAD_BYTES, MDF_MARKS, refuse_what_is_no_text_log, sniff


def refuse_early(path: Path, mapping: Mapping | None) -> None:
    """Raise `engine.logs.errors.LogError` if the first bytes of a file show that it is no log."""
    with path.open("rb") as stream:
        head = stream.read(HEAD_BYTES)
    if head[:8] in MDF_MARKS:
        return
    refuse_what_is_no_text_log(head)
    sniff(head, mapping, path.stat().st_size <= len(head), frozenset())
