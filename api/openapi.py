"""The OpenAPI document: problem details in place of FastAPI's own error form, and who may call what."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from typing import Any

from fastapi import FastAPI

from api.access import COOKIE
from api.gate import is_free
from api.problems import ProblemDetails, responses

SECURITY_SCHEMES = {
    "key": {
        "type": "http",
        "scheme": "bearer",
        "description": "An API key, made by the operator with `prepull keys create`.",
    },
    "desk": {
        "type": "apiKey",
        "in": "cookie",
        "name": COOKIE,
        "description": "A login at the desk by `POST /v1/session`; changes need `x-prepull-token` as well.",
    },
}


BY_THE_GATE = responses(401, 403, 429)
"""How the gate may answer before any route; no route need say so."""


def install(app: FastAPI) -> None:
    """Make the application describe itself in full."""
    plain = app.openapi

    def openapi() -> dict[str, Any]:
        if app.openapi_schema is None:
            document = plain()
            _problems(document)
            _access(document)
            app.openapi_schema = document
        return app.openapi_schema

    app.openapi = openapi  # type: ignore[method-assign]


def operations(document: dict[str, Any]) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Yield path, method and operation of each route of a document."""
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            yield path, method, operation


def text_of(app: FastAPI) -> str:
    """Return the document as it is kept in docs/openapi.json."""
    return json.dumps(app.openapi(), indent=1, sort_keys=True, ensure_ascii=False) + "\n"


def _problems(document: dict[str, Any]) -> None:
    schemas = document["components"]["schemas"]
    schemas.pop("HTTPValidationError", None)
    schemas.pop("ValidationError", None)
    template = "#/components/schemas/{model}"
    schema = ProblemDetails.model_json_schema(ref_template=template, mode="serialization")
    schemas.update(schema.pop("$defs", {}))
    schemas["ProblemDetails"] = schema


def _access(document: dict[str, Any]) -> None:
    document["components"]["securitySchemes"] = SECURITY_SCHEMES
    for path, _, operation in operations(document):
        if not is_free(path.replace("{kind}", "kind")):
            operation["security"] = [{"key": []}, {"desk": []}]
            operation["responses"] |= {str(status): told for status, told in BY_THE_GATE.items()}


def main() -> None:
    """Print the document."""
    from api.app import create_app
    from api.settings import Settings

    sys.stdout.write(text_of(create_app(Settings())))


if __name__ == "__main__":
    main()
