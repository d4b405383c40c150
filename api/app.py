"""Wiring: the application with its routes, limits, storage and error form."""

from __future__ import annotations

import contextlib
import gc
from collections.abc import AsyncIterator

from fastapi import FastAPI

from api import (
    bulk_routes,
    case_routes,
    desk_routes,
    health_routes,
    inspection_routes,
    kb_routes,
    log_routes,
    measure_routes,
    openapi,
    photograph_routes,
    phrase_routes,
    problems,
    report_routes,
    session_routes,
    triage_routes,
    webhook_routes,
)
from api.access import Gate, KeyStore
from api.body_limit import BodyLimit
from api.cases import Cases
from api.courier import Courier
from api.gate import GateMiddleware
from api.log_jobs import Bounds, LogJobs
from api.notices import Notices
from api.observing import Metrics, Observing
from api.photographs import Photographs
from api.settings import Settings
from api.storage.database import Database
from api.storage.migrate import upgrade
from api.verdict_log import VerdictLog
from api.version import distribution_version
from api.walks import Walks
from engine.inspection.walker import Inspector
from engine.knowledge import load
from engine.listening.hearing import Listener
from engine.triage import Triage

DESCRIPTION = """
Is this boosted car sound enough for a full-load run? Post what is known of it and read back a verdict,
the holds that no probability can outvote, the likely causes, and what to ask or test next. Keep the case
over days, add what is found, and tell in the end what it was.

It advises and never certifies: local codes, the vehicle maker's procedures and licensed practice come first.

Errors are problem details by RFC 9457. An id that is not known comes back with the nearest known ones.
"""


def create_app(
    settings: Settings | None = None, triage: Triage | None = None, listener: Listener | None = None
) -> FastAPI:
    """Return the application; loads the knowledge base unless a `triage` is given.

    An SQLite database is brought to the tables that are wanted; a PostgreSQL one, which others may share,
    only by `prepull db upgrade`. Raises `engine.errors.KnowledgeError` if the knowledge base cannot be used,
    and `api.storage.errors.StorageError` if an SQLite database cannot.
    """
    settings = settings or Settings.from_environment()
    app = FastAPI(
        title="Prepull",
        version=distribution_version(),
        description=DESCRIPTION,
        redirect_slashes=False,
        docs_url=None,
        redoc_url=None,
        lifespan=_lifespan,
    )
    app.state.settings = settings
    app.state.triage = triage or Triage(load(settings.kb, settings.chainer))
    app.state.listener = listener or Listener(app.state.triage.knowledge.source)
    app.state.inspector = Inspector(app.state.triage)
    app.state.log_jobs = LogJobs(
        app.state.triage.knowledge.source.root,
        Bounds(settings.max_log_bytes, settings.log_seconds, settings.log_memory_mib),
    )
    app.state.metrics = Metrics()
    _store(app, settings)
    _spare_the_collector()
    for module in (
        triage_routes,
        bulk_routes,
        phrase_routes,
        case_routes,
        inspection_routes,
        photograph_routes,
        report_routes,
        webhook_routes,
        session_routes,
        kb_routes,
        measure_routes,
        log_routes,
        health_routes,
        desk_routes,
    ):
        app.include_router(module.router)
    problems.install(app)
    app.add_middleware(
        BodyLimit,
        limit=settings.max_body_bytes,
        bulk_limit=settings.max_bulk_bytes,
        log_limit=settings.max_log_bytes,
        picture_limit=settings.max_photo_bytes,
    )
    app.add_middleware(GateMiddleware, gate=app.state.gate)
    app.add_middleware(Observing, metrics=app.state.metrics)
    openapi.install(app)
    stamp = app.state.triage.stamp
    app.state.metrics.kb.labels(stamp.version, stamp.revision).set(1)
    return app


def _store(app: FastAPI, settings: Settings) -> None:
    """Wire what rests on the database; all of it is None where none is set."""
    state = app.state
    state.walks = state.photographs = None
    state.database = state.cases = state.notices = state.courier = state.verdict_log = None
    keys = None
    if settings.database is not None:
        state.database = database = Database(settings.database)
        if database.kind == "sqlite":
            upgrade(database)
        keys = KeyStore(database)
        state.notices = Notices(database)
        state.cases = Cases(
            database,
            state.triage,
            state.notices,
            told=lambda verdict: state.metrics.verdicts.labels(verdict).inc(),
        )
        state.walks = Walks(state.cases, state.inspector)
        state.photographs = Photographs(state.cases)
        state.courier = Courier(
            state.notices,
            settings.webhook_hosts,
            told=lambda how: state.metrics.deliveries.labels(how).inc(),
        )
        if settings.keep_verdicts == "all":
            state.verdict_log = VerdictLog(database, state.triage)
    state.gate = Gate(keys, settings.access == "auto", settings.calls_per_minute)
    state.gate.refresh()


@contextlib.asynccontextmanager
async def _lifespan(app: FastAPI) -> AsyncIterator[None]:
    """Run what works beside the calls, and end it after the last call is answered."""
    beside = [worker for worker in (app.state.courier, app.state.verdict_log) if worker is not None]
    for worker in beside:
        worker.start()
    yield
    for worker in beside:
        worker.stop()
    if app.state.database is not None:
        app.state.database.close()


def _spare_the_collector() -> None:
    """Keep the knowledge base out of garbage collection: it lives as long as the process does.

    A full collection walks every entry; with it in, a request in a few pays for that walk. What a request
    makes has no cycles to speak of, so young objects are looked at less often than by default.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)
