"""Writes a small knowledge base without a problem, which tests then spoil one thing at a time."""

from __future__ import annotations

from pathlib import Path

from engine.checking import check
from engine.errors import KnowledgeError, Problem
from engine.loading import KnowledgeSource, load_source

MINIMAL: dict[str, str] = {
    "kb.yaml": """\
version: 0.1.0
title: A knowledge base for tests
decision:
  source: estimate
  loss_minutes:
    run: {nothing: 0, advise: 60, mend_first: 800, stop: 4800}
    run_with_advice: {nothing: 20, advise: 10, mend_first: 700, stop: 4400}
    mend_first: {nothing: 480, advise: 440, mend_first: 0, stop: 900}
    stop: {nothing: 720, advise: 680, mend_first: 240, stop: 0}
  question_minutes: 1
  minutes_per_bit: {advise: 3, mend_first: 25, stop: 60}
  general_check_share: 0.2
  risk_minutes:
    pressurising: 4
    running: 3
    hot_parts: 3
    open_fuel: 12
    sparks: 4
    lifting: 4
    rollers: 60
    battery_work: 2
""",
    "vehicle_facts.yaml": """\
fuel:
  label: Fuel
  question: What fuel is in it now?
  type: choice
  choices:
    petrol: Pump petrol
    methanol: Methanol
  source: practice
boost_target:
  label: Boost target
  question: How much boost should it make?
  type: number
  unit: kPa
  minimum: 0
  maximum: 500
  source: practice
has_catalyst:
  label: Catalyst
  question: Is there a catalyst in the exhaust?
  type: yes_no
  source: practice
""",
    "quantities.yaml": """\
engine_speed: {label: Engine speed, unit: rpm, minimum: 0, maximum: 20000, source: practice}
fuel_pressure: {label: Fuel pressure, unit: kPa, minimum: 0, maximum: 1200, source: practice}
fuel_temperature: {label: Fuel temperature, unit: degC, minimum: -50, maximum: 120, source: practice}
lambda: {label: Lambda, unit: dimensionless, minimum: 0.5, maximum: 2.5, source: practice}
""",
    "trouble_codes.yaml": """\
p0087: {title: Fuel rail or system pressure too low, source: practice}
p0442: {title: Small leak of the vapour system, source: practice}
""",
    "word_groups.yaml": """\
denials: {label: Words that deny, role: denies, words: [not, never], source: practice}
""",
    "channels.yaml": """\
logged_engine_speed: {label: Engine speed, unit: rpm, minimum: 0, maximum: 20000, source: practice}
""",
    "stages.yaml": "".join(
        f"{stage}: {{label: Position {stage}, position: As it stands, minutes: 1, source: practice}}\n"
        for stage in ("bonnet_cold", "lift", "pressurised", "running", "strapped")
    ),
    "watches.yaml": """\
watch_engine_speed:
  label: Engine speed
  channel: logged_engine_speed
  unit: rpm
  lift_off: {above: 7000 rpm}
  tells: [fuel_smell]
  because: It is set up for no more.
  then: Lift off.
  source: practice
""",
    "sources/general.yaml": """\
estimate:
  kind: common_practice
  title: Estimate of a practitioner
practice:
  kind: common_practice
  title: Common practice of the trade
""",
    "cautions/general.yaml": """\
petrol_fire:
  label: Petrol burns
  hazard: fire
  covers: [open_fuel, sparks]
  wording: No flame near open fuel.
  defers_to: Local fire code applies.
  source: practice
pipes_let_go:
  label: Pressurised pipes let go
  hazard: pressure
  covers: [pressurising]
  wording: Raise the pressure slowly.
  defers_to: Local rules apply.
  source: practice
""",
    "findings/fuel.yaml": """\
fuel_smell:
  label: Smell of fuel
  question: Does it smell of fuel?
  heard_as:
    - stinks of petrol
    - i can smell gas in the cabin
    - fumes when i park it
    - my garage reeks
    - it honks of fuel
    - like standing at the pumps
  found_at: [call]
  background: 0.002
  source: estimate
fuel_leak_seen:
  label: Fuel leak seen
  question: Is any fuel line wet?
  found_at: [bay]
  background: 0.0005
  codes: [P0442]
  source: estimate
fuel_pressure_low:
  label: Fuel pressure low
  question: Does the gauge show less than it should?
  found_at: [gauge]
  background: 0.001
  codes: [P0087]
  source: estimate
""",
    "causes/fuel.yaml": """\
fuel_line_leaks:
  label: Fuel line leaks
  prior_per_1000: 3
  consequence: stop
  if_ignored: The car burns.
  fixes: [replace_fuel_line]
  hazards: [petrol_fire]
  source: estimate
pump_worn:
  label: Fuel pump worn
  prior_per_1000: 5
  consequence: mend_first
  if_ignored: The engine runs lean and melts a piston.
  fixes: [replace_pump]
  source: estimate
""",
    "links/fuel.yaml": """\
fuel_line_leaks:
  makes:
    fuel_smell: 0.8
    fuel_leak_seen: 0.9
    fuel_pressure_low:
      strength: 0.1
      source: practice
  source: estimate
pump_worn:
  makes:
    fuel_pressure_low: 0.9
  source: estimate
""",
    "tests/fuel.yaml": """\
look_at_lines:
  label: Look at the fuel lines
  place: bay
  steps:
    - Wipe the lines dry and look again after a minute.
  minutes: 5
  skill: technician
  involves: [open_fuel]
  requires:
    - when:
        - any:
            - {finding: fuel_smell, is: present}
            - {vehicle: fuel, is: petrol}
      because: There is nothing to look for otherwise.
  cautions: [petrol_fire]
  settles:
    fuel_leak_seen: {sensitivity: 0.95, specificity: 0.98}
  limits:
    - {text: Dry after one minute, source: practice}
  source: estimate
gauge_on_rail:
  label: Put a gauge on the rail
  place: gauge
  steps:
    - Read the pressure at idle.
  limits:
    - {text: 300 kPa over manifold pressure, source: practice}
  minutes: 15
  skill: technician
  settles:
    fuel_pressure_low: {sensitivity: 0.95, specificity: 0.98}
  source: estimate
""",
    "fixes/fuel.yaml": """\
replace_fuel_line:
  label: Replace the fuel line
  steps:
    - Let the pressure out and replace the line.
  minutes: 40
  skill: technician
  involves: [open_fuel]
  cautions: [petrol_fire]
  proof: look_at_lines
  source: estimate
replace_pump:
  label: Replace the fuel pump
  steps:
    - Replace the pump.
  minutes: 90
  skill: technician
  proof: gauge_on_rail
  source: estimate
""",
    "rules/fuel.yaml": """\
low_reading:
  label: A low reading is low fuel pressure
  when:
    - measured: fuel_pressure
      below: 200 kPa
      at:
        engine_speed:
          above: 3000 rpm
    - vehicle: boost_target
      at_least: 0.2 bar
    - vehicle: has_catalyst
      is: true
  then:
    derive:
      - finding: fuel_pressure_low
  because: The gauge says so.
  source: practice
leak_stops_all:
  label: A leak stops the run
  when:
    - finding: fuel_leak_seen
  then:
    hold:
      verdict: stop
      why: Fuel near heat burns.
      lifted_by: The leak is mended.
    caution: [petrol_fire]
    require_test: [look_at_lines]
    exclude: [pump_worn]
  because: Fuel burns.
  source: practice
""",
}


