"""What a fault of the model is: its sizes, and what a log with it should show.

`matter` are sizes that must be found: well beyond the limit of the finding in ``kb/limits``, as such a fault
would be on a car that needs work. `too_small` are sizes that may or may not be told. What follows from a
fault by physics (a lean mixture from lost fuel pressure) is in `also`: it may be told, and is not false.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from tests.logs.model import Recording, record


@dataclass(frozen=True)
class Fault:
    """A fault of the model: `id` is its name there, `findings` are those of which one at least must show."""

    id: str
    told: str
    unit: str
    matter: tuple[float, ...]
    too_small: tuple[float, ...]
    findings: frozenset[str]
    also: frozenset[str] = frozenset()
    needs: frozenset[str] = frozenset()
    dyno: bool | None = None
    start: str | None = None
    fixed: Mapping[str, float] = field(default_factory=dict)


def set_of(text: str) -> frozenset[str]:
    """The words of a text."""
    return frozenset(text.split())


def faulty(seed: int, fault: Fault, size: float) -> Recording:
    """The session of a car with a fault of a size, its logger having what is needed to see it."""
    return record(
        seed,
        {fault.id: size, **fault.fixed},
        also_logged=fault.needs,
        dyno=fault.dyno,
        start=fault.start,
    )


def a_fault(
    fault_id: str,
    told: str,
    unit: str,
    matter: tuple[float, ...],
    too_small: tuple[float, ...],
    findings: str,
    *,
    also: str = "",
    needs: str = "",
    dyno: bool | None = None,
    start: str | None = None,
    fixed: Mapping[str, float] | None = None,
) -> Fault:
    """Return a fault; findings and channels as words in one text."""
    return Fault(
        id=fault_id,
        told=told,
        unit=unit,
        matter=matter,
        too_small=too_small,
        findings=set_of(findings),
        also=set_of(also),
        needs=set_of(needs),
        dyno=dyno,
        start=start,
        fixed=fixed or {},
    )
