"""Every lint fires where it should, at the line it should, and not on a near miss."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from engine.checking import check
from engine.checks import LINTS
from engine.model import SYSTEMS
from engine.phrasing import fold
from tests.engine.kb_maker import KnowledgeMaker

Edit = tuple[str, str, str]
"""File, text to replace, replacement; with nothing to replace the text is appended."""

SMELL = "findings/fuel.yaml"
CAUSES = "causes/fuel.yaml"
LINKS = "links/fuel.yaml"
TESTS = "tests/fuel.yaml"
FIXES = "fixes/fuel.yaml"
RULES = "rules/fuel.yaml"

PRESSURE_TEST = """\
inlet_test:
  label: Put pressure on the inlet
  place: bay
  steps: [Raise the pressure.]
  minutes: 5
  skill: technician
  involves: [pressurising]
  cautions: [pipes_let_go]
  settles:
    fuel_leak_seen: {sensitivity: 0.95, specificity: 0.98}
  limits: [{text: Holds for a minute, source: practice}]
  source: estimate
"""
CAPPED = """\
crankcase_vents_capped:
  label: Crankcase vents capped
  question: Are the vents capped?
  found_at: [log]
  background: 0.001
  source: estimate
"""
ASKS_FOR_VENTS = """\
  requires:
    - when: [{all: [{finding: crankcase_vents_capped, is: absent}]}]
      because: Seals are pushed out.