class KnowledgeMaker:
    """A knowledge base under a temporary folder; every change is one that a test can name a line of."""

    def __init__(self, folder: Path) -> None:
        self.root = folder / "kb"
        for name, text in MINIMAL.items():
            self.write(name, text)

    def write(self, name: str, text: str | bytes) -> None:
        path = self.root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))

    def read(self, name: str) -> str:
        return (self.root / name).read_text(encoding="utf-8")

    def change(self, name: str, old: str, new: str) -> None:
        """Replace the first `old` in a file; it is an error of the test if there is none."""
        text = self.read(name)
        assert old in text, f"{name} has no {old!r}"
        self.write(name, text.replace(old, new, 1))

    def append(self, name: str, text: str) -> None:
        self.write(name, (self.read(name) if (self.root / name).exists() else "") + text)

    def line(self, name: str, text: str) -> int:
        """Return the number of the last line that has `text` in it."""
        numbers = [i for i, line in enumerate(self.read(name).split("\n"), start=1) if text in line]
        assert numbers, f"{name} has no {text!r}"
        return numbers[-1]

    def load(self) -> KnowledgeSource:
        return load_source(self.root)

    def refused(self) -> list[Problem]:
        """Return why the knowledge base does not load."""
        try:
            self.load()
        except KnowledgeError as error:
            return error.problems
        raise AssertionError("it loads")

    def problems(self) -> list[Problem]:
        """Return what the lints find."""
        return check(self.load())
