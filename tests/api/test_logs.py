"""POST /v1/logs and `prepull log`: a log in, findings, plots and a ranked cause out; bad files told."""

from __future__ import annotations

import io
import json
import subprocess
import sys
import xml.etree.ElementTree as ET
import zipfile
from pathlib import Path

import httpx
import pytest

from api.app import create_app
from api.settings import Settings
from engine.knowledge import Knowledge
from engine.logs.answer import LogAnswer
from engine.triage import Triage
from tests.api.serving import served_app

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "docs" / "examples" / "log_fuel_reference.csv"


def send(base: str, content: bytes, **fields: str) -> httpx.Response:
    return httpx.post(f"{base}/v1/logs", files={"file": ("log.csv", content)}, data=fields, timeout=120)


def refused(response: httpx.Response, kind: str, status: int = 422) -> dict[str, object]:
    assert response.status_code == status, response.text[:500]
    assert response.headers["content-type"] == "application/problem+json"
    problem: dict[str, object] = response.json()
    assert problem["type"] == f"/v1/problems/{kind}"
    return problem


@pytest.fixture(scope="module")
def answered(server: str) -> LogAnswer:
    response = send(server, EXAMPLE.read_bytes(), case="{}")
    assert response.status_code == 200, response.text[:500]
    return LogAnswer.model_validate(response.json())


def test_the_example_shows_its_fault_and_the_triage_ranks_its_cause_first(answered: LogAnswer) -> None:
    present = {finding.id for finding in answered.findings if finding.state == "present"}
    assert "fuel_pressure_flat_with_boost" in present
    assert answered.triage is not None
    assert answered.triage.causes is not None
    first = answered.triage.causes[0]
    assert first.id == "fuel_pressure_reference_lost" or "reference" in first.label.lower()
    assert answered.triage.verdict.verdict == "stop"
    assert answered.pulls == 3
    assert answered.questions == []


def test_every_event_tells_where_and_its_plot_is_svg(answered: LogAnswer) -> None:
    plots = {plot.id: plot for plot in answered.plots}
    assert plots
    for finding in answered.findings:
        if finding.state == "present":
            assert finding.events
            assert finding.seen >= len(finding.events)
        for event in finding.events:
            assert 0 <= event.start_s <= event.end_s <= answered.duration_s + 1
            if event.plot is not None:
                assert ET.fromstring(plots[event.plot].svg).tag.endswith("svg")


def test_facts_go_to_the_triage_as_they_stand(server: str, answered: LogAnswer) -> None:
    told = httpx.post(f"{server}/v1/triage", json=answered.facts.model_dump())
    assert told.status_code == 200
    assert told.json()["conflicts"] == []


def test_the_mapping_of_an_answer_reads_the_log_alike(server: str, answered: LogAnswer) -> None:
    again = send(server, EXAMPLE.read_bytes(), mapping=answered.mapping.model_dump_json(), plots="false")
    assert again.status_code == 200, again.text[:500]
    second = LogAnswer.model_validate(again.json())
    assert second.findings == [
        finding.model_copy(update={"events": [e.model_copy(update={"plot": None}) for e in finding.events]})
        for finding in answered.findings
    ]
    assert second.plots == []


def test_what_the_case_says_is_believed_and_the_difference_told(server: str) -> None:
    case = {"findings": [{"id": "lean_under_boost", "state": "absent"}]}
    response = send(server, EXAMPLE.read_bytes(), case=json.dumps(case), plots="false")
    answer = LogAnswer.model_validate(response.json())
    assert any(caveat.code == "contradicts_case" for caveat in answer.caveats)


def zipped() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("log.csv", b"0," * 5_000_000)
    return out.getvalue()


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "empty"),
        (zipped(), "zip archive"),
        (b"\x1f\x8b\x08\x00" + b"\x00" * 100, "gzip"),
        (bytes(range(256)) * 40, "not text"),
        (b"MDF     4.10    garbage" + b"\xff" * 5000, "MDF4"),
        (b"MDF     3.30    " + b"\x00" * 500, "version"),
        (b"a,b\n1,2\n", "time"),
        (b"hello world\nthis is prose\n", ""),
        (b"time,rpm\n" + b"1,800\n" * 50, "rising time"),
        (b"time,rpm\n0,800\n0.1,810\n", "samples"),
        (b"1,2,3\n2,3,4\n3,4,5\n", "column names"),
        (b"time," + b"x" * 3_000_000 + b"\n1,2\n", "longer than"),
        (b"time," + b",".join(b"c%d" % i for i in range(3000)) + b"\n" + b"1," * 3000 + b"1\n", "columns"),
        (b"time,foo,bar\n" + b"".join(b"%d,1,2\n" % i for i in range(50)), "known"),
    ],
    ids=lambda value: value or "prose" if isinstance(value, str) else "",
)
def test_what_is_no_log_is_told_and_why(server: str, content: bytes, said: str) -> None:
    problem = refused(send(server, content), "unreadable-log")
    assert said in str(problem["detail"])
    assert "Traceback" not in str(problem)


