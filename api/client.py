"""A small typed client for scripts: the service's own models in and out, safe to call again.

    with Prepull("http://127.0.0.1:8000", key) as shop:
        made = shop.open_case(facts={"findings": [{"id": "fuel_leak_seen", "state": "present"}]})
        print(made.answer.verdict.headline)

Every change carries an Idempotency-Key. A connection that fails, and a service that says 429 or 503, are
tried again with the same key, so that nothing is done twice.
"""

from __future__ import annotations

import mimetypes
import time
import uuid
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, TypeVar

import httpx
from pydantic import BaseModel, ValidationError

from api.case_models import (
    CaseAnswered,
    CaseLine,
    CaseList,
    CaseView,
    Decision,
    NewCase,
    Observation,
    Outcome,
    OutcomeKept,
    Person,
    Withdrawal,
    etag_at,
)
from api.problems import ProblemDetails
from api.walk_models import Check, CheckKept, InspectionKept, InspectionRequest
from engine.answer import TriageAnswer
from engine.case import TriageRequest
from engine.errors import PrepullError
from engine.inspection.answer import Inspection
from engine.inspection.marks import PointAnswer
from engine.inspection.report_parts import MessageFor, OwnerMessage, PhotographPart, Report, WatchList
from engine.listening.answer import PhrasesAnswer
from engine.logs.answer import LogAnswer
from engine.logs.mapping import Mapping as LogMapping
from engine.measures.answer import MeasureAnswer

M = TypeVar("M", bound=BaseModel)
Facts = TriageRequest | Mapping[str, Any]
Said = PointAnswer | Mapping[str, Any]

LOG_TIMEOUT = 300.0
WORTH_TRYING_AGAIN = {429, 503}
LONGEST_WAIT = 30.0


class ProblemError(PrepullError):
    """The service refused a call; `problem` says why, field by field."""

    def __init__(self, problem: ProblemDetails) -> None:
        self.problem = problem
        super().__init__(f"{problem.status} {problem.title}: {problem.detail}")


