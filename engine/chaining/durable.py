"""The chainer on durable-rules: the one place that touches it, and only in ways that were proven safe.

durable-rules 2.0.28 walks off the end of an array when two or more facts of a joined match are retracted
after the match was handed out: silent at two to four joined facts, a crash at five. Never retracting grows
without bound, and deleting the session crashes. So nothing is joined here. All that holds of what a ruleset
mentions goes in as one message, a rule tests several properties of that one message, and the message is
retracted before the next one: a match then holds one message, and the walk stays inside its array.

Its C module is driven directly. Its Python layer would start two timer threads, run an action for each
match and swallow what that action raises; here a match is only read.
"""

from __future__ import annotations

import importlib
import itertools
import json
import threading
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from functools import cache
from typing import Protocol, cast

from engine.chaining.compiled import CompiledChainer
from engine.chaining.packing import Group, pack
from engine.chaining.table import Closure, RuleTable
from engine.errors import ChainerError

MAX_REBUILDS = 8
"""A loaded ruleset can never be unloaded, so the number of fresh starts after an error is bounded."""

_HANDLED, _NOT_HANDLED = 0, 1
# An id of our own: the ones that durable-rules makes up lose a digit and are compared by a 32-bit hash.
_OPENING = '{"id":"1"'
_RETRACTION = '{"id":"1"}'

_serial = itertools.count()


class _Engine(Protocol):
    error: type[Exception]

    def create_ruleset(self, name: str, rules: str, /) -> int: ...
    def assert_fact(self, ruleset: int, message: str, /) -> tuple[int, int]: ...
    def retract_fact(self, ruleset: int, message: str, /) -> tuple[int, int]: ...
    def start_action_for_state(self, ruleset: int, state: int, /) -> tuple[str, str] | None: ...
    def complete_and_start_action(self, ruleset: int, state: int, /) -> str | None: ...


@dataclass(frozen=True)
class _Ruleset:
    handle: int
    conjunctions: tuple[tuple[int, ...], ...]


@cache
def _engine() -> _Engine | None:
    try:
        return cast(_Engine, importlib.import_module("durable_rules_engine"))
    except ImportError:
        return None


def available() -> bool:
    """Say whether durable-rules can be imported here; it cannot from Python 3.13 on."""
    return _engine() is not None


