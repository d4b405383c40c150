"""JSON Schema (draft 2020-12) of the knowledge base files, for editors and for other programs."""

from __future__ import annotations

import json
from pathlib import Path

from engine import model as m
from engine.kinds import KINDS, SINGLE_FILES
from engine.yaml_reader import JSON

DRAFT = "https://json-schema.org/draft/2020-12/schema"


def schemas() -> dict[str, JSON]:
    """Return the schema of each kind of file, by the name of the schema's file.

    A file that `engine.loading.load_source` accepts is valid by its schema. The reverse does not hold: a
    schema sees one file at a time and the parsed values only.
    """
    singles = {name.removesuffix(".yaml"): model for name, model in SINGLE_FILES.items()}
    found: dict[str, JSON] = {}
    for kind, model in (KINDS | singles).items():
        found[f"{kind}.schema.json"] = _of_entries(kind, model)
    found["kb.schema.json"] = {"$schema": DRAFT, **_of_model(m.Manifest)}
    return found


def write_schemas(folder: Path) -> list[Path]:
    """Write `schemas` into `folder`, which is made if missing; return the files written.

    Raises `OSError` where the folder cannot be written to.
    """
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for name, schema in schemas().items():
        path = folder / name
        path.write_text(as_text(schema), encoding="utf-8")
        written.append(path)
    return written


def as_text(schema: JSON) -> str:
    """Return a schema as it stands in its file: sorted keys, so that a diff shows what changed."""
    return json.dumps(schema, indent=2, sort_keys=True, ensure_ascii=False) + "\n"


def _of_model(model: type[m.Entry]) -> dict[str, JSON]:
    schema: dict[str, JSON] = model.model_json_schema(by_alias=True, mode="validation")
    _close(schema)
    return schema


def _close(schema: JSON) -> None:
    """Refuse keys that do not fit a mapping's pattern; pydantic leaves such mappings open."""
    if isinstance(schema, list):
        for part in schema:
            _close(part)
    elif isinstance(schema, dict):
        if "patternProperties" in schema:
            schema["additionalProperties"] = False
        for part in schema.values():
            _close(part)


def _of_entries(kind: str, model: type[m.Entry]) -> dict[str, JSON]:
    entry = _of_model(model)
    parts = entry.pop("$defs", {})
    return {
        "$schema": DRAFT,
        "title": kind.replace("_", " ").capitalize(),
        "description": f"From id to entry. {entry.get('description', '')}",
        "type": "object",
        "propertyNames": {"maxLength": 64},
        "patternProperties": {m.ID_PATTERN: {"$ref": f"#/$defs/{model.__name__}"}},
        "additionalProperties": False,
        "$defs": {**(parts if isinstance(parts, dict) else {}), model.__name__: entry},
    }
