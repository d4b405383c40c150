"""Both chainers against each other, against CLIPS and against the plainest fixpoint; then their failures."""

from __future__ import annotations

import importlib
import json
import random
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Collection
from concurrent.futures import ThreadPoolExecutor

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from engine.chaining import Chainer, Closure, Conjunction, RuleTable, durable, make_chainer, packing
from engine.chaining.compiled import CompiledChainer
from engine.chaining.durable import MAX_REBUILDS, DurableChainer, property_name
from engine.errors import ChainerError
from tests.engine.clips_reference import ClipsReference
from tests.soak.chaining_soak import SLACK_MB, cases, joined_table, soak

needs_durable = pytest.mark.skipif(not durable.available(), reason="durable-rules does not import here")
MAKERS: list[object] = [CompiledChainer, pytest.param(DurableChainer, marks=needs_durable)]
every_chainer = pytest.mark.parametrize("make", MAKERS)
Maker = Callable[[RuleTable], Chainer]


def fixpoint(table: RuleTable, facts: Collection[int]) -> Closure:
    held = set(facts)
    while True:
        fired = [i for i, c in enumerate(table.conjunctions) if set(c.needs) <= held]
        wider = held.union(*(table.conjunctions[i].gives for i in fired))
        if wider == held:
            return Closure(frozenset(held), tuple(fired))
        held = wider


def rule_tables(most: int) -> st.SearchStrategy[RuleTable]:
    def of_size(atoms: int) -> st.SearchStrategy[RuleTable]:
        atom = st.integers(0, atoms - 1)
        needs = st.one_of(st.lists(atom, max_size=4), st.lists(atom, min_size=5, max_size=12))
        conjunction = st.builds(
            Conjunction,
            st.sampled_from(["one", "two", "three"]),  # one id for several: alternatives of a rule
            needs.map(tuple),
            st.lists(atom, max_size=3).map(tuple),
        )
        conjunctions = st.lists(conjunction, min_size=1, max_size=most)
        return conjunctions.map(lambda chosen: RuleTable(atoms, tuple(chosen)))

    return st.integers(1, 30).flatmap(of_size)


def fact_sets(table: RuleTable, seed: int, count: int) -> list[list[int]]:
    source = random.Random(seed)
    sizes = [source.randint(0, table.atom_count) for _ in range(count)]
    return [source.sample(range(table.atom_count), size) for size in sizes]


@settings(max_examples=300, deadline=None)
@given(rule_tables(60), st.integers(0, 10**6))
def test_compiled_is_the_least_fixpoint(table: RuleTable, seed: int) -> None:
    chainer = CompiledChainer(table)
    for facts in fact_sets(table, seed, 15):
        assert chainer.close(facts) == fixpoint(table, facts)


# Few tables and many fact sets: each durable instance keeps its rulesets until the process ends.
@needs_durable
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(rule_tables(60), st.integers(0, 10**6))
def test_durable_compiled_clips_and_fixpoint_agree(table: RuleTable, seed: int) -> None:
    chainer, compiled, clips = DurableChainer(table), CompiledChainer(table), ClipsReference(table)
    for facts in fact_sets(table, seed, 25):
        wanted = fixpoint(table, facts)
        assert chainer.close(facts) == wanted
        assert compiled.close(facts) == wanted
        assert clips.close(facts) == wanted