class DurableChainer:
    """Forward chaining by durable-rules, each closure checked against `CompiledChainer` before it is given.

    Rulesets are loaded at construction under names of their own and stay loaded until the process ends.
    Calls from several threads take turns: durable-rules crashes when two enter it. After an error the
    rulesets in use are abandoned and the next call loads fresh ones, `MAX_REBUILDS` times at most.

    Raises `ChainerError` at construction where durable-rules does not import, when a conjunction names an
    atom outside the table, and for what `pack` refuses.
    """

    def __init__(self, table: RuleTable) -> None:
        engine = _engine()
        if engine is None:
            raise ChainerError("durable-rules does not import on this Python")
        self._engine = engine
        self._compiled = CompiledChainer(table)
        self._gives = tuple(conjunction.gives for conjunction in table.conjunctions)
        self._always = tuple(i for i, conjunction in enumerate(table.conjunctions) if not conjunction.needs)
        self._groups = pack(table.conjunctions)
        # Which rulesets hear of an atom, and the piece of their message that says that it holds.
        self._pieces: dict[int, list[tuple[int, str]]] = {}
        for number, group in enumerate(self._groups):
            for local, atom in enumerate(group.atoms):
                self._pieces.setdefault(atom, []).append((number, f',"{property_name(local)}":1'))
        self._lock = threading.Lock()
        self._rebuilds = 0
        self._rulesets: list[_Ruleset] | None = self._load()

    @property
    def name(self) -> str:
        """``durable``."""
        return "durable"

    def close(self, facts: Collection[int]) -> Closure:
        """Return the closure of `facts`.

        Raises `ChainerError` for a fact outside the table, for any failure inside durable-rules, and when
        durable-rules and the compiled chainer disagree.
        """
        expected = self._compiled.close(facts)
        with self._lock:
            rulesets = self._ready()
            # Left unset by whatever goes wrong below, an interrupt included: rulesets in an unknown state
            # must never see another case.
            self._rulesets = None
            try:
                closure = self._run(rulesets, facts)
            except (self._engine.error, MemoryError) as error:
                raise ChainerError(f"durable-rules failed: {error}") from error
            if closure != expected:
                raise ChainerError("durable-rules and the compiled chainer disagree; no conclusion is given")
            self._rulesets = rulesets
        return closure

    def _ready(self) -> list[_Ruleset]:
        if self._rulesets is not None:
            return self._rulesets
        if self._rebuilds >= MAX_REBUILDS:
            raise ChainerError(f"durable-rules failed {MAX_REBUILDS + 1} times; restart the process")
        self._rebuilds += 1
        return self._load()

    def _load(self) -> list[_Ruleset]:
        instance = next(_serial)
        try:
            return [
                _Ruleset(
                    self._engine.create_ruleset(f"prepull_{instance}_{number}", ruleset_definition(group)),
                    group.conjunctions,
                )
                for number, group in enumerate(self._groups)
            ]
        except (self._engine.error, MemoryError) as error:
            raise ChainerError(f"durable-rules could not load the rules: {error}") from error

    def _run(self, rulesets: list[_Ruleset], facts: Collection[int]) -> Closure:
        held: set[int] = set()
        fired: set[int] = set()
        messages: dict[int, list[str]] = {}
        stale: dict[int, None] = {}  # rulesets that have not heard everything yet, in order

        def hold(atoms: Collection[int]) -> None:
            for atom in atoms:
                if atom not in held:
                    held.add(atom)
                    for number, piece in self._pieces.get(atom, ()):
                        messages.setdefault(number, [_OPENING]).append(piece)
                        stale[number] = None

        def fire(conjunctions: tuple[int, ...]) -> None:
            for index in conjunctions:
                if index not in fired:
                    fired.add(index)
                    hold(self._gives[index])

        hold(facts)
        fire(self._always)
        while stale:
            number = next(iter(stale))
            del stale[number]
            ruleset = rulesets[number]
            for rule in self._matches(ruleset.handle, "".join(messages[number]) + "}"):
                fire(ruleset.conjunctions[rule])
        return Closure(frozenset(held), tuple(sorted(fired)))

    def _matches(self, handle: int, message: str) -> Iterator[int]:
        engine = self._engine
        code, state = engine.assert_fact(handle, message)
        if code == _NOT_HANDLED:  # no rule matches, and then durable-rules does not keep the message
            return
        if code != _HANDLED:
            raise ChainerError(f"durable-rules answered {code} to a message: an earlier one is still there")
        started = engine.start_action_for_state(handle, state)
        if started is None:
            raise ChainerError("durable-rules took a message and hands out no match: its session is locked")
        kept, match = started
        if "exception" in kept:
            raise ChainerError(f"an error is kept in the state of durable-rules: {kept}")
        following: str | None = match
        while following is not None:
            yield int(following[2 : following.index('"', 2)])  # {"<rule>":{"m":{...}}}
            following = engine.complete_and_start_action(handle, state)
        engine.retract_fact(handle, _RETRACTION)


def property_name(local: int) -> str:
    """Name an atom inside its ruleset.

    durable-rules knows a property by a 32-bit hash of its name alone, so names are taken from a small fixed
    set that the tests show to be free of collisions.
    """
    return f"a{local}"


def ruleset_definition(group: Group) -> str:
    """Write a group in the JSON rule language of durable-rules, each rule on one message ``m``."""
    local = {atom: property_name(number) for number, atom in enumerate(group.atoms)}
    rules: dict[str, object] = {}
    for number, needs in enumerate(group.needs):
        conditions = [{local[atom]: 1} for atom in needs]
        rules[str(number)] = {"all": [{"m": conditions[0] if len(conditions) == 1 else {"$and": conditions}}]}
    return json.dumps(rules)
