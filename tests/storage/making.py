"""Cases for the tests of storage: facts, callers, and a database filled with one of everything."""

from __future__ import annotations

import io
import json
import secrets
from typing import Any

from PIL import Image

from api.access import ANYBODY, KeyStore
from api.case_models import Confirmed, NewCase, Observation, Outcome, Person, Withdrawal
from api.cases import Asked, Cases
from api.notices import Notices
from api.photographs import Photographs
from api.storage.case_store import Once, Reply
from api.storage.database import Database
from engine.case import TriageRequest
from engine.triage import Triage

FACTS: dict[str, Any] = {
    "vehicle": {"induction": "turbocharged", "evap_system": "fitted"},
    "findings": [{"id": "tank_bubbles_under_boost", "state": "present"}],
}
BLOWS = {"findings": [{"id": "purge_valve_blows_through", "state": "present"}]}
UNGUARDED = Asked(ANYBODY)


def observation(facts: dict[str, Any] | None = None, **more: Any) -> Observation:
    return Observation(facts=TriageRequest.model_validate(FACTS if facts is None else facts), **more)


def once(key: str, asked: str = "the same") -> Asked:
    return Asked(ANYBODY, Once("anybody", key, asked))


def told(reply: Reply) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(reply.body)
    return document


def open_case(cases: Cases, facts: dict[str, Any] | None = None) -> str:
    reply = cases.open(NewCase(reference="J-1", observation=observation(facts)), UNGUARDED)
    return str(told(reply)["case"]["id"])


def fill(database: Database, triage: Triage) -> str:
    """Put at least one row into every table; return the id of the case."""
    notices = Notices(database)
    notices.add("https://shop.example.com/hook", ["verdict_changed", "outcome_attached"])
    cases = Cases(database, triage, notices)
    case = str(
        told(cases.open(NewCase(reference="Größe 3 \u2603 'quoted'"), once(secrets.token_hex(8))))["case"][
            "id"
        ]
    )
    cases.observe(case, observation(who="front desk", note="Zeile\nzwei"), UNGUARDED)
    cases.observe(case, observation(BLOWS, door="log"), once(secrets.token_hex(8)))
    cases.withdraw(case, Withdrawal(observation=2, reason="another car"), UNGUARDED)
    cases.put_person(case, Person(name="R. Example", plate="EX 1"), UNGUARDED)
    confirmed = Confirmed(cause="purge_valve_passes_boost", mended_by="replace_purge_valve")
    cases.attach(case, Outcome(causes=[confirmed], minutes=12.5, was_run=True), UNGUARDED)
    drawn = io.BytesIO()
    Image.new("RGB", (64, 48), "orange").save(drawn, "PNG")
    Photographs(cases).add(case, drawn.getvalue(), None, "Größe \u2603", ANYBODY)
    keys = KeyStore(database)
    keys.log_in(keys.create("front desk", ["ask", "keep_cases"], per_minute=30).id)
    keys.revoke(keys.create("old", ["ask"]).id)
    return case
