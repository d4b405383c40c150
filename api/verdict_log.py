"""Keeps verdicts that were given without a case, where the operator wants all of them kept."""

from __future__ import annotations

import logging
import queue
import threading

from api.access import now_us
from api.cases import given_of
from api.storage.case_store import Given, keep_decision
from api.storage.database import Database
from api.storage.errors import StorageError
from engine.answer import TriageAnswer
from engine.case import TriageRequest

log = logging.getLogger("prepull.verdicts")

MOST_WAITING = 2_000
TOGETHER = 100


class VerdictLog:
    """A thread that writes verdicts behind the answers, many in one transaction.

    An answer never waits for it: while the database is down up to `MOST_WAITING` verdicts wait, and what
    comes on top is lost and said so in the log.
    """

    def __init__(self, database: Database) -> None:
        self.database = database
        self._waiting: queue.Queue[Given | None] = queue.Queue(MOST_WAITING)
        self._thread = threading.Thread(target=self._run, name="verdicts", daemon=True)

    def start(self) -> None:
        """Begin to write."""
        self._thread.start()

    def stop(self) -> None:
        """Write what waits and end."""
        self._waiting.put(None)
        if self._thread.is_alive():
            self._thread.join(15)

    def keep(self, facts: TriageRequest, answer: TriageAnswer) -> None:
        """Put one verdict on its way."""
        try:
            self._waiting.put_nowait(given_of(facts, answer))
        except queue.Full:
            log.error("verdict %s is not kept: too many wait for the database", answer.decision_id)

    def _run(self) -> None:
        ended = False
        while not ended:
            batch = [self._waiting.get()]
            while len(batch) < TOGETHER and not self._waiting.empty():
                batch.append(self._waiting.get())
            ended = None in batch
            self._write([given for given in batch if given is not None], ended)

    def _write(self, batch: list[Given], last: bool) -> None:
        for pause in (0.0,) if last else (0.0, 1.0, 5.0, 15.0, 30.0):
            threading.Event().wait(pause)
            try:
                with self.database.writing() as session:
                    for given in batch:
                        keep_decision(session, given, now_us())
            except StorageError as error:
                log.warning("verdicts wait: %s", error)
            else:
                return
        log.error("%d verdicts are not kept", len(batch))
