"""Keeps verdicts that were given without a case, so that every one of them can be shown again."""

from __future__ import annotations

import contextlib
import logging
import queue
import threading
from collections import OrderedDict

from api.cases import given_of
from api.clock import now_us
from api.storage.case_store import Given, keep_decision
from api.storage.database import Database
from api.storage.errors import StorageError
from engine.answer import TriageAnswer
from engine.case import TriageRequest
from engine.errors import PrepullError
from engine.triage import Options, Triage

log = logging.getLogger("prepull.verdicts")

MOST_WAITING = 2_000
TOGETHER = 100
MOST_REMEMBERED = 10_000
PAUSES = (0.0, 1.0, 5.0, 15.0, 30.0)
TRACE_ONLY = Options(frozenset({"trace"}))

Told = tuple[TriageRequest, TriageAnswer]


class VerdictLog:
    """A thread that writes verdicts behind the answers, many in one transaction.

    Kept is the answer as it was given, with the trace of the rules where the caller did not ask for it. The
    same verdict on the same facts is written once. An answer never waits for it: while the database is down
    up to `MOST_WAITING` verdicts wait, and what comes on top is lost and said so in the log.
    """

    def __init__(self, database: Database, triage: Triage) -> None:
        self.database = database
        self.triage = triage
        self._waiting: queue.Queue[Told | None] = queue.Queue(MOST_WAITING)
        self._stopping = threading.Event()
        self._written: OrderedDict[str, None] = OrderedDict()
        self._thread = threading.Thread(target=self._run, name="verdicts", daemon=True)

    def start(self) -> None:
        """Begin to write."""
        self._thread.start()

    def stop(self) -> None:
        """Write what waits and end."""
        self._stopping.set()
        with contextlib.suppress(queue.Full):
            self._waiting.put(None, timeout=1)
        if self._thread.is_alive():
            self._thread.join(15)

    def keep(self, facts: TriageRequest, answer: TriageAnswer, patient: bool = False) -> None:
        """Put one verdict on its way; a `patient` caller waits while too many are on theirs."""
        if answer.decision_id in self._written:
            return
        try:
            self._waiting.put((facts, answer), block=patient, timeout=30 if patient else None)
        except queue.Full:
            log.error("verdict %s is not kept: too many wait for the database", answer.decision_id)

    def _run(self) -> None:
        ended = False
        while not ended:
            batch = [self._waiting.get()]
            while len(batch) < TOGETHER and not self._waiting.empty():
                batch.append(self._waiting.get())
            ended = None in batch or (self._stopping.is_set() and self._waiting.empty())
            wanted = {told[1].decision_id: told for told in batch if told is not None}
            for known in wanted.keys() & self._written.keys():
                del wanted[known]
            if wanted and self._write([self._given(*told) for told in wanted.values()]):
                self._remember(wanted)

    def _given(self, facts: TriageRequest, answer: TriageAnswer) -> Given:
        if answer.trace is None:
            try:
                trace = self.triage.answer(facts, TRACE_ONLY).trace
            except PrepullError as error:
                log.warning("verdict %s is kept without its trace: %s", answer.decision_id, error)
            else:
                answer = answer.model_copy(update={"trace": trace})
        return given_of(facts, answer)

    def _write(self, batch: list[Given]) -> bool:
        for pause in PAUSES:
            # A service that stops does not wait for a database that is down.
            if pause and self._stopping.wait(pause):
                break
            try:
                with self.database.writing() as session:
                    for given in batch:
                        keep_decision(session, given, now_us())
            except StorageError as error:
                log.warning("verdicts wait: %s", error)
            else:
                return True
        log.error("%d verdicts are not kept", len(batch))
        return False

    def _remember(self, decision_ids: dict[str, Told]) -> None:
        self._written.update(dict.fromkeys(decision_ids))
        while len(self._written) > MOST_REMEMBERED:
            self._written.popitem(last=False)
