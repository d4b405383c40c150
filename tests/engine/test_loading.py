from __future__ import annotations

import json
import math
import os
import string
import time
from pathlib import Path

import pytest
import yaml
from hypothesis import example, given, settings
from hypothesis import strategies as st

from engine.errors import KnowledgeError, Problem
from engine.loading import MAX_BYTES, default_root, load_source
from engine.model import FindingIs, Strength
from engine.yaml_reader import JSON, MAX_PROBLEMS, Document, read_yaml
from tests.engine.kb_maker import MINIMAL, KnowledgeMaker

SHIPPED = Path(__file__).resolve().parents[2] / "kb"


def told(problems: list[Problem]) -> list[str]:
    return [f"{problem.file}:{problem.line}: {problem.message}" for problem in problems]


# ---------------------------------------------------------------- the strict YAML subset


LOADERS = pytest.mark.parametrize("loader", [yaml.SafeLoader, yaml.CSafeLoader], ids=["python", "c"])


@LOADERS
@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        ("a: 1\nb: 2\na: 3\n", 3, "key 'a' stands here a second time, first in line 1"),
        ("a:\n  - {x: 1, y1: 2, x: 3}\n", 2, "key 'x' stands here a second time"),
        ("a: &x 1\n", 1, "anchor &x"),
        ("a: &x\n  b: 1\n", 1, "anchor &x"),
        ("a: 1\nb: *x\n", 2, "alias *x"),
        ("a: {b: 1}\nc:\n  <<: {d: 2}\n", 3, "merge keys"),
        ("a: !!str 1\n", 1, "tag tag:yaml.org,2002:str"),
        ("a: !custom [1]\n", 1, "tag !custom"),
        ("a: !!python/object/apply:os.system [ls]\n", 1, "tag "),
        ("a: 1\n---\nb: 2\n", 2, "a second document"),
        ("a: 1\n1: 2\n", 2, "a key must be text, got 1"),
        ("null: 2\n", 1, "a key must be text"),
        ("a: 1\n? [b, c]\n: 2\n", 2, "a key must be text"),
        ("a: 1\nno: 2\n", 2, "no may be read as true or false: quote it"),
        ("a: 1\nb: Yes\n", 2, "Yes may be read as true or false: quote it, or write true or false"),
        ("a: [x, on]\n", 1, "on may be read as true or false"),
        ("a: n\n", 1, "n may be read as true or false"),
        ("a: True\n", 1, "True may be read in two ways: quote it, or write true"),
        ("a: NULL\n", 1, "NULL may be read in two ways"),
        ("a: ~\n", 1, "~ may be read in two ways: quote it, or write null"),
        ("a: <<\n", 1, "meaning of its own"),
        ("a: =\n", 1, "meaning of its own"),
        ("a: .nan\n", 1, "not a finite number"),
        ("a: -.INF\n", 1, "not a finite number"),
        ("a: 1e999\n", 1, "out of range"),
        ("a: 123456789012345678901\n", 1, "out of range"),
        ("a: " + "9" * 5000 + "\n", 1, "out of range"),
        ("a: 017\n", 1, "another number"),
        ("a: 0x1F\n", 1, "another number"),
        ("a: 0o17\n", 1, "another number"),
        ("a: 1_000\n", 1, "another number"),
        ("a: 1:30\n", 1, "another number"),
        ("a: 2024-05-01\n", 1, "a date"),
        ("a: 2024-05-01 10:00:00\n", 1, "a date"),
        ('a: "x\\0"\n', 1, "control character"),
        ("a: [1\nb: 2\n", 2, "not YAML"),
        ("a: 1\n\tb: 2\n", 2, "not YAML"),
        ("a: @x\n", 1, "not YAML"),
        ("a: 1\nb: \x01\n", 2, "not YAML"),
        ("a: " + "[" * 19 + "]" * 19 + "\nb: " + "[" * 20 + "]" * 20, 2, "nested deeper than 20"),
    ],
)
def test_refuses_with_the_line(
    text: str, line: int, says: str, loader: type[yaml.SafeLoader | yaml.CSafeLoader]
) -> None:
    problems = read_yaml(text, "kb/x.yaml", loader).problems
    assert [(problem.file, problem.line) for problem in problems[:1]] == [("kb/x.yaml", line)]
    assert says in problems[0].message