"""
SAME_LINKS = "    fuel_smell: {}\n    fuel_leak_seen: 0.9\n    fuel_pressure_low: 0.1\n"


def rule(rule_id: str, needs: str, gives: str) -> str:
    """Return a rule from one state to another, each written as ``id is state``."""
    (need, _, need_is), (give, _, give_is) = needs.split(), gives.split()
    return (
        f"{rule_id}:\n  label: A rule\n  when: [{{finding: {need}, is: {need_is}}}]\n  then:\n"
        f"    derive: [{{finding: {give}, is: {give_is}}}]\n  because: It is so.\n  source: practice\n"
    )


@dataclass(frozen=True)
class Case:
    """One lint: edits that make it fire, where and what it says, and edits on which it stays quiet."""

    name: str
    fires: list[Edit]
    file: str
    at: str
    says: str
    quiet: list[Edit] = field(default_factory=list)
    level: str = "error"


CASES = [
    # references
    Case(
        "cause to fix",
        [(CAUSES, "[replace_pump]", "[replace_pmup]")],
        CAUSES,
        "replace_pmup",
        "causes.pump_worn.fixes.0: no entry 'replace_pmup' in fixes; nearest known: replace_pump",
        [(CAUSES, "[replace_pump]", "[replace_pump, replace_fuel_line]")],
    ),
    Case(
        "cause to hazard",
        [(CAUSES, "hazards: [petrol_fire]", "hazards: [petrol_fires]")],
        CAUSES,
        "petrol_fires",
        "no entry 'petrol_fires' in cautions; nearest known: petrol_fire",
    ),
    Case(
        "links to cause",
        [(LINKS, "", "pump_won:\n  makes: {fuel_pressure_low: 0.9}\n  source: estimate\n")],
        LINKS,
        "pump_won:",
        "links.pump_won: no entry 'pump_won' in causes; nearest known: pump_worn",
    ),
    Case(
        "links to finding",
        [(LINKS, "fuel_smell: 0.8", "fuel_smells: 0.8\n    fuel_smell: 0.8")],
        LINKS,
        "fuel_smells",
        "no entry 'fuel_smells' in findings; nearest known: fuel_smell",
    ),
    Case(
        "strength to source",
        [(LINKS, "source: practice", "source: practise")],
        LINKS,
        "practise",
        "links.fuel_line_leaks.makes.fuel_pressure_low.source: no entry 'practise' in sources",
    ),
    Case(
        "limit to source",
        [(TESTS, "source: practice", "source: zzz")],
        TESTS,
        "zzz",
        "tests.look_at_lines.limits.0.source: no entry 'zzz' in sources",
    ),
    Case(
        "manifest to source",
        [("kb.yaml", "source: estimate", "source: guess")],
        "kb.yaml",
        "guess",
        "kb.decision.source: no entry 'guess' in sources",
    ),
    Case(
        "test to finding",
        [
            (
                TESTS,
                "    fuel_leak_seen:",
                "    tank_empty: {sensitivity: 0.9, specificity: 0.9}\n    fuel_leak_seen:",
            )
        ],
        TESTS,
        "tank_empty",
        "tests.look_at_lines.settles.tank_empty: no entry 'tank_empty' in findings",
    ),
    Case(
        "test to caution",
        [(TESTS, "cautions: [petrol_fire]", "cautions: [petrol_fire, fire_petrol]")],
        TESTS,
        "fire_petrol",
        "tests.look_at_lines.cautions.1: no entry 'fire_petrol' in cautions; nearest known: petrol_fire",
    ),
    Case(
        "test requirement to finding",
        [(TESTS, "{finding: fuel_smell,", "{finding: fuel_stench,")],
        TESTS,
        "fuel_stench",
        "tests.look_at_lines.requires.0.when.0.any.0.finding: no entry 'fuel_stench' in findings",
    ),
    Case(
        "test requirement to vehicle fact",
        [(TESTS, "{vehicle: fuel,", "{vehicle: feul,")],
        TESTS,
        "feul",
        "no entry 'feul' in vehicle_facts; nearest known: fuel",
    ),
    Case(
        "fix to proof",
        [(FIXES, "proof: look_at_lines", "proof: look_at_line")],
        FIXES,
        "proof: look_at_line",
        "fixes.replace_fuel_line.proof: no entry 'look_at_line' in tests; nearest known: look_at_lines",
    ),
    Case(
        "fix to caution",
        [(FIXES, "cautions: [petrol_fire]", "cautions: [petrol_fire, nothing]")],
        FIXES,
        "nothing",
        "no entry 'nothing' in cautions",
    ),
    Case(
        "rule to quantity",
        [(RULES, "measured: fuel_pressure", "measured: fuel_presure")],
        RULES,
        "fuel_presure",
        "rules.low_reading.when.0.measured: no entry 'fuel_presure' in quantities; nearest known: fuel",
    ),
    Case(
        "rule to quantity of a condition",
        [(RULES, "        engine_speed:", "        engine_sped:")],
        RULES,
        "engine_sped",
        "rules.low_reading.when.0.at.engine_sped: no entry 'engine_sped' in quantities",
    ),
    Case(
        "rule to derived finding",
        [(RULES, "- finding: fuel_pressure_low", "- finding: fuel_pressure_lo")],
        RULES,
        "fuel_pressure_lo",
        "rules.low_reading.then.derive.0.finding: no entry 'fuel_pressure_lo' in findings",
    ),
    Case(
        "rule to excluded cause",
        [(RULES, "exclude: [pump_worn]", "exclude: [pump_wrn]")],
        RULES,
        "pump_wrn",
        "rules.leak_stops_all.then.exclude.0: no entry 'pump_wrn' in causes; nearest known: pump_worn",
    ),
    Case(
        "rule to required test",
        [(RULES, "require_test: [look_at_lines]", "require_test: [look_at_pump]")],
        RULES,
        "look_at_pump",
        "rules.leak_stops_all.then.require_test.0: no entry 'look_at_pump' in tests",
    ),
    Case(
        "rule to caution",
        [(RULES, "caution: [petrol_fire]", "caution: [petrol]")],
        RULES,
        "[petrol]",
        "rules.leak_stops_all.then.caution.0: no entry 'petrol' in cautions",
    ),
    Case(
        "id in two kinds",
        [("quantities.yaml", "fuel_temperature:", "pump_worn:")],
        "quantities.yaml",
        "pump_worn:",
        "quantities.pump_worn: the id is taken by causes at kb/causes/fuel.yaml:9",
    ),
    Case(
        "unused source",
        [("sources/general.yaml", "", "rumour:\n  kind: memory\n  title: A rumour\n")],
        "sources/general.yaml",
        "rumour:",
        "sources.rumour: nothing names this source",
        [
            ("sources/general.yaml", "", "rumour:\n  kind: memory\n  title: A rumour\n"),
            (LINKS, "source: practice", "source: rumour"),
        ],
        "warning",
    ),
    Case(
        "long line",
        [(CAUSES, "The car burns.", "The car burns" + " and burns" * 11)],
        CAUSES,
        "if_ignored: The car burns and",
        "columns, more than 120",
        [(CAUSES, "The car burns.", "x" * (120 - len("  if_ignored: ")))],
        "warning",
    ),
    # reach
    Case(
        "cause without links",
        [
            (
                CAUSES,
                "",
                "tank_empty:\n  label: Tank empty\n  prior_per_1000: 1\n  consequence: advise\n"
                "  if_ignored: It stops.\n  fixes: [replace_pump]\n  source: estimate\n",
            )
        ],
        CAUSES,
        "tank_empty:",
        "causes.tank_empty: has no entry in links",
    ),
    Case(
        "finding without cause or rule",
        [(SMELL, "", CAPPED)],
        SMELL,
        "crankcase_vents_capped:",
        "no cause makes it and no rule uses it",
        [(SMELL, "", CAPPED), (LINKS, "fuel_smell: 0.8", "fuel_smell: 0.8\n    crankcase_vents_capped: 0.1")],
    ),
    Case(
        "finding with a rule only",
        [(SMELL, "", CAPPED), (RULES, "- finding: fuel_leak_seen", "- finding: crankcase_vents_capped")],
        SMELL,
        "crankcase_vents_capped:",
        "no cause makes it; only rules or requirements use it",
        level="warning",
    ),
    Case(
        "cause that no strong link confirms",
        [(LINKS, "    fuel_pressure_low: 0.9", "    fuel_pressure_low: 0.59")],
        CAUSES,
        "pump_worn:",
        "causes.pump_worn: no test can confirm it",
        [(LINKS, "    fuel_pressure_low: 0.9", "    fuel_pressure_low: 0.6")],
    ),
    Case(
        "cause that only a common finding confirms",
        [(SMELL, "background: 0.001", "background: 0.051")],
        CAUSES,
        "pump_worn:",
        "causes.pump_worn: no test can confirm it",
        [(SMELL, "background: 0.001", "background: 0.05")],
    ),
    Case(
        "test of nothing",
        [
            (SMELL, "", CAPPED),
            (TESTS, "", PRESSURE_TEST.replace("fuel_leak_seen", "crankcase_vents_capped")),
        ],
        TESTS,
        "settles:\n    crankcase_vents_capped",
        "tests.inlet_test.settles: settles nothing that a cause makes",
        [(TESTS, "", PRESSURE_TEST)],
    ),
    Case(
        "finding out of reach",
        [(SMELL, "found_at: [gauge]", "found_at: [lift]"), (TESTS, "fuel_pressure_low:", "fuel_smell:")],
        SMELL,
        "found_at: [lift]",
        "findings.fuel_pressure_low.found_at: cannot be asked on a call, and no test settles it",
        [(SMELL, "found_at: [gauge]", "found_at: [lift]")],
    ),
    Case(
        "proof of nothing",
        [(FIXES, "proof: gauge_on_rail", "proof: look_at_lines # wrong")],
        FIXES,
        "proof: look_at_lines # wrong",
        "fixes.replace_pump.proof: look_at_lines settles nothing that pump_worn would make",
        [(FIXES, "proof: look_at_lines", "proof: gauge_on_rail")],
        "warning",
    ),
    Case(
        "fix for nothing",
        [(CAUSES, "[replace_pump]", "[replace_fuel_line]")],
        FIXES,
        "replace_pump:",
        "fixes.replace_pump: no cause names this fix",
        level="warning",
    ),
    # rules
    Case(
        "rule that concludes nothing",
        [(RULES, "    derive:\n      - finding: fuel_pressure_low\n", "    derive: []\n")],
        RULES,
        "  then:\n    derive: []",
        "rules.low_reading.then: concludes nothing",
        [(RULES, "    derive:\n      - finding: fuel_pressure_low\n", "    forbid: [running]\n")],
    ),
    Case(
        "rule that derives what it needs",
        [(RULES, "", rule("circle", "fuel_smell is present", "fuel_smell is present"))],
        RULES,
        "derive: [{finding: fuel_smell",
        "rules.circle.then.derive.0: derives what it needs: fuel_smell is present",
        [(RULES, "", rule("chain", "fuel_leak_seen is present", "fuel_smell is present"))],
    ),
    Case(
        "rule that denies what it needs",
        [(RULES, "", rule("circle", "fuel_smell is absent", "fuel_smell is present"))],
        RULES,
        "derive: [{finding: fuel_smell",
        "derives the opposite of what it needs: fuel_smell is absent",
        [(RULES, "", rule("chain", "fuel_leak_seen is absent", "fuel_smell is absent"))],
    ),
    Case(
        "derivation cycle",
        [
            (RULES, "", rule("r_a", "fuel_smell is present", "fuel_leak_seen is absent")),
            (RULES, "", rule("r_b", "fuel_leak_seen is absent", "fuel_pressure_low is present")),
            (RULES, "", rule("r_c", "fuel_pressure_low is present", "fuel_smell is present")),
        ],
        RULES,
        "derive: [{finding: fuel_pressure_low, is: present}]",
        "rules.r_b.then.derive: derivation cycle: fuel_leak_seen is absent"
        " -> (r_b) fuel_pressure_low is present -> (r_c) fuel_smell is present"
        " -> (r_a) fuel_leak_seen is absent",
        [
            (RULES, "", rule("r_a", "fuel_smell is present", "fuel_leak_seen is present")),
            (RULES, "", rule("r_b", "fuel_leak_seen is absent", "fuel_pressure_low is present")),
            (RULES, "", rule("r_c", "fuel_pressure_low is present", "fuel_smell is present")),
        ],
    ),
    # numbers
    Case(
        "link that says nothing",
        [(LINKS, "fuel_smell: 0.8", "fuel_smell: 0.002")],
        LINKS,
        "fuel_smell: 0.002",
        "links.fuel_line_leaks.makes.fuel_smell: the link says nothing: strength 0.002, background 0.002",
        [(LINKS, "fuel_smell: 0.8", "fuel_smell: 0.0021")],
    ),
    Case(
        "strength of its own that says nothing",
        [(LINKS, "strength: 0.1", "strength: 0.0005")],
        LINKS,
        "fuel_pressure_low:\n",
        "the link says nothing",
    ),
    Case(
        "test that says nothing",
        [(TESTS, "{sensitivity: 0.95, specificity: 0.98}", "{sensitivity: 0.5, specificity: 0.5}")],
        TESTS,
        "specificity: 0.5",
        "tests.look_at_lines.settles.fuel_leak_seen: the result says nothing",
        [(TESTS, "{sensitivity: 0.95, specificity: 0.98}", "{sensitivity: 0.5, specificity: 0.51}")],
    ),
    Case(
        "too many stop causes",
        [(CAUSES, "prior_per_1000: 3", "prior_per_1000: 4.1")],
        CAUSES,
        "prior_per_1000: 4.1",
        "the stop causes of fuel add up to 4.1 per 1,000, more than 4",
        [(CAUSES, "prior_per_1000: 3", "prior_per_1000: 4")],
        "warning",
    ),
    Case(
        "too many mend_first causes",
        [(CAUSES, "prior_per_1000: 5", "prior_per_1000: 25.5")],
        CAUSES,
        "prior_per_1000: 25.5",
        "the mend_first causes of fuel add up to 25.5 per 1,000, more than 25",
        [(CAUSES, "prior_per_1000: 5", "prior_per_1000: 25")],
        "warning",
    ),
    Case(
        "too many advise causes",
        [
            (
                CAUSES,
                "prior_per_1000: 5\n  consequence: mend_first",
                "prior_per_1000: 61\n  consequence: advise",
            )
        ],
        CAUSES,
        "prior_per_1000: 61",
        "the advise causes of fuel add up to 61 per 1,000, more than 60",
        [
            (
                CAUSES,
                "prior_per_1000: 5\n  consequence: mend_first",
                "prior_per_1000: 60\n  consequence: advise",
            )
        ],
        "warning",
    ),
    Case(
        "verdict without losses",
        [("kb.yaml", "    stop: {nothing: 720, advise: 680, mend_first: 240, stop: 0}\n", "")],
        "kb.yaml",
        "loss_minutes:",
        "kb.decision.loss_minutes: stop missing",
    ),
    Case(
        "consequence without a worth of a bit",
        [("kb.yaml", "{advise: 3, mend_first: 25, stop: 60}", "{advise: 3, stop: 60}")],
        "kb.yaml",
        "minutes_per_bit:",
        "kb.decision.minutes_per_bit: mend_first missing",
    ),
    Case(
        "activity without risk",
        [("kb.yaml", "    rollers: 60\n", "")],
        "kb.yaml",
        "risk_minutes:",
        "kb.decision.risk_minutes: rollers missing",
    ),
    Case(
        "causes that nothing tells apart",
        [(LINKS, "    fuel_pressure_low: 0.9\n", SAME_LINKS.format(0.7))],
        CAUSES,
        "fuel_line_leaks:\n",
        "no finding and no test tells it from pump_worn: 0.010 bit at best, less than 0.05",
        [(LINKS, "    fuel_pressure_low: 0.9\n", SAME_LINKS.format(0.3))],
        "warning",
    ),
    # phrases and codes
    Case(
        "too few phrasings",
        [(SMELL, "    - it honks of fuel\n", "")],
        SMELL,
        "heard_as:",
        "findings.fuel_smell.heard_as: 5 phrasings, fewer than 6",
        [(SMELL, "    - it honks of fuel\n", ""), (SMELL, "found_at: [call]", "found_at: [log]")],
    ),
    Case(
        "too many phrasings",
        [
            (
                SMELL,
                "    - it honks of fuel\n",
                "".join(f"    - phrase number {n} of them\n" for n in "abcdefghijklmnopqrstuvwxyz01"),
            )
        ],
        SMELL,
        "heard_as:",
        "findings.fuel_smell.heard_as: 33 phrasings, more than 32",
        [(SMELL, "    - it honks of fuel\n", "    - quite another phrase\n")],
        "warning",
    ),
    Case(
        "same phrase on two findings",
        [
            (SMELL, "found_at: [gauge]", "heard_as: [\"It's honkin', fuel\"]\n  found_at: [gauge]"),
            (SMELL, "it honks of fuel", "its  HONKIN fuel"),
        ],
        SMELL,
        "its  HONKIN fuel",
        "'its honkin fuel' stands for fuel_pressure_low as well, at kb/findings/fuel.yaml:24",
        [(SMELL, "found_at: [gauge]", "heard_as: [needle is near zero]\n  found_at: [gauge]")],
    ),
    Case(
        "same phrase twice on one finding",
        [(SMELL, "it honks of fuel", "My garage reeks!")],
        SMELL,
        "My garage reeks!",
        "'my garage reeks' stands here twice, first at kb/findings/fuel.yaml:8",
        level="warning",
    ),
    Case(
        "nearly the same phrase on two findings",
        [(SMELL, "found_at: [gauge]", "heard_as: [i can smell gas in the cabins]\n  found_at: [gauge]")],
        SMELL,
        "i can smell gas in the cabin\n",
        "'i can smell gas in the cabin' is nearly 'i can smell gas in the cabins' of fuel_pressure_low",
        [(SMELL, "it honks of fuel", "i can smell gas in the cabins")],
        "warning",
    ),
    Case(
        "code of two findings",
        [(SMELL, "codes: [P0087]", "codes: [P0087, P0442]")],
        SMELL,
        "P0087, P0442",
        "findings.fuel_pressure_low.codes.1: P0442 is claimed by fuel_leak_seen as well",
        [(SMELL, "codes: [P0087]", "codes: [P0087]  # one only")],
    ),
    Case(
        "code without a title",
        [(SMELL, "codes: [P0087]", "codes: [P0087, P0443]")],
        SMELL,
        "codes: [P0087, P0443]",
        "findings.fuel_pressure_low.codes.1: P0443 has no title in trouble_codes.yaml",
        [
            (SMELL, "codes: [P0087]", "codes: [P0087, P0443]"),
            ("trouble_codes.yaml", "", "p0443: {title: Purge valve circuit, source: practice}\n"),
        ],
    ),
    # measures
    Case(
        "unit that is none",
        [("quantities.yaml", "unit: rpm", "unit: turns_a_minute")],
        "quantities.yaml",
        "turns_a_minute",
        "quantities.engine_speed.unit: 'turns_a_minute' is not a known unit",
        [("quantities.yaml", "unit: rpm", "unit: 1/min"), ("quantities.yaml", "unit: 1/min", "unit: rpm")],
    ),
    Case(
        "empty range",
        [("quantities.yaml", "minimum: 0, maximum: 1200", "minimum: 1200, maximum: 0")],
        "quantities.yaml",
        "minimum: 1200",
        "quantities.fuel_pressure.minimum: the range is empty",
    ),
    Case(
        "choice without choices",
        [("vehicle_facts.yaml", "    methanol: Methanol\n", "")],
        "vehicle_facts.yaml",
        "choices:",
        "vehicle_facts.fuel.choices: a choice needs two or more choices",
    ),
    Case(
        "choices of a number",
        [("vehicle_facts.yaml", "type: number", "choices: {a: A, b: B}\n  type: number")],
        "vehicle_facts.yaml",
        "choices: {a",
        "vehicle_facts.boost_target.choices: does not go with type number",
    ),
    Case(
        "number without unit",
        [("vehicle_facts.yaml", "  unit: kPa\n", ""), (RULES, "at_least: 0.2 bar", 'at_least: "20"')],
        "vehicle_facts.yaml",
        "boost_target:",
        "vehicle_facts.boost_target: a number needs a unit",
    ),
    Case(
        "unit of a yes or no",
        [("vehicle_facts.yaml", "type: yes_no", "type: yes_no\n  unit: kPa")],
        "vehicle_facts.yaml",
        "  unit: kPa\n  source",
        "vehicle_facts.has_catalyst.unit: does not go with type yes_no",
    ),
    Case(
        "no such choice",
        [(TESTS, "is: petrol", "is: diesel")],
        TESTS,
        "diesel",
        "'diesel' is no choice of fuel; choices: petrol, methanol",
        [(TESTS, "is: petrol", "is: methanol")],
    ),
    Case(
        "no such choice in a list",
        [(TESTS, "is: petrol", "in: [petrol, diesel]")],
        TESTS,
        "diesel",
        "tests.look_at_lines.requires.0.when.0.any.1.in.1: 'diesel' is no choice of fuel",
        [(TESTS, "is: petrol", "in: [petrol, methanol]")],
    ),
    Case(
        "true is no choice",
        [(TESTS, "is: petrol", "is: true")],
        TESTS,
        "is: true",
        "true is no choice of fuel",
    ),
    Case(
        "choice compared",
        [(TESTS, "is: petrol", "is: petrol, above: 3 kPa")],
        TESTS,
        "above",
        "fuel is of type choice and cannot be compared; use is",
    ),
    Case(
        "is and in",
        [(TESTS, "is: petrol", "is: petrol, in: [methanol]")],
        TESTS,
        "methanol",
        "is and in do not go together",
    ),
    Case(
        "condition on a choice that says nothing",
        [(TESTS, "{vehicle: fuel, is: petrol}", "{vehicle: fuel}")],
        TESTS,
        "{vehicle: fuel}",
        "says nothing of fuel; add is or in",
    ),
    Case(
        "empty list of choices",
        [(TESTS, "is: petrol", "in: []")],
        TESTS,
        "in: []",
        "needs at least one choice",
    ),
    Case(
        "yes or no in words",
        [(RULES, "is: true", "is: fitted")],
        RULES,
        "is: fitted",
        "has_catalyst is true or false, not 'fitted'",
        [(RULES, "is: true", "is: false")],
    ),
    Case(
        "yes or no in a list",
        [(RULES, "is: true", "in: [fitted]")],
        RULES,
        "in: [fitted]",
        "has_catalyst is true or false; use is",
    ),
    Case(
        "number with is",
        [(RULES, "at_least: 0.2 bar", "is: high")],
        RULES,
        "is: high",
        "boost_target is a number; use below, at_most, above, at_least",
        [(RULES, "at_least: 0.2 bar", "above: 20 kPa\n      at_most: 3 bar")],
    ),
    Case(
        "condition on a number that says nothing",
        [(RULES, "      at_least: 0.2 bar\n", "")],
        RULES,
        "vehicle: boost_target",
        "rules.low_reading.when.1: says nothing of boost_target; add below",
    ),
    Case(
        "reading without bound",
        [(RULES, "      below: 200 kPa\n", "")],
        RULES,
        "measured: fuel_pressure",
        "rules.low_reading.when.0: says nothing of fuel_pressure; add below",
    ),
    Case(
        "condition of a reading without bound",
        [(RULES, "        engine_speed:\n          above: 3000 rpm\n", "        engine_speed: {}\n")],
        RULES,
        "engine_speed: {}",
        "rules.low_reading.when.0.at.engine_speed: says nothing of engine_speed",
    ),
    Case(
        "wrong dimension of a reading",
        [(RULES, "below: 200 kPa", "below: 200 degC")],
        RULES,
        "200 degC",
        "fuel_pressure is in kPa: 'degC' does not measure the same thing as 'kPa'",
        [(RULES, "below: 200 kPa", "below: 30 psi")],
    ),
    Case(
        "wrong dimension of a vehicle fact",
        [(RULES, "at_least: 0.2 bar", "at_least: 0.2 rpm")],
        RULES,
        "0.2 rpm",
        "boost_target is in kPa: 'rpm' does not measure the same thing as 'kPa'",
    ),
    Case(
        "wrong dimension of a condition",
        [(RULES, "above: 3000 rpm", "above: 3000 km")],
        RULES,
        "3000 km",
        "engine_speed is in rpm: 'km' does not measure the same thing as 'rpm'",
    ),
    Case(
        "unknown unit",
        [(RULES, "below: 200 kPa", "below: 200 smoots")],
        RULES,
        "smoots",
        "'smoots' is not a known unit",
    ),
    Case(
        "bound without unit",
        [(RULES, "below: 200 kPa", 'below: "200"')],
        RULES,
        '"200"',
        "'200' has no unit; fuel_pressure is in kPa",
        [(RULES, "measured: fuel_pressure\n      below: 200 kPa", 'measured: lambda\n      below: "0.8"')],
    ),
    Case(
        "bounds that nothing meets",
        [(RULES, "below: 200 kPa", "below: 200 kPa\n      above: 3 bar")],
        RULES,
        "measured: fuel_pressure",
        "rules.low_reading.when.0: no value of fuel_pressure can meet these bounds",
        [(RULES, "below: 200 kPa", "below: 200 kPa\n      above: 1 bar")],
    ),
    Case(
        "open bounds that meet",
        [(RULES, "below: 200 kPa", "below: 200 kPa\n      at_least: 2 bar")],
        RULES,
        "measured: fuel_pressure",
        "no value of fuel_pressure can meet these bounds",
        [(RULES, "below: 200 kPa", "at_most: 200 kPa\n      at_least: 2 bar")],
    ),
    Case(
        "bound that is not credible",
        [(RULES, "below: 200 kPa", "below: 200 bar")],
        RULES,
        "200 bar",
        "200 bar lies outside the credible range of fuel_pressure",
        [(RULES, "below: 200 kPa", "below: 12 bar")],
        "warning",
    ),
    # hazards
    Case(
        "test without caution",
        [(TESTS, "involves: [open_fuel]", "involves: [open_fuel, lifting]")],
        TESTS,
        "lifting",
        "tests.look_at_lines.involves.1: none of its cautions covers lifting",
        [(TESTS, "involves: [open_fuel]", "involves: [open_fuel, sparks]")],
    ),
    Case(
        "fix without caution",
        [(FIXES, "cautions: [petrol_fire]", "cautions: []")],
        FIXES,
        "involves: [open_fuel]",
        "fixes.replace_fuel_line.involves.0: none of its cautions covers open_fuel",
    ),
    Case(
        "lesser activity without caution",
        [(TESTS, "involves: [open_fuel]", "involves: [open_fuel, battery_work]")],
        TESTS,
        "battery_work",
        "none of its cautions covers battery_work",
        level="warning",
    ),
    Case(
        "pressure without a word on the vents",
        [("tests/airpath.yaml", "", PRESSURE_TEST)],
        "tests/airpath.yaml",
        "inlet_test:",
        "tests.inlet_test.requires: pressurises the engine without a requirement on crankcase_vents_capped",
        [("tests/coolant.yaml", "", PRESSURE_TEST)],
        "warning",
    ),
    Case(
        "no limit",
        [(TESTS, "  limits:\n    - {text: 300 kPa over manifold pressure, source: practice}\n", "")],
        TESTS,
        "gauge_on_rail:",
        "has no pass or fail limit",
        [],
        "warning",
    ),
    Case(
        "risky step without caution",
        [(TESTS, "    - Read the pressure at idle.\n", "    - Raise the car and read the pressure.\n")],
        TESTS,
        "Raise the car",
        "speaks of 'raise the car' and the entry has no caution",
        [(TESTS, "    - Read the pressure at idle.\n", "    - Read the pressure and raise the flag.\n")],
        "warning",
    ),
    Case(
        "stop without hazard",
        [(CAUSES, "  hazards: [petrol_fire]\n", "")],
        CAUSES,
        "consequence: stop",
        "causes.fuel_line_leaks.consequence: stops the run but names no hazard",
        [(CAUSES, "  hazards: [petrol_fire]\n", ""), (CAUSES, "consequence: stop", "consequence: advise")],
        "warning",
    ),
]


def apply(kb: KnowledgeMaker, edits: list[Edit]) -> None:
    for file, old, new in edits:
        if old:
            kb.change(file, old, new)
        else:
            kb.append(file, new)


def line_of(kb: KnowledgeMaker, file: str, at: str) -> int:
    """Return the line on which `at` begins; it is an error of the test if that is not one place."""
    text = kb.read(file)
    assert text.count(at) == 1, f"{file} has {at!r} {text.count(at)} times"
    return text.count("\n", 0, text.index(at)) + 1


def test_the_knowledge_base_that_is_spoilt_below_has_no_problem(kb: KnowledgeMaker) -> None:
    assert kb.problems() == []


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_fires(kb: KnowledgeMaker, case: Case) -> None:
    apply(kb, case.fires)
    problems = kb.problems()
    found = [problem for problem in problems if case.says in problem.message]
    assert found, [str(problem) for problem in problems]
    assert found[0].level == case.level
    assert found[0].file == f"kb/{case.file}"
    assert found[0].line == line_of(kb, case.file, case.at), str(found[0])


@pytest.mark.parametrize("case", [case for case in CASES if case.quiet], ids=lambda case: case.name)
def test_stays_quiet(kb: KnowledgeMaker, case: Case) -> None:
    apply(kb, case.quiet)
    gist = case.says.split(": ")[-1].split("; nearest")[0]
    assert [str(problem) for problem in kb.problems() if gist in problem.message] == []


def test_every_lint_is_fired_by_a_case(tmp_path: Path) -> None:
    # Those have their cases in test_checking_words.py, test_checking_limits.py and test_checking_points.py.
    elsewhere = {"engine.checks.words", "engine.checks.limits", "engine.checks.points"}
    silent = {lint.__name__ for lint in LINTS if lint.__module__ not in elsewhere}
    for i, case in enumerate(CASES):
        kb = KnowledgeMaker(tmp_path / str(i))
        apply(kb, case.fires)
        source = kb.load()
        silent -= {
            lint.__name__ for lint in LINTS if any(case.says in problem.message for problem in lint(source))
        }
    assert silent == set()


def test_a_requirement_on_the_vents_is_enough(kb: KnowledgeMaker) -> None:
    kb.append(SMELL, CAPPED)
    kb.write("tests/airpath.yaml", PRESSURE_TEST.replace("  cautions:", ASKS_FOR_VENTS + "  cautions:"))
    assert [p.level for p in kb.problems()] == ["warning"]
    assert "only rules or requirements use it" in kb.problems()[0].message


def test_two_cycles_are_both_told_and_one_is_told_once(kb: KnowledgeMaker) -> None:
    kb.append(RULES, rule("r_a", "fuel_smell is present", "fuel_leak_seen is present"))
    kb.append(RULES, rule("r_b", "fuel_leak_seen is present", "fuel_smell is present"))
    kb.append(RULES, rule("r_c", "fuel_smell is absent", "fuel_leak_seen is absent"))
    kb.append(RULES, rule("r_d", "fuel_leak_seen is absent", "fuel_smell is absent"))
    cycles = [p.message for p in kb.problems() if "derivation cycle" in p.message]
    assert cycles == [
        "rules.r_b.then.derive: derivation cycle: fuel_leak_seen is present"
        " -> (r_b) fuel_smell is present -> (r_a) fuel_leak_seen is present",
        "rules.r_d.then.derive: derivation cycle: fuel_leak_seen is absent"
        " -> (r_d) fuel_smell is absent -> (r_c) fuel_leak_seen is absent",
    ]


def test_each_system_has_its_own_total(kb: KnowledgeMaker) -> None:
    for i, system in enumerate(("oil", "coolant")):
        assert system in SYSTEMS
        kb.write(
            f"causes/{system}.yaml",
            f"c_{i}:\n  label: A cause\n  prior_per_1000: 3\n  consequence: stop\n  if_ignored: It burns.\n"
            "  fixes: [replace_pump]\n  hazards: [petrol_fire]\n  source: estimate\n",
        )
    assert not any("add up" in problem.message for problem in kb.problems())


@settings(max_examples=25, deadline=None)
@given(st.data())
def test_a_missing_entry_is_missed(tmp_path_factory: pytest.TempPathFactory, data: st.DataObject) -> None:
    kb = KnowledgeMaker(tmp_path_factory.mktemp("cut"))
    file = data.draw(
        st.sampled_from([SMELL, CAUSES, LINKS, TESTS, FIXES, "quantities.yaml", "vehicle_facts.yaml"])
    )
    entries = kb.read(file).split("\n")
    starts = [i for i, line in enumerate(entries) if line and not line.startswith(" ")] + [len(entries)]
    cut = data.draw(st.integers(0, len(starts) - 2))
    kept = entries[: starts[cut]] + entries[starts[cut + 1] :]
    kb.write(file, "\n".join(kept) if any(kept) else "{}")
    problems = check(kb.load())
    assert problems == sorted(problems)
    needless = {"fuel_temperature:", "lambda:"}
    assert problems or entries[starts[cut]].split()[0] in needless


@given(st.text(max_size=40))
def test_folding_twice_is_folding_once(phrase: str) -> None:
    assert fold(fold(phrase)) == fold(phrase)


def test_folding() -> None:
    assert fold("  It's   HISSIN', under-boost!! ") == "its hissin under boost"
    assert fold("Straße") == fold("STRASSE")