def crowded_table() -> RuleTable:
    """800 conjunctions, atom 0 in 300 of them, every third one giving an atom that later ones need."""
    source = random.Random(11)
    conjunctions = []
    for number in range(800):
        derived = 120 + number // 3
        needs = source.sample(range(1, derived), source.randint(1, 4))
        conjunctions.append(
            Conjunction(
                f"rule_{number // 2}",
                (0, *needs) if number < 300 else tuple(needs),
                (derived,) if number % 3 == 0 else (),
            )
        )
    return RuleTable(120 + 800 // 3 + 1, tuple(conjunctions))


def widest_branching(group: packing.Group) -> int:
    """Most branches of the condition tree that are open at once, by walking it with everything true."""
    children: dict[tuple[int, ...], set[tuple[int, ...]]] = {}
    for needs in group.needs:
        for depth in range(len(needs)):
            children.setdefault(needs[:depth], set()).add(needs[: depth + 1])
    return max(
        sum(len(children.get(needs[:depth], ())) for depth in range(len(needs) + 1)) for needs in group.needs
    )


@pytest.mark.parametrize("table", [crowded_table(), joined_table(400), joined_table(2000)])
def test_every_conjunction_is_packed_once_and_within_the_limits(table: RuleTable) -> None:
    groups = packing.pack(table.conjunctions)
    assert len(groups) > 1
    placed = Counter(i for group in groups for conjunctions in group.conjunctions for i in conjunctions)
    assert placed == Counter(range(len(table.conjunctions)))
    for group in groups:
        assert len(set(group.needs)) == len(group.needs)
        assert set(group.atoms) == {atom for needs in group.needs for atom in needs}
        assert len(group.atoms) <= packing.MAX_ATOMS
        assert widest_branching(group) <= packing.MAX_OPEN
        for needs, conjunctions in zip(group.needs, group.conjunctions, strict=True):
            assert all(set(table.conjunctions[i].needs) == set(needs) for i in conjunctions)


@needs_durable
def test_a_crowded_table_over_several_rulesets() -> None:
    table = crowded_table()
    assert sum(0 in conjunction.needs for conjunction in table.conjunctions) >= 300
    chainer, compiled, clips = DurableChainer(table), CompiledChainer(table), ClipsReference(table)
    source = random.Random(3)
    everything = list(range(table.atom_count))
    for size in [0, 1, *(source.randint(2, 60) for _ in range(30)), table.atom_count]:
        facts = [0, *source.sample(everything[1:], size - 1)] if size else []
        wanted = fixpoint(table, facts)
        assert chainer.close(facts) == wanted
        assert compiled.close(facts) == wanted
        assert clips.close(facts) == wanted
    assert len(chainer.close(everything).fired) == 800


@needs_durable
@pytest.mark.parametrize("width", [5, 6, 8, 16, 17, packing.MAX_NEEDS])
def test_wide_conjunctions(width: int) -> None:
    # Five joined facts and retraction crash durable-rules, seventeen joined facts are refused by it.
    needs = tuple(range(width))
    table = RuleTable(width + 1, (Conjunction("wide", needs, (width,)), Conjunction("after", (width,))))
    chainer = DurableChainer(table)
    source = random.Random(width)
    for _ in range(50):
        facts = source.sample(needs, width)
        assert chainer.close(facts) == Closure(frozenset(range(width + 1)), (0, 1))
        assert chainer.close(facts[:-1]) == Closure(frozenset(facts[:-1]), ())


@every_chainer
def test_chains_alternatives_repeats_and_empty_needs(make: Maker) -> None:
    chainer = make(
        RuleTable(
            8,
            (
                Conjunction("last", (4, 3)),
                Conjunction("either", (0, 0), (3,)),
                Conjunction("either", (1, 2, 1), (3,)),
                Conjunction("always", (), (4, 5)),
                Conjunction("circle", (6,), (7,)),
                Conjunction("circle", (7,), (6,)),
                Conjunction("last", (3, 4, 3)),
            ),
        )
    )
    assert chainer.close([]) == Closure(frozenset({4, 5}), (3,))
    assert chainer.close([0, 0]) == Closure(frozenset({0, 3, 4, 5}), (0, 1, 3, 6))
    assert chainer.close([2, 1]) == Closure(frozenset({1, 2, 3, 4, 5}), (0, 2, 3, 6))
    assert chainer.close((7,)) == Closure(frozenset({4, 5, 6, 7}), (3, 4, 5))
    assert chainer.close(frozenset({1})) == Closure(frozenset({1, 4, 5}), (3,))


@every_chainer
def test_an_empty_table_gives_back_the_facts(make: Maker) -> None:
    assert make(RuleTable(3, ())).close([2]) == Closure(frozenset({2}), ())
    assert make(RuleTable(0, ())).close([]) == Closure(frozenset(), ())


@every_chainer
@pytest.mark.parametrize("facts", [[-1], [3], [0, 99], [1, 2, -7]])
def test_a_fact_outside_the_table_is_refused_and_leaves_no_trace(make: Maker, facts: list[int]) -> None:
    chainer = make(RuleTable(3, (Conjunction("rule", (0, 1), (2,)),)))
    with pytest.raises(ChainerError, match="no such atoms") as raised:
        chainer.close(facts)
    assert str([fact for fact in facts if not 0 <= fact < 3]) in str(raised.value)
    assert chainer.close([0]) == Closure(frozenset({0}), ())
    assert chainer.close([0, 1]) == Closure(frozenset({0, 1, 2}), (0,))


@every_chainer
@pytest.mark.parametrize(
    "conjunction", [Conjunction("odd_rule", (0, 5)), Conjunction("odd_rule", (0,), (-1,))]
)
def test_a_table_that_names_unknown_atoms_is_refused(make: Maker, conjunction: Conjunction) -> None:
    with pytest.raises(ChainerError, match="odd_rule"):
        make(RuleTable(5, (conjunction,)))


def test_what_cannot_be_packed_is_refused_by_name() -> None:
    wide = Conjunction("too_wide", tuple(range(packing.MAX_NEEDS + 1)))
    with pytest.raises(ChainerError, match=r"too_wide.* needs 41 atoms"):
        packing.pack([wide])
    pairs = [Conjunction("pair", (a, b)) for a in range(150) for b in range(a)][: packing.MAX_RULES + 1]
    assert len(pairs) == packing.MAX_RULES + 1
    with pytest.raises(ChainerError, match="10001 different conjunctions"):
        packing.pack(pairs)
    assert packing.pack(pairs[:-1])


def test_property_names_have_hashes_of_their_own() -> None:
    def fnv1a(text: str) -> int:
        value = 2166136261
        for byte in text.encode():
            value = ((value ^ byte) * 16777619) % 2**32
        return value

    assert fnv1a("id") == 926444256  # HASH_ID in the sources of durable-rules: this is its hash
    names = [property_name(local) for local in range(packing.MAX_ATOMS)]
    assert len({fnv1a(name) for name in [*names, "id", "sid", "$s"]}) == packing.MAX_ATOMS + 3


@needs_durable
def test_as_many_atoms_in_a_message_as_a_ruleset_may_hold() -> None:
    # 30 hubs of 15 pairs each would open few enough branches for one ruleset, but make too long a message.
    pairs = [Conjunction("pair", (hub, 30 + 15 * hub + leaf)) for hub in range(30) for leaf in range(15)]
    assert max(len(group.atoms) for group in packing.pack(pairs)) > packing.MAX_ATOMS - 15
    assert len(DurableChainer(RuleTable(480, tuple(pairs))).close(range(480)).fired) == 450


@every_chainer
def test_eight_threads_share_a_chainer(make: Maker) -> None:
    table = joined_table(120)
    chainer = make(table)
    work = list(cases(table, 800))
    wanted = [CompiledChainer(table).close(facts) for facts in work]
    before = sys.getswitchinterval()
    sys.setswitchinterval(1e-5)
    try:
        with ThreadPoolExecutor(8) as pool:
            assert list(pool.map(chainer.close, work)) == wanted
    finally:
        sys.setswitchinterval(before)


def leave_a_message(chainer: DurableChainer) -> None:
    rulesets = chainer._rulesets
    assert rulesets
    assert chainer._engine.assert_fact(rulesets[0].handle, '{"id":"1","a0":1,"a1":1}')[0] == 0


def leave_an_exception(chainer: DurableChainer) -> None:
    module = importlib.import_module("durable_rules_engine")
    leave_a_message(chainer)
    rulesets = chainer._rulesets
    assert rulesets
    module.retract_fact(rulesets[0].handle, '{"id":"1"}')
    state = {"sid": "0", "id": "sid-0", "$s": 1, "exception": "raised in an action"}
    module.update_state(rulesets[0].handle, json.dumps(state))


def leave_a_match_locked(chainer: DurableChainer) -> None:
    rulesets = chainer._rulesets
    assert rulesets
    handle = rulesets[0].handle
    _, state = chainer._engine.assert_fact(handle, '{"id":"7","a0":1,"a1":1}')
    assert chainer._engine.start_action_for_state(handle, state)


def misread_the_rules(chainer: DurableChainer) -> None:
    chainer._compiled = CompiledChainer(RuleTable(3, (Conjunction("rule", (0,), (2,)),)))


@needs_durable
@pytest.mark.parametrize(
    ("spoil", "message"),
    [
        (leave_a_message, "an earlier one is still there"),
        (leave_an_exception, "raised in an action"),
        (leave_a_match_locked, "session is locked"),
    ],
)
def test_the_case_after_an_error_is_right_again(
    spoil: Callable[[DurableChainer], None], message: str
) -> None:
    chainer = DurableChainer(RuleTable(3, (Conjunction("rule", (0, 1), (2,)),)))
    spoil(chainer)
    with pytest.raises(ChainerError, match=message):
        chainer.close([0, 1])
    for _ in range(3):
        assert chainer.close([0, 1]) == Closure(frozenset({0, 1, 2}), (0,))
        assert chainer.close([1]) == Closure(frozenset({1}), ())


@needs_durable
def test_a_closure_that_the_chainers_disagree_on_is_never_given() -> None:
    chainer = DurableChainer(RuleTable(3, (Conjunction("rule", (0, 1), (2,)),)))
    misread_the_rules(chainer)
    with pytest.raises(ChainerError, match="disagree"):
        chainer.close([0])
    assert chainer.close([1]) == Closure(frozenset({1}), ())


@needs_durable
def test_fresh_starts_are_bounded() -> None:
    chainer = DurableChainer(RuleTable(3, (Conjunction("rule", (0, 1), (2,)),)))
    for _ in range(MAX_REBUILDS):
        leave_a_message(chainer)
        with pytest.raises(ChainerError, match="still there"):
            chainer.close([0, 1])
        assert chainer.close([0, 1]).fired == (0,)
    leave_a_message(chainer)
    with pytest.raises(ChainerError, match="still there"):
        chainer.close([0, 1])
    for _ in range(2):
        with pytest.raises(ChainerError, match="restart the process"):
            chainer.close([0, 1])


class Interrupted(list[int]):
    """Facts whose second reading is interrupted, as by a signal in the middle of a case."""

    readings = 0

    def __iter__(self):  # type: ignore[no-untyped-def]
        self.readings += 1
        if self.readings > 1:
            yield self[0]
            raise KeyboardInterrupt
        yield from super().__iter__()


@needs_durable
def test_an_interrupt_passes_through_and_the_next_case_is_right() -> None:
    chainer = DurableChainer(RuleTable(3, (Conjunction("rule", (0, 1), (2,)),)))
    with pytest.raises(KeyboardInterrupt):
        chainer.close(Interrupted([0, 1]))
    assert chainer._rulesets is None
    assert chainer.close([0, 1]) == Closure(frozenset({0, 1, 2}), (0,))


def test_make_chainer_gives_what_was_asked_for() -> None:
    table = RuleTable(1, ())
    assert make_chainer(table, "compiled").name == "compiled"
    assert make_chainer(table).name == ("durable" if durable.available() else "compiled")
    with pytest.raises(ChainerError, match="'fast'"):
        make_chainer(table, "fast")  # type: ignore[arg-type]


@needs_durable
def test_make_chainer_gives_durable() -> None:
    assert make_chainer(RuleTable(1, ()), "durable").name == "durable"


WITHOUT_DURABLE = """
import sys
sys.modules["durable_rules_engine"] = None
from engine.chaining import Conjunction, RuleTable, make_chainer
from engine.errors import ChainerError
table = RuleTable(2, (Conjunction("rule", (0,), (1,)),))
chainer = make_chainer(table)
print(chainer.name, sorted(chainer.close([0]).atoms))
try:
    make_chainer(table, "durable")
except ChainerError as error:
    print(error)
"""


def test_without_durable_rules() -> None:
    done = subprocess.run(
        [sys.executable, "-c", WITHOUT_DURABLE], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.splitlines() == ["compiled [0, 1]", "durable-rules does not import on this Python"]


@needs_durable
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads /proc")
def test_short_soak() -> None:
    seen = soak(3_000)
    assert seen.wrong == 0
    assert seen.fired > 3_000
    assert seen.grown_mb < SLACK_MB


@needs_durable
def test_no_thread_is_started() -> None:
    program = (
        "import threading\nfrom engine.chaining import Conjunction, RuleTable, make_chainer\n"
        "make_chainer(RuleTable(1, (Conjunction('rule', (0,)),)), 'durable').close([0])\n"
        "print(threading.active_count())"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.strip() == "1"