@LOADERS
@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("true", True),
        ("false", False),
        ("null", None),
        ("", None),
        ("5", 5),
        ("-5", -5),
        ("0", 0),
        ("0.5", 0.5),
        (".5", 0.5),
        ("5.", 5.0),
        ("1e-3", 0.001),
        ("none", "none"),
        ("None", "None"),
        ("'no'", "no"),
        ('"on"', "on"),
        ("'2024-05-01'", "2024-05-01"),
        ("'017'", "017"),
        ("100 kPa", "100 kPa"),
        ("-20 kPa", "-20 kPa"),
        ("1.2.3", "1.2.3"),
        ("P0496", "P0496"),
        ("not now", "not now"),
        ("10-15", "10-15"),
        ("5 %", "5 %"),
        (">-\n  no\n  on", "no on"),
        ("[a, 1, {b: true}]", ["a", 1, {"b": True}]),
    ],
)
def test_reads_plain_values(text: str, value: JSON, loader: type[yaml.SafeLoader | yaml.CSafeLoader]) -> None:
    document = read_yaml(f"a: {text}\n", "kb/x.yaml", loader)
    assert document.problems == []
    assert document.value == {"a": value}
    assert isinstance(document.value, dict)
    assert type(document.value["a"]) is type(value)


def test_marks_name_the_line_of_every_part() -> None:
    document = read_yaml("# c\na:\n  b: >-\n    long\n    text\n  c:\n    - x\n    - {d: 1}\n", "f")
    marks = document.marks
    assert marks.inside["a"].line == 2
    assert marks.inside["a"].inside["b"].line == 3
    assert marks.inside["a"].inside["c"].line == 6
    assert marks.inside["a"].inside["c"].inside[1].line == 8
    assert marks.inside["a"].inside["c"].inside[1].inside["d"].line == 8


def test_a_bomb_is_refused_before_it_goes_off(kb: KnowledgeMaker) -> None:
    lines = ["l0: &l0 [lol, lol, lol, lol, lol, lol, lol, lol, lol, lol]"]
    lines += [f"l{i}: &l{i} [{', '.join([f'*l{i - 1}'] * 10)}]" for i in range(1, 40)]
    kb.write("rules/oil.yaml", "\n".join(lines))
    begun = time.process_time()
    problems = kb.refused()
    assert time.process_time() - begun < 2.0
    assert any("alias *l0" in problem.message and problem.line == 2 for problem in problems)
    assert len(problems) <= MAX_PROBLEMS


@pytest.mark.parametrize("text", ["[" * 500_000, "{a: " * 200_000, "- " * 500_000, "? " * 500_000])
def test_deep_nesting_is_refused_quickly(kb: KnowledgeMaker, text: str) -> None:
    kb.write("rules/oil.yaml", text)
    begun = time.process_time()
    problems = kb.refused()
    assert time.process_time() - begun < 5.0
    assert problems[0].file == "kb/rules/oil.yaml"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("r:\n  label: abc\n  when: [" + "1," * 1_000_000 + "1]\n", "at most 100000 values"),
        ("r:\n  label: abc\n  when: [" + "1," * 90_000 + "1]\n", "nothing like what belongs here"),
        ("\n".join(f"k{i}: 1" for i in range(40_000)), "more is wrong from here on"),
        ("{" + ",".join(f"k{i}: {{}}" for i in range(40_000)) + "}", "more is wrong from here on"),
        ("a: " + "x" * 2_000_000, "must be a mapping"),
        ("? " + "k" * 2_000_000 + "\n: 1", "must be an id"),
    ],
    ids=["values", "faults", "lines", "flow", "text", "key"],
)
def test_a_huge_file_is_refused_quickly(kb: KnowledgeMaker, text: str, says: str) -> None:
    kb.write("rules/oil.yaml", text)
    begun = time.process_time()
    problems = kb.refused()
    assert time.process_time() - begun < 5.0
    assert any(says in problem.message for problem in problems)
    assert len(problems) < 2 * MAX_PROBLEMS