def test_wrong_fields_are_told_by_their_path(server: str) -> None:
    data = EXAMPLE.read_bytes()
    problem = refused(send(server, data, mapping='{"columns": [{"colum": "x"}]}'), "invalid-facts")
    assert any(str(e["field"]).startswith("mapping.columns.0") for e in problem["errors"])  # type: ignore[attr-defined]
    wrong = {"columns": [{"column": "Lambda", "channel": "lamda"}, {"column": "nowhere", "channel": "boost"}]}
    problem = refused(send(server, data, mapping=json.dumps(wrong)), "invalid-facts")
    errors = {e["field"]: e for e in problem["errors"]}  # type: ignore[attr-defined]
    assert "lambda" in errors["mapping.columns.0.channel"]["accepted"]
    assert "mapping.columns.1.column" in errors
    refused(send(server, data, case='{"findings": 3}'), "invalid-facts")
    refused(send(server, data, case='{"findings": [{"id": "nope", "state": "present"}]}'), "invalid-facts")


def test_a_body_that_is_no_form_is_refused(server: str) -> None:
    response = httpx.post(f"{server}/v1/logs", content=b"a", headers={"content-type": "text/csv"})
    refused(response, "wrong-media-type", 415)
    refused(httpx.post(f"{server}/v1/logs", data={"case": "{}"}, files={"x": b"1"}), "invalid-request")


def test_names_out_of_the_file_are_shown_as_text(server: str) -> None:
    evil = "=HYPERLINK(1)<script>alert(1)</script>\x1b[31m"
    lines = [f"time,rpm,{evil}"] + [f"{i / 10},{800 + i},=1+1" for i in range(100)]
    answer = send(server, "\n".join(lines).encode()).json()
    names = [column["name"] for column in answer["layout"]["columns"]]
    assert "\x1b" not in "".join(names)
    assert names[2].startswith("=HYPERLINK(1)<script>")


def test_a_log_over_the_limits_is_refused(knowledge: Knowledge) -> None:
    with served_app(create_app(Settings(max_log_bytes=50_000), Triage(knowledge))) as base:
        refused(send(base, EXAMPLE.read_bytes()), "body-too-large", 413)


def shell(*words: str, columns: str = "80") -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "api.command", "log", *words],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        env={"COLUMNS": columns, "PATH": "/usr/bin:/bin", "LANG": "C.UTF-8", "PREPULL_DATABASE": "none"},
    )


@pytest.mark.parametrize("columns", ["50", "100"])
def test_the_command_names_the_fault_and_ranks_its_cause_first(columns: str) -> None:
    done = shell(str(EXAMPLE), columns=columns)
    assert done.returncode == 0, done.stderr
    text = " ".join(done.stdout.split())
    assert "Fuel pressure does not follow boost" in text
    causes = done.stdout.split("Likely causes")[1]
    assert "Regulator reference hose off" in " ".join(causes.split())[:120]
    assert max(map(len, done.stdout.splitlines())) <= int(columns)
    assert done.stderr == ""


def test_the_command_saves_a_mapping_and_plots(tmp_path: Path) -> None:
    mapping, plots = tmp_path / "columns.json", tmp_path / "plots"
    done = shell(str(EXAMPLE), "--save-mapping", str(mapping), "--plots", str(plots))
    assert done.returncode == 0, done.stderr
    assert list(plots.glob("*.svg"))
    changed = json.loads(mapping.read_text())
    for column in changed["columns"]:
        if column.get("channel") == "fuel_pressure":
            del column["channel"]
    mapping.write_text(json.dumps(changed))
    again = shell(str(EXAMPLE), "--mapping", str(mapping), "--json")
    shown = {f["id"] for f in json.loads(again.stdout)["findings"] if f["state"] == "present"}
    assert "fuel_pressure_flat_with_boost" not in shown
    assert "lean_under_boost" in shown


def test_the_command_leaves_with_2_and_says_why(tmp_path: Path) -> None:
    bad = tmp_path / "bad.csv"
    bad.write_bytes(zipped())
    done = shell(str(bad))
    assert done.returncode == 2
    assert "unpack it first" in done.stderr
    mapping = tmp_path / "m.json"
    mapping.write_text('{"columns": [{"column": "Lambda", "channel": "lamda"}]}')
    done = shell(str(EXAMPLE), "--mapping", str(mapping))
    assert done.returncode == 2
    assert "lambda" in done.stderr
    assert "Traceback" not in done.stderr