class Prepull:
    """One service, with one key. Raises `ProblemError`, and `httpx.TransportError` when nobody answers."""

    def __init__(self, base: str, key: str | None = None, tries: int = 4, timeout: float = 20.0) -> None:
        headers = {} if key is None else {"authorization": f"Bearer {key}"}
        self._http = httpx.Client(base_url=base, headers=headers, timeout=timeout)
        self._tries = tries

    def __enter__(self) -> Prepull:
        """Return the client."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close its connections."""
        self._http.close()

    def triage(self, facts: Facts, parts: Sequence[str] | None = None) -> TriageAnswer:
        """Answer facts without keeping them."""
        params = {} if parts is None else {"parts": ",".join(parts)}
        return self._ask(TriageAnswer, "POST", "/v1/triage", _facts(facts), params=params)

    def listen(self, words: str) -> PhrasesAnswer:
        """Hear findings in a caller's words."""
        return self._ask(PhrasesAnswer, "POST", "/v1/phrases", {"text": words})

    def measure(self, measure: str, readings: Mapping[str, str | Sequence[str]]) -> MeasureAnswer:
        """Calculate from readings as typed; `facts` of the answer go to `triage` or `observe`."""
        body = {"readings": {name: r if isinstance(r, str) else list(r) for name, r in readings.items()}}
        return self._ask(MeasureAnswer, "POST", f"/v1/measures/{measure}", body)

    def read_log(
        self, log: Path, facts: Facts | None = None, mapping: LogMapping | None = None, plots: bool = False
    ) -> LogAnswer:
        """Read a recorded log; with `facts` the answer holds the triage of the case as well."""
        fields = {"plots": str(plots).lower()}
        if mapping is not None:
            fields["mapping"] = mapping.model_dump_json()
        if facts is not None:
            fields["case"] = _facts(facts).model_dump_json()
        with log.open("rb") as stream:
            response = self._http.post(
                "/v1/logs", files={"file": (log.name, stream)}, data=fields, timeout=LOG_TIMEOUT
            )
        if not response.is_success:
            raise ProblemError(_problem(response))
        return LogAnswer.model_validate_json(response.content)

    def open_case(
        self, facts: Facts | None = None, reference: str | None = None, **said: str
    ) -> CaseAnswered:
        """Open a case; `said` may hold `who`, `door` and `note`."""
        first = None if facts is None else Observation(facts=_facts(facts), **said)
        return self._ask(CaseAnswered, "POST", "/v1/cases", NewCase(reference=reference, observation=first))

    def observe(self, case: str, facts: Facts, etag: str | None = None, **said: str) -> CaseAnswered:
        """Add facts to a case; with `etag` only if it was not changed since."""
        body = Observation(facts=_facts(facts), **said)
        return self._ask(CaseAnswered, "POST", f"/v1/cases/{case}/observations", body, etag)

    def withdraw(
        self, case: str, observation: int, reason: str, etag: str | None = None, **said: str
    ) -> CaseAnswered:
        """Take an observation back."""
        body = Withdrawal.model_validate({"observation": observation, "reason": reason, **said})
        return self._ask(CaseAnswered, "POST", f"/v1/cases/{case}/withdrawals", body, etag)

    def tell_outcome(self, case: str, outcome: Outcome, etag: str | None = None) -> OutcomeKept:
        """Attach what it was."""
        return self._ask(OutcomeKept, "POST", f"/v1/cases/{case}/outcomes", outcome, etag)

    def case(self, case: str) -> CaseView:
        """Read a case with its history."""
        return self._ask(CaseView, "GET", f"/v1/cases/{case}")

    def cases(self, **wanted: str) -> Iterator[CaseLine]:
        """Yield all cases that match, the newest first, page by page."""
        while True:
            page = self._ask(CaseList, "GET", "/v1/cases", params=wanted)
            yield from page.cases
            if page.next is None:
                return
            wanted = {**wanted, "after": page.next}

    def answer(self, case: str, at: int | None = None) -> TriageAnswer:
        """Return the answer of a case, now or as it was given at an entry."""
        params = {} if at is None else {"at": str(at)}
        return self._ask(TriageAnswer, "GET", f"/v1/cases/{case}/answer", params=params)

    def decision(self, decision_id: str) -> Decision:
        """Return a verdict that was given."""
        return self._ask(Decision, "GET", f"/v1/decisions/{decision_id}")

    def plan_inspection(
        self, facts: Facts | None = None, answers: Sequence[Said] = (), minutes: float | None = None
    ) -> Inspection:
        """Plan the walk round a car without keeping it."""
        body = InspectionRequest(
            facts=_facts(facts or {}), answers=[_said(answer) for answer in answers], minutes=minutes
        )
        return self._ask(Inspection, "POST", "/v1/inspections", body)

    def start_walk(self, case: str, minutes: float | None = None) -> InspectionKept:
        """Plan the walk round the car of a case, and keep it with the case."""
        body = InspectionRequest(case=case, minutes=minutes)
        return self._ask(InspectionKept, "POST", "/v1/inspections", body)

    def walk(self, case: str) -> Inspection:
        """Return the walk of a case as it stands."""
        return self._ask(Inspection, "GET", f"/v1/cases/{case}/inspection")

    def check(self, case: str, answers: Sequence[Said], etag: str | None = None, **more: str) -> CheckKept:
        """Answer points of the walk of a case; `more` may hold `who`, `door` and `note`."""
        body = Check.model_validate({"answers": [_said(answer) for answer in answers], **more})
        return self._ask(CheckKept, "POST", f"/v1/cases/{case}/checks", body, etag)

    def add_photograph(
        self, case: str, picture: Path, point: str | None = None, caption: str | None = None
    ) -> PhotographPart:
        """Keep a photograph with a case."""
        kind = mimetypes.guess_type(picture.name)[0] or "image/jpeg"
        params = {k: v for k, v in (("point", point), ("caption", caption)) if v is not None}
        response = self._http.post(
            f"/v1/cases/{case}/photographs",
            content=picture.read_bytes(),
            headers={"content-type": kind},
            params=params,
            timeout=LOG_TIMEOUT,
        )
        if not response.is_success:
            raise ProblemError(_problem(response))
        return PhotographPart.model_validate_json(response.content)

    def report(self, case: str) -> Report:
        """Return the verdict report of a case."""
        return self._ask(Report, "GET", f"/v1/cases/{case}/report")

    def report_pdf(self, case: str) -> bytes:
        """Return the verdict report of a case as PDF."""
        return self._call("GET", f"/v1/cases/{case}/report.pdf").content

    def message(self, case: str, kind: MessageFor = "telephone") -> OwnerMessage:
        """Return short words for the owner."""
        return self._ask(OwnerMessage, "GET", f"/v1/cases/{case}/message", params={"for": kind})

    def watch_list(self, case: str) -> WatchList:
        """Return what to watch during the first runs."""
        return self._ask(WatchList, "GET", f"/v1/cases/{case}/watch-list")

    def put_person(self, case: str, person: Person, etag: str | None = None) -> None:
        """Keep whose case it is."""
        self._call("PUT", f"/v1/cases/{case}/person", person, etag)

    def erase_person(self, case: str, etag: str | None = None) -> None:
        """Erase whose case it is."""
        self._call("DELETE", f"/v1/cases/{case}/person", etag=etag)

    def _ask(
        self,
        model: type[M],
        method: str,
        path: str,
        body: BaseModel | Mapping[str, Any] | None = None,
        etag: str | None = None,
        params: Mapping[str, str] | None = None,
    ) -> M:
        return model.model_validate_json(self._call(method, path, body, etag, params).content)

    def _call(
        self,
        method: str,
        path: str,
        body: BaseModel | Mapping[str, Any] | None = None,
        etag: str | None = None,
        params: Mapping[str, str] | None = None,
    ) -> httpx.Response:
        headers = {"idempotency-key": uuid.uuid4().hex} if method == "POST" else {}
        if etag is not None:
            headers["if-match"] = etag
        json = body.model_dump(mode="json", by_alias=True) if isinstance(body, BaseModel) else body
        for tries_left in range(self._tries - 1, -1, -1):
            wait = 0.2
            try:
                response = self._http.request(method, path, json=json, headers=headers, params=params)
            except httpx.TransportError:
                if not tries_left:
                    raise
            else:
                if response.is_success:
                    return response
                if response.status_code not in WORTH_TRYING_AGAIN or not tries_left:
                    raise ProblemError(_problem(response))
                wait = min(float(response.headers.get("retry-after", 1)), LONGEST_WAIT)
            time.sleep(wait)
        raise AssertionError("not reached")


def etag_of(case: CaseLine) -> str:
    """Return the ETag of a case as it was read."""
    return etag_at(case.revision)


def _problem(response: httpx.Response) -> ProblemDetails:
    try:
        return ProblemDetails.model_validate_json(response.content)
    except ValidationError:
        # Something between here and the service has answered.
        return ProblemDetails(
            type="about:blank",
            title=response.reason_phrase,
            status=response.status_code,
            detail=response.text[:200],
            instance=response.url.path,
        )


def _said(answer: Said) -> PointAnswer:
    return answer if isinstance(answer, PointAnswer) else PointAnswer.model_validate(answer)


def _facts(facts: Facts) -> TriageRequest:
    return facts if isinstance(facts, TriageRequest) else TriageRequest.model_validate(facts)
