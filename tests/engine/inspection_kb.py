"""Random walks: stages, activities and guards such as the checks of the knowledge base let pass."""

from __future__ import annotations

from hypothesis import strategies as st

from engine.inspection.order import Step
from engine.model import Activity

STAGE_ACTIVITIES: tuple[frozenset[Activity], ...] = (
    frozenset(),
    frozenset({"lifting"}),
    frozenset({"pressurising"}),
    frozenset({"running"}),
    frozenset({"rollers"}),
)
SPOTS = ("inlet", "turbo", "fuel_rail", "wheels")


@st.composite
def steps(draw: st.DrawFn, most: int = 14, extras: bool = True) -> list[Step]:
    """Steps whose guards stand no later than what they guard, and that wait for each other in no ring."""
    count = draw(st.integers(1, most))
    found = []
    for i in range(count):
        stage = draw(st.integers(0, 4))
        more: frozenset[Activity] = draw(
            st.frozensets(st.sampled_from(["open_fuel", "sparks"]), max_size=1)
            if extras
            else st.just(frozenset())
        )
        own = STAGE_ACTIVITIES[stage] | more
        # What a step guards belongs to a later stage, or is an activity that only others of its stage have.
        later: list[Activity] = [a for s in range(stage + 1, 5) for a in STAGE_ACTIVITIES[s]]
        if stage == 0 and not more and extras:
            later += ["open_fuel", "sparks"]
        guards = frozenset(draw(st.lists(st.sampled_from(later), max_size=2))) if later else frozenset()
        found.append(
            Step(
                f"p{i:02}",
                stage,
                draw(st.sampled_from(SPOTS)),
                draw(st.integers(1, 8)) / 2,
                own,
                guards - own,
                draw(st.integers(0, 3)),
                draw(st.integers(0, 40)) / 4,
            )
        )
    return found
