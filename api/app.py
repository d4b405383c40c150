"""Wiring: the application with its routes, limits and error form."""

from __future__ import annotations

import gc

from fastapi import FastAPI

from api import desk_routes, health_routes, kb_routes, phrase_routes, problems, triage_routes
from api.body_limit import BodyLimit
from api.problems import ProblemDetails
from api.settings import Settings
from api.version import distribution_version
from engine.knowledge import load
from engine.listening.hearing import Listener
from engine.triage import Triage

DESCRIPTION = """
Is this boosted car sound enough for a full-load run? Post what is known of it and read back a verdict,
the holds that no probability can outvote, the likely causes, and what to ask or test next.

It advises and never certifies: local codes, the vehicle maker's procedures and licensed practice come first.

Errors are problem details by RFC 9457. An id that is not known comes back with the nearest known ones.
"""


def create_app(settings: Settings | None = None, triage: Triage | None = None) -> FastAPI:
    """Return the application; loads the knowledge base unless a `triage` is given.

    Raises `engine.errors.KnowledgeError` if the knowledge base cannot be used.
    """
    settings = settings or Settings.from_environment()
    app = FastAPI(
        title="Prepull",
        version=distribution_version(),
        description=DESCRIPTION,
        redirect_slashes=False,
        docs_url=None,
        redoc_url=None,
    )
    app.state.triage = triage or Triage(load(settings.kb, settings.chainer))
    app.state.listener = Listener(app.state.triage.knowledge.source)
    _spare_the_collector()
    app.include_router(triage_routes.router)
    app.include_router(phrase_routes.router)
    app.include_router(kb_routes.router)
    app.include_router(health_routes.router)
    app.include_router(desk_routes.router)
    problems.install(app)
    app.add_middleware(BodyLimit, limit=settings.max_body_bytes)
    _document_problems(app)
    return app


def _spare_the_collector() -> None:
    """Keep the knowledge base out of garbage collection: it lives as long as the process does.

    A full collection walks every entry; with it in, a request in a few pays for that walk. What a request
    makes has no cycles to speak of, so young objects are looked at less often than by default.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)


def _document_problems(app: FastAPI) -> None:
    """Put the problem schema into the OpenAPI document, in place of FastAPI's own error form."""
    plain = app.openapi

    def openapi() -> dict[str, object]:
        if app.openapi_schema is None:
            document = plain()
            schemas = document["components"]["schemas"]
            schemas.pop("HTTPValidationError", None)
            schemas.pop("ValidationError", None)
            template = "#/components/schemas/{model}"
            schema = ProblemDetails.model_json_schema(ref_template=template, mode="serialization")
            schemas.update(schema.pop("$defs", {}))
            schemas["ProblemDetails"] = schema
            app.openapi_schema = document
        return app.openapi_schema

    app.openapi = openapi  # type: ignore[method-assign]