@settings(max_examples=300, deadline=None)
@given(st.text(alphabet="abon01.-:_ey~<=\n[]{},&*!#'\"|> \t?%@x", max_size=40), st.booleans())
def test_any_text_is_read_or_refused(text: str, pure: bool) -> None:
    document = read_yaml(text, "f", yaml.SafeLoader if pure else yaml.CSafeLoader)
    assert isinstance(document, Document)
    lines = text.count("\n") + 2
    assert all(1 <= problem.line <= lines for problem in document.problems)


NASTY_SCALARS = st.one_of(
    st.text(alphabet="0123456789.-+_:eExo", min_size=1, max_size=8),
    st.sampled_from(["yes", "No", "ON", "off", "y", "N", "true", "TRUE", "null", "~", "none", "=", "<<"]),
    st.text(alphabet=string.ascii_letters + string.digits + " .-/", min_size=1, max_size=12),
)


@settings(max_examples=500, deadline=None)
@given(NASTY_SCALARS)
def test_what_is_accepted_means_the_same_to_another_reader(scalar: str) -> None:
    text = f"a: {scalar}\n"
    document = read_yaml(text, "f")
    if document.problems:
        return
    other = yaml.safe_load(text)
    ours = document.value
    if isinstance(ours, dict) and isinstance(ours["a"], float) and isinstance(other["a"], str):
        # The outside reader knows an older rule, by which 1e5 is text; by the newer one it is a number.
        assert ours["a"] == float(json.loads(json.dumps(float(other["a"]))))
        return
    assert ours == other


VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**15), 10**15)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(alphabet=st.characters(min_codepoint=32, max_codepoint=0xD7FF, exclude_categories=["Cc"])),
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.text("abc xyz_", min_size=1), inner, max_size=4)
    ),
    max_leaves=20,
)


@settings(max_examples=200, deadline=None)
@given(st.dictionaries(st.text(string.ascii_lowercase, min_size=1), VALUES, max_size=4))
def test_what_another_program_writes_is_read_back(value: dict[str, JSON]) -> None:
    text = json.dumps(value, ensure_ascii=False, indent=1)
    document = read_yaml(text, "f")
    assert document.problems == []
    assert document.value == value


@settings(max_examples=60, deadline=None)
@given(
    st.one_of(
        st.binary(max_size=200), st.text(max_size=100).map(lambda text: text.encode("utf-8", "replace"))
    )
)
@example(b"1: 2")
@example(b"{}")
@example(b"? [a]\n: b")
def test_no_content_of_a_file_raises_anything_else(
    tmp_path_factory: pytest.TempPathFactory, content: bytes
) -> None:
    kb = KnowledgeMaker(tmp_path_factory.mktemp("random"))
    kb.write("rules/oil.yaml", content)
    try:
        kb.load()
    except KnowledgeError as error:
        assert all(problem.file == "kb/rules/oil.yaml" for problem in error.problems)


@settings(max_examples=150, deadline=None)
@given(
    VALUES, st.sampled_from(["findings", "causes", "links", "tests", "fixes", "rules", "cautions", "sources"])
)
def test_no_entry_raises_anything_else(
    tmp_path_factory: pytest.TempPathFactory, value: JSON, kind: str
) -> None:
    kb = KnowledgeMaker(tmp_path_factory.mktemp("random"))
    kb.write(f"{kind}/oil.yaml", json.dumps({"entry": value}, ensure_ascii=False))
    assert all(problem.file == f"kb/{kind}/oil.yaml" and problem.line >= 1 for problem in kb.refused())


CONDITION_PARTS = st.recursive(
    st.fixed_dictionaries(
        {},
        optional={
            "finding": st.sampled_from(["fuel_smell", "Bad", 3]),
            "vehicle": st.sampled_from(["fuel", 3]),
            "measured": st.just("lambda"),
            "is": st.sampled_from(["present", "maybe", True, 5]),
            "in": st.sampled_from([["a"], "a", []]),
            "below": st.sampled_from(["5 kPa", 5, "x"]),
            "at": st.sampled_from([{}, {"lambda": {"below": 3}}, 5]),
        },
    ),
    lambda inner: st.fixed_dictionaries(
        {}, optional={"all": st.lists(inner, max_size=3), "any": st.lists(inner, max_size=3)}
    ),
    max_leaves=6,
)


