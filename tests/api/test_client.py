"""The client against the running service, and against one that fails."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import httpx
import pytest

from api.case_models import Confirmed, Outcome, Person
from api.client import Prepull, ProblemError, etag_of
from api.gate import is_free
from tests.api.keyed import Keyed, keyed_service
from tests.storage.making import BLOWS, FACTS


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Keyed]:
    with keyed_service(tmp_path_factory.mktemp("client")) as running_service:
        yield running_service


def test_a_whole_case(service: Keyed) -> None:
    with Prepull(service.base, service.keys["all"]) as shop:
        heard = shop.listen("the tank bubbles under boost")
        assert heard.findings[0].finding == "tank_bubbles_under_boost"
        assert shop.triage(FACTS, ["causes"]).causes
        made = shop.open_case(FACTS, "J-7", who="front desk", door="desk")
        case = made.case.id
        added = shop.observe(case, BLOWS, etag_of(made.case), who="bay 2")
        with pytest.raises(ProblemError) as stale:
            shop.observe(case, BLOWS, etag_of(made.case))
        assert stale.value.problem.status == 412
        assert shop.answer(case, 1) == made.answer
        assert shop.answer(case) == added.answer
        back = shop.withdraw(case, 2, "another car")
        assert back.answer == made.answer
        shop.put_person(case, Person(name="R. Example"))
        shop.erase_person(case)
        cause = Confirmed(cause="purge_valve_passes_boost")
        assert shop.tell_outcome(case, Outcome(causes=[cause])).case.state == "settled"
        assert shop.decision(made.answer.decision_id).answer == made.answer
        view = shop.case(case)
        assert [entry.who for entry in view.history] == ["front desk", "bay 2", "all", "all"]
        others = {shop.open_case().case.id for _ in range(3)}
        listed = [line.id for line in shop.cases(limit="2")]
        assert set(listed) == {*others, case} and len(listed) == 4
        assert [line.id for line in shop.cases(reference="J-7")] == [case]


def test_a_refusal_says_which_field(service: Keyed) -> None:
    with Prepull(service.base, service.keys["all"]) as shop, pytest.raises(ProblemError) as refused:
        shop.open_case({"findings": [{"id": "fuel_leak_sen", "state": "present"}]})
    assert refused.value.problem.errors[0].accepted[0] == "fuel_leak_seen"
    with Prepull(service.base) as nobody, pytest.raises(ProblemError, match="401"):
        nobody.triage({})


class Unsteady(ThreadingHTTPServer):
    """Passes calls on to the service, and then loses the answer, or says 503, in turn."""

    def __init__(self, target: str) -> None:
        super().__init__(("127.0.0.1", 0), UnsteadyHandler)
        self.target = target
        self.moods = ["lose", "busy", "pass"]

    def handle_error(self, request: Any, client_address: Any) -> None:
        pass


class UnsteadyHandler(BaseHTTPRequestHandler):
    server: Unsteady

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["content-length"]))
        names = ("authorization", "content-type", "idempotency-key")
        headers = {name: self.headers[name] for name in names}
        mood = self.server.moods.pop(0)
        if mood == "busy":
            self.send_response(503)
            self.send_header("retry-after", "0")
            self.send_header("content-length", "0")
            self.end_headers()
            return
        reply = httpx.post(self.server.target + self.path, content=body, headers=headers)
        if mood == "lose":
            self.connection.close()
            return
        self.send_response(reply.status_code)
        self.send_header("content-length", str(len(reply.content)))
        self.end_headers()
        self.wfile.write(reply.content)

    def log_message(self, *_: Any) -> None:
        pass


def test_a_lost_answer_and_a_busy_service_do_nothing_twice(service: Keyed) -> None:
    between = Unsteady(service.base)
    threading.Thread(target=between.serve_forever, daemon=True).start()
    try:
        with Prepull(f"http://127.0.0.1:{between.server_port}", service.keys["all"]) as shop:
            made = shop.open_case(FACTS, "unsteady")
    finally:
        between.shutdown()
    assert between.moods == []
    with Prepull(service.base, service.keys["all"]) as shop:
        assert [line.id for line in shop.cases(reference="unsteady")] == [made.case.id]


def test_nobody_there_is_told(tmp_path: Path) -> None:
    with Prepull("http://127.0.0.1:9", tries=2) as shop, pytest.raises(httpx.TransportError):
        shop.triage({})


def test_the_free_paths_are_few() -> None:
    assert not any(is_free(path) for path in ("/v1/cases", "/v1/kb", "/metrics", "/v1/session/x", "/deskx"))


def test_readings_and_a_log_become_facts(service: Keyed) -> None:
    log = Path(__file__).parents[2] / "docs" / "examples" / "log_fuel_reference.csv"
    with Prepull(service.base, service.keys["all"]) as shop:
        readings = {"diameter": "63.5 mm", "boost": "150 kPa gauge", "held_by": "plain"}
        thrust = shop.measure("joint_thrust", readings)
        assert shop.triage(thrust.facts.model_dump()).holds
        read = shop.read_log(log, facts={})
        assert read.triage is not None
        again = shop.read_log(log, mapping=read.mapping)
        assert again.facts == read.facts
        with pytest.raises(ProblemError, match="gauge"):
            shop.measure("joint_thrust", {**readings, "boost": "150 kPa"})
        with pytest.raises(ProblemError) as refused:
            shop.read_log(Path(__file__))
    assert refused.value.problem.type.endswith("unreadable-log")
