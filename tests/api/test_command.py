"""The command as a person or a script runs it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import httpx
import pytest

ROOT = Path(__file__).parents[2]
CASE = """
vehicle: {induction: turbocharged, evap_system: fitted}
findings:
  - {id: tank_bubbles_under_boost, state: present}
  - {id: fuel_smell_after_boost, state: present}
"""


def prepull(*words: str, stdin: str = "", **environment: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "api.command", *words]
    return subprocess.run(
        command,
        input=stdin,
        capture_output=True,
        text=True,
        cwd=ROOT,
        timeout=120,
        check=False,
        env={**os.environ, "COLUMNS": "60", **environment},
    )


def test_triage_reads_yaml_and_prints_text_for_a_narrow_terminal() -> None:
    done = prepull("triage", "-", stdin=CASE)
    assert done.returncode in {3, 4}, done.stderr
    assert "Purge valve" in done.stdout
    assert "Ask next" in done.stdout
    assert max(len(line) for line in done.stdout.splitlines()) <= 60


def test_json_is_the_same_as_the_api_gives(server: str) -> None:
    done = prepull("triage", "-", "--json", stdin=CASE)
    body = {
        "vehicle": {"induction": "turbocharged", "evap_system": "fitted"},
        "findings": [
            {"id": "tank_bubbles_under_boost", "state": "present"},
            {"id": "fuel_smell_after_boost", "state": "present"},
        ],
    }
    assert json.loads(done.stdout) == httpx.post(f"{server}/v1/triage", json=body).json()


def test_a_stop_leaves_with_4_and_a_sound_car_with_0() -> None:
    stop = prepull("triage", "-", stdin='{"findings": [{"id": "fuel_leak_seen", "state": "present"}]}')
    assert stop.returncode == 4
    assert "STOP" in stop.stdout
    assert prepull("triage", "-", stdin="{}").returncode == 0


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("findings: [{id: hiss_under_bost, state: present}]", ["findings.0.id", "hiss_under_boost"]),
        ("findings: [{id: hiss_under_boost, state: maybe}]", ["findings.0.state"]),
        ("findings: &a [*a]", ["line", "1"]),
        ("a: {a: 1, a: 2}", ["1"]),
        ("[1, 2]", ["case"]),
        ('{"findings": [', ["not JSON"]),
        ("vehicle: {boost_target: .nan}", ["1"]),
    ],
)
def test_wrong_input_leaves_with_2_and_names_the_place(text: str, words: list[str]) -> None:
    done = prepull("triage", "-", stdin=text)
    assert done.returncode == 2, done.stdout
    assert "Traceback" not in done.stderr
    for word in words:
        assert word in done.stderr or word == "line"


def test_a_file_that_is_not_there_and_an_unknown_part() -> None:
    assert prepull("triage", "no-such-file.yaml").returncode == 2
    done = prepull("triage", "-", "--parts", "cause", stdin="{}")
    assert done.returncode == 2
    assert "causes" in done.stderr


def test_kb_check_passes_on_the_shipped_knowledge_base() -> None:
    done = prepull("kb", "check")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "no errors" in done.stdout


def test_kb_check_of_a_broken_one_names_file_and_line(tmp_path: Path) -> None:
    broken = tmp_path / "kb"
    subprocess.run(["cp", "-r", str(ROOT / "kb"), str(broken)], check=True)
    causes = broken / "causes" / "fuel.yaml"
    text = causes.read_text().replace("consequence: mend_first", "consequence: mend_fist", 1)
    causes.write_text(text)
    line = text[: text.index("mend_fist")].count("\n") + 1
    done = prepull("kb", "check", "--kb", str(broken))
    assert done.returncode == 5
    assert f"kb/causes/fuel.yaml:{line}:" in done.stdout
    assert "Traceback" not in done.stderr
    refused = prepull("serve", "--port", "0", "--kb", str(broken))
    assert refused.returncode == 5
    assert f"kb/causes/fuel.yaml:{line}:" in refused.stderr


def test_kb_show_prints_an_entry_of_any_kind_and_the_nearest_of_none() -> None:
    done = prepull("kb", "show", "purge_valve_passes_boost")
    assert done.returncode == 0
    assert "kb/causes/fuel.yaml:" in done.stdout
    assert "tank_bubbles_under_boost" in done.stdout
    as_json = json.loads(prepull("kb", "show", "purge_valve_passes_boost", "--json").stdout)
    assert as_json["entry"]["consequence"] == "mend_first"
    missing = prepull("kb", "show", "purge_valve_pases_boost")
    assert missing.returncode == 2
    assert "purge_valve_passes_boost" in missing.stderr


def test_settings_that_cannot_be_used_are_named() -> None:
    done = prepull("triage", "-", stdin="{}", PREPULL_CHAINER="fast")
    assert done.returncode == 2
    assert "PREPULL_CHAINER" in done.stderr
    assert "compiled" in done.stderr


@pytest.mark.parametrize("chainer", ["durable", "compiled"])
def test_the_chainer_can_be_picked(chainer: str) -> None:
    pytest.importorskip("durable")
    done = prepull("triage", "-", "--json", "--chainer", chainer, stdin=CASE)
    assert done.returncode in {3, 4}, done.stderr


GOLDEN = """\
reeks:
  kind: must_stop
  note: It reeks, and I can see it drip.
  case: {findings: [{id: fuel_leak_seen, state: present}]}
  truth: [fuel_hose_weeping]
  first: [fuel_hose_weeping]
  verdict: [stop]
  next: [fuel_leak_look]