@settings(max_examples=150, deadline=None)
@given(st.lists(CONDITION_PARTS, min_size=1, max_size=3))
def test_conditions_load_or_are_told_once_each(
    tmp_path_factory: pytest.TempPathFactory, conditions: list[JSON]
) -> None:
    kb = KnowledgeMaker(tmp_path_factory.mktemp("random"))
    rule = {
        "label": "A rule",
        "when": conditions,
        "then": {"forbid": ["running"]},
        "because": "It is so.",
        "source": "practice",
    }
    kb.write("rules/oil.yaml", json.dumps({"r": rule}))
    try:
        kb.load()
    except KnowledgeError as error:
        places = [problem.message.split(": ")[0] for problem in error.problems]
        assert all(place.startswith("rules.r.when") for place in places)
        assert len(set(places)) == len(places)


# ---------------------------------------------------------------- entries that do not fit


@pytest.mark.parametrize(
    ("file", "old", "new", "at", "says"),
    [
        (
            "causes/fuel.yaml",
            "prior_per_1000: 3",
            "prior_per_1000: -3",
            "prior_per_1000: -3",
            "causes.fuel_line_leaks.prior_per_1000: must be greater than 0, got -3",
        ),
        (
            "causes/fuel.yaml",
            "prior_per_1000: 3",
            "prior_per_1000: 500",
            "prior_per_1000: 500",
            "must be less than 500, got 500",
        ),
        ("causes/fuel.yaml", "prior_per_1000: 3", 'prior_per_1000: "3"', '"3"', 'must be a number, got "3"'),
        (
            "causes/fuel.yaml",
            "prior_per_1000: 3",
            "prior_per_1000: true",
            "true",
            "must be a number, got true",
        ),
        (
            "causes/fuel.yaml",
            "  if_ignored: The car burns.\n",
            "",
            "fuel_line_leaks:",
            "causes.fuel_line_leaks.if_ignored: is missing",
        ),
        (
            "causes/fuel.yaml",
            "hazards: [petrol_fire]",
            "hazard: [petrol_fire]",
            "hazard:",
            "causes.fuel_line_leaks.hazard: is not a field here; did you mean hazards?",
        ),
        (
            "causes/fuel.yaml",
            "consequence: stop",
            "consequence: explode",
            "explode",
            "must be 'stop', 'mend_first' or 'advise', got \"explode\"",
        ),
        ("causes/fuel.yaml", "fixes: [replace_pump]", "fixes: []", "fixes: []", "needs at least 1 of them"),
        ("causes/fuel.yaml", "[replace_pump]", "replace_pump", "fixes: replace_pump", "must be a list"),
        (
            "causes/fuel.yaml",
            "[replace_pump]",
            "[Pump]",
            "[Pump]",
            "causes.pump_worn.fixes.0: must be an id such as",
        ),
        (
            "causes/fuel.yaml",
            "pump_worn:",
            "Pump-Worn:",
            "Pump-Worn",
            "causes.Pump-Worn: the key must be an id",
        ),
        ("findings/fuel.yaml", "[P0442]", "[P9442]", "P9442", "must be a trouble code such as P0301"),
        (
            "findings/fuel.yaml",
            "background: 0.002",
            "background: 1",
            "background: 1",
            "must be less than 1, got 1",
        ),
        (
            "findings/fuel.yaml",
            "label: Smell of fuel",
            "label: 5",
            "label: 5",
            "must be text, got 5: quote it",
        ),
        (
            "tests/fuel.yaml",
            "- Read the pressure at idle.",
            "- Read this: the pressure at idle.",
            "Read this",
            'tests.gauge_on_rail.steps.0: must be text, got {"Read this": "the pressure at idle."}',
        ),
        (
            "findings/fuel.yaml",
            "found_at: [bay]",
            "found_at: [moon]",
            "moon",
            "found_at.0: must be 'call', 'bay'",
        ),
        ("links/fuel.yaml", "fuel_smell: 0.8", "fuel_smell: much", "much", 'must be a number, got "much"'),
        (
            "links/fuel.yaml",
            "strength: 0.1",
            "strength: 3",
            "strength: 3",
            "strength: must be less than 1, got 3",
        ),
        *(
            (
                "links/fuel.yaml",
                old,
                old.replace(strength, certain),
                old.replace(strength, certain),
                f"must be {bound}, got {certain}",
            )
            # Certainty cannot be taken back by any other evidence, so no strength is exactly 0 or 1.
            for certain, bound in (("0", "greater than 0"), ("1", "less than 1"))
            for old, strength in (("fuel_smell: 0.8", "0.8"), ("strength: 0.1", "0.1"))
        ),
        (
            "links/fuel.yaml",
            "fuel_smell: 0.8",
            "Smell: 0.8",
            "Smell: 0.8",
            "links.fuel_line_leaks.makes.Smell: must be",
        ),
        (
            "rules/fuel.yaml",
            "below: 200 kPa",
            "below: 200",
            "below: 200",
            "below: must be text, got 200: quote it",
        ),
        (
            "rules/fuel.yaml",
            "below: 200 kPa",
            "below: low",
            "below: low",
            "must be a number with its unit such as",
        ),
        ("rules/fuel.yaml", "verdict: stop", "verdict: run", "verdict: run", "then.hold.verdict: must be"),
        (
            "kb.yaml",
            "version: 0.1.0",
            "version: v1",
            "version: v1",
            "kb.version: must be a version such as 1.4.0",
        ),
        (
            "kb.yaml",
            "sparks: 4",
            "spraks: 4",
            "spraks",
            "kb.decision.risk_minutes.spraks: must be 'pressurising'",
        ),
    ],
)
def test_a_misfit_is_told_plainly_at_its_line(
    kb: KnowledgeMaker, file: str, old: str, new: str, at: str, says: str
) -> None:
    kb.change(file, old, new)
    problems = kb.refused()
    assert len(problems) == 1, told(problems)
    assert (problems[0].file, problems[0].line) == (f"kb/{file}", kb.line(file, at))
    assert says in problems[0].message


@pytest.mark.parametrize(
    ("condition", "says"),
    [
        ("{finding: fuel_smell, is: maybe}", "when.0.is: must be 'present' or 'absent', got \"maybe\""),
        ("{finding: fuel_smell, below: 3 kPa}", "when.0.below: is not a field here"),
        ("{vehicle: fuel, is: 5}", "when.0.is: must be text or true or false, got 5"),
        ("{vehicle: fuel, in: petrol}", "when.0.in: must be a list"),
        ("{measured: Lambda, below: 1 bar}", "when.0.measured: must be an id"),
        ("{measured: lambda, at: {lambda: {under: 1 bar}}}", "when.0.at.lambda.under: is not a field here"),
        ("{any: []}", "when.0.any: needs at least 1 of them"),
        ("{all: [{any: [{finding: 3}]}]}", "when.0.all.0.any.0.finding: must be text, got 3: quote it"),
        ("{finding: fuel_smell, vehicle: fuel}", "when.0: a condition has one of"),
        ("{is: present}", "when.0: a condition needs one of finding, vehicle, measured, all, any"),
        ("fuel_smell", "when.0: a condition is a mapping with one of"),
    ],
)
def test_a_misfit_condition_gives_one_message(kb: KnowledgeMaker, condition: str, says: str) -> None:
    kb.change("rules/fuel.yaml", "    - finding: fuel_leak_seen", f"    - {condition}")
    problems = kb.refused()
    assert len(problems) == 1, told(problems)
    assert problems[0].line == kb.line("rules/fuel.yaml", f"- {condition}")
    assert problems[0].message.startswith(f"rules.leak_stops_all.{says}")


def test_everything_wrong_is_told_at_once(kb: KnowledgeMaker) -> None:
    kb.change("causes/fuel.yaml", "prior_per_1000: 3", "prior_per_1000: 0")
    kb.change("causes/fuel.yaml", "prior_per_1000: 5", "prior_per_1000: 0")
    kb.change("rules/fuel.yaml", "- finding: fuel_leak_seen", "- finding: &x fuel_leak_seen")
    kb.write("tests/gearbox.yaml", "{}\n")
    (kb.root / "quantities.yaml").unlink()
    assert [(p.file, p.line) for p in kb.refused()] == [
        ("kb/causes/fuel.yaml", 3),
        ("kb/causes/fuel.yaml", 11),
        ("kb/quantities.yaml", 1),
        ("kb/rules/fuel.yaml", kb.line("rules/fuel.yaml", "&x")),
        ("kb/tests/gearbox.yaml", 1),
    ]