"""


def test_kb_report_tells_the_worst_pairs_within_72_columns() -> None:
    done = prepull("kb", "report", "--worst", "2")
    assert done.returncode == 0, done.stderr
    assert done.stdout.count(" bit  ") == 2
    assert "No test, even with the complaint, brings to 50 %" in done.stdout
    assert max(len(line) for line in done.stdout.splitlines()) <= 72
    told = json.loads(prepull("kb", "report", "--json", "--system", "oil", "--worst", "3").stdout)
    assert {pair["system"] for pair in told["pairs"]} == {"oil"}
    assert len(told["pairs"]) == 3
    assert prepull("kb", "report", "--system", "oill").returncode == 2


def test_kb_score_of_files_and_the_code_of_a_dangerous_miss(tmp_path: Path) -> None:
    good, bad = tmp_path / "good.yaml", tmp_path / "bad.yaml"
    good.write_text(GOLDEN)
    # Nothing was told that points to the leak, so the car is let run.
    bad.write_text(
        GOLDEN.replace("reeks:", "silent:").replace("[{id: fuel_leak_seen, state: present}]", "[]")
    )
    done = prepull("kb", "score", str(good))
    assert done.returncode == 0, done.stderr
    assert "1 golden cases" in done.stdout
    assert max(len(line) for line in done.stdout.splitlines()) <= 72
    done = prepull("kb", "score", str(good), str(bad))
    assert done.returncode == 7
    assert "silent\n" in done.stdout
    told = json.loads(prepull("kb", "score", "--json", str(good), str(bad)).stdout)
    assert told["figures"]["dangerous"]["hits"] == 1
    assert told["misses"][0]["name"] == "silent"


def test_kb_score_of_cases_that_cannot_be_used(tmp_path: Path) -> None:
    file = tmp_path / "case.yaml"
    file.write_text(GOLDEN.replace("truth: [fuel_hose_weeping]", "truth: [fuel_hose_weping]"))
    done = prepull("kb", "score", str(file))
    assert done.returncode == 2
    assert f"{file}:5: error: reeks.truth.0:" in done.stderr
    assert "fuel_hose_weeping" in done.stderr
    file.write_bytes(b"\xff")
    assert prepull("kb", "score", str(file)).returncode == 2


def test_kb_simulate_is_the_same_for_a_seed() -> None:
    words = ("kb", "simulate", "--cases", "4", "--seed", "9", "--wrong", "0.1", "--missing", "0.2")
    done = prepull(*words)
    assert done.returncode == 0, done.stderr
    assert "answers wrong 10.0 %, missing 20.0 %" in done.stdout
    assert max(len(line) for line in done.stdout.splitlines()) <= 72
    assert prepull(*words).stdout == done.stdout
    assert json.loads(prepull(*words, "--json").stdout)["figures"]["cases"] == 4
    assert prepull("kb", "simulate", "--cases", "4", "--seed", "9", "--wrong", "2").returncode == 2