# ---------------------------------------------------------------- files and folders


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("notes.txt", b"", "does not belong"),
        ("more.yaml", b"{}", "does not belong"),
        ("extra/fuel.yaml", b"{}", "does not belong"),
        ("rules/gearbox.yaml", b"{}", "is not named after a system"),
        ("causes/general.yaml", b"{}", "is not named after a system"),
        ("rules/oil.yml", b"{}", "does not belong"),
        ("rules/deep/oil.yaml", b"{}", "does not belong"),
        ("rules/oil.yaml", b"- a\n", "must be a mapping from id to entry"),
        ("rules/oil.yaml", b"# nothing\n", "must be a mapping from id to entry"),
        ("rules/oil.yaml", b"\xff\xfea", "is not UTF-8"),
        ("rules/oil.yaml", b"#" * (MAX_BYTES + 1), "is larger than"),
    ],
)
def test_files_that_do_not_belong_are_refused(
    kb: KnowledgeMaker, name: str, content: bytes, says: str
) -> None:
    kb.write(name, content)
    problems = kb.refused()
    assert len(problems) == 1, told(problems)
    assert f"kb/{name}".startswith(problems[0].file)
    assert says in problems[0].message


def test_bytes_that_are_not_text_are_told_with_their_line(kb: KnowledgeMaker) -> None:
    kb.write("rules/oil.yaml", b"# a\n# b\n# \xff\n")
    assert [(p.file, p.line) for p in kb.refused()] == [("kb/rules/oil.yaml", 3)]


@pytest.mark.parametrize("name", ["kb.yaml", "vehicle_facts.yaml", "quantities.yaml"])
def test_files_that_must_be_there(kb: KnowledgeMaker, name: str) -> None:
    (kb.root / name).unlink()
    assert [p.file for p in kb.refused()] == [f"kb/{name}"]


def test_a_pipe_is_not_waited_for(kb: KnowledgeMaker) -> None:
    os.mkfifo(kb.root / "rules" / "oil.yaml")
    assert told(kb.refused()) == ["kb/rules/oil.yaml:1: is not a file"]


def test_no_folder_at_all(tmp_path: Path) -> None:
    with pytest.raises(KnowledgeError) as caught:
        load_source(tmp_path / "nowhere")
    assert told(caught.value.problems) == [
        "nowhere:1: not a folder that can be read: No such file or directory"
    ]


def test_files_that_may_stand_beside_the_entries(kb: KnowledgeMaker) -> None:
    kb.write("README.md", "hello")
    kb.write("schema/x.json", "{}")
    kb.write("rules/general.yaml", kb.read("rules/fuel.yaml").replace("low_reading", "other_reading"))
    kb.change("rules/general.yaml", "leak_stops_all", "other_leak")
    assert kb.load().system_of["rules", "other_leak"] == "general"


def test_an_id_twice_in_a_kind(kb: KnowledgeMaker) -> None:
    kb.write("causes/oil.yaml", "# c\n" + kb.read("causes/fuel.yaml"))
    line = kb.line("causes/oil.yaml", "pump_worn:")
    first = kb.line("causes/fuel.yaml", "pump_worn:")
    assert (
        f"kb/causes/oil.yaml:{line}: causes.pump_worn: stands already at kb/causes/fuel.yaml:{first}"
        in told(kb.refused())
    )


# ---------------------------------------------------------------- what is loaded


def test_what_is_loaded(kb: KnowledgeMaker) -> None:
    source = kb.load()
    assert list(source.findings) == ["fuel_leak_seen", "fuel_pressure_low", "fuel_smell"]
    assert source.manifest.version == "0.1.0"
    assert source.causes["pump_worn"].prior_per_1000 == 5.0
    assert source.links["fuel_line_leaks"].makes["fuel_pressure_low"] == Strength(
        strength=0.1, source="practice"
    )
    assert source.system_of["tests", "gauge_on_rail"] == "fuel"
    assert source.root == kb.root.resolve()
    condition = source.rules["leak_stops_all"].when[0]
    assert isinstance(condition, FindingIs)
    assert condition.is_ == "present"


def test_place_is_the_nearest_known_one(kb: KnowledgeMaker) -> None:
    source = kb.load()
    line = kb.line("rules/fuel.yaml", "above: 3000 rpm")
    assert source.place("rules", "low_reading", "when", 0, "at", "engine_speed", "above") == (
        "kb/rules/fuel.yaml",
        line,
    )
    assert source.place("rules", "low_reading", "when", 0, "at", "engine_speed", "below", 3) == (
        "kb/rules/fuel.yaml",
        line - 1,
    )
    assert source.place("rules", "leak_stops_all", "source") == (
        "kb/rules/fuel.yaml",
        kb.line("rules/fuel.yaml", "source: practice"),
    )
    assert source.place("kb", "", "decision", "risk_minutes", "rollers") == (
        "kb/kb.yaml",
        kb.line("kb.yaml", "rollers"),
    )
    assert source.place("rules", "nothing") == ("kb/rules", 1)
    assert source.place("quantities", "nothing") == ("kb/quantities.yaml", 1)


def test_the_revision_is_that_of_the_meaning(kb: KnowledgeMaker, tmp_path: Path) -> None:
    before = kb.load()
    other = KnowledgeMaker(tmp_path / "elsewhere")
    entries = other.read("causes/fuel.yaml").split("pump_worn:\n")
    other.write("causes/fuel.yaml", f"# a comment\n\npump_worn:\n{entries[1]}\n\n{entries[0]}")
    other.change("rules/fuel.yaml", "- finding: fuel_leak_seen", "- {is: present, finding: 'fuel_leak_seen'}")
    other.change("findings/fuel.yaml", "background: 0.002", "background: 2.0e-3")
    other.change("causes/fuel.yaml", "prior_per_1000: 3", "prior_per_1000: 3.0")
    after = other.load()
    assert after.content_hash == before.content_hash
    assert len(before.content_hash) == 64
    assert before.revision == before.content_hash[:16]


@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        ("causes/fuel.yaml", "prior_per_1000: 3", "prior_per_1000: 3.1"),
        ("findings/fuel.yaml", "label: Smell of fuel", "label: Stench of fuel"),
        ("kb.yaml", "version: 0.1.0", "version: 0.1.1"),
        ("kb.yaml", "mend_first: 25", "mend_first: 26"),
        ("quantities.yaml", "unit: rpm", "unit: Hz"),
        ("vehicle_facts.yaml", "maximum: 500", "maximum: 501"),
        ("sources/general.yaml", "title: Estimate of", "title: An estimate of"),
    ],
)
def test_any_change_of_meaning_changes_the_revision(
    kb: KnowledgeMaker, file: str, old: str, new: str
) -> None:
    before = kb.load().revision
    kb.change(file, old, new)
    assert kb.load().revision != before


def test_moving_an_entry_to_another_system_changes_the_revision(kb: KnowledgeMaker) -> None:
    before = kb.load().revision
    (kb.root / "fixes/fuel.yaml").rename(kb.root / "fixes/oil.yaml")
    assert kb.load().revision != before


def test_default_root(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("PREPULL_KB", str(tmp_path))
    assert default_root() == tmp_path
    monkeypatch.setenv("PREPULL_KB", "")
    assert default_root() == SHIPPED


def test_a_large_knowledge_base_loads_quickly(kb: KnowledgeMaker) -> None:
    one = MINIMAL["findings/fuel.yaml"]
    for system in ("fuel", "oil", "coolant", "exhaust"):
        copies = [
            one.replace("fuel_", f"{system}_{i}_").replace("codes: [P0442]", "codes: []") for i in range(150)
        ]
        kb.write(f"findings/{system}.yaml", "\n".join(copies))
    for name in ("links", "tests", "rules"):
        (kb.root / name / "fuel.yaml").unlink()
    lines = sum(kb.read(f"findings/{s}.yaml").count("\n") for s in ("fuel", "oil", "coolant", "exhaust"))
    assert lines > 15_000
    begun = time.process_time()
    source = kb.load()
    # A guard against costs that grow with the square of the size, not a measure of the machine.
    assert time.process_time() - begun < 6.0
    assert len(source.findings) == 4 * 150 * 3
    assert math.isclose(source.findings["oil_7_smell"].background, 0.002)
