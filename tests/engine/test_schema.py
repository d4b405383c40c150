from __future__ import annotations

import json
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from engine.schema import as_text, schemas, write_schemas
from engine.yaml_reader import JSON, read_yaml
from tests.engine.kb_maker import KnowledgeMaker

SHIPPED = Path(__file__).resolve().parents[2] / "kb"
FILES = sorted(path for path in SHIPPED.rglob("*.yaml"))


def schema_of(root: Path, path: Path) -> JSON:
    kind = path.stem if path.parent == root else path.parent.name
    return schemas()[f"{kind}.schema.json"]


def faults(schema: JSON, value: JSON) -> list[str]:
    assert isinstance(schema, dict)
    return [error.message for error in Draft202012Validator(schema).iter_errors(value)]


def test_the_shipped_schemas_are_up_to_date() -> None:
    shipped = {path.name: path.read_text(encoding="utf-8") for path in (SHIPPED / "schema").iterdir()}
    assert shipped == {name: as_text(schema) for name, schema in schemas().items()}


@pytest.mark.parametrize("name", sorted(schemas()))
def test_every_schema_is_one(name: str) -> None:
    schema = schemas()[name]
    assert isinstance(schema, dict)
    Draft202012Validator.check_schema(schema)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert schema["title"]
    assert schema["description"]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.relative_to(SHIPPED).as_posix())
def test_every_shipped_file_is_valid_and_names_its_schema(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert faults(schema_of(SHIPPED, path), read_yaml(text, path.name).value) == []
    named = text.split("\n", 1)[0].removeprefix("# yaml-language-server: $schema=")
    assert (path.parent / named).resolve().is_file()


def test_writing(tmp_path: Path) -> None:
    written = write_schemas(tmp_path / "a" / "b")
    assert sorted(path.name for path in written) == sorted(schemas())
    for path in written:
        text = path.read_text(encoding="utf-8")
        assert text.endswith("}\n")
        assert json.loads(text) == schemas()[path.name]


@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        ("causes/fuel.yaml", "prior_per_1000: 3", "prior_per_1000: -3"),
        ("causes/fuel.yaml", "pump_worn:", "Pump-Worn:"),
        ("causes/fuel.yaml", "consequence: stop", "consequence: explode"),
        ("causes/fuel.yaml", "  if_ignored: The car burns.\n", ""),
        ("causes/fuel.yaml", "hazards: [petrol_fire]", "hazard: [petrol_fire]"),
        ("links/fuel.yaml", "fuel_smell: 0.8", "Fuel-Smell: 0.8"),
        ("links/fuel.yaml", "fuel_smell: 0.8", "fuel_smell: 1.8"),
        ("rules/fuel.yaml", "- finding: fuel_leak_seen", "- finding: fuel_leak_seen\n      vehicle: fuel"),
        ("rules/fuel.yaml", "below: 200 kPa", "below: 200"),
        ("quantities.yaml", "unit: rpm, ", ""),
        ("vehicle_facts.yaml", "type: choice", "type: colour"),
        ("kb.yaml", "version: 0.1.0", "version: v1"),
    ],
)
def test_the_schemas_refuse_what_the_loader_refuses(
    kb: KnowledgeMaker, file: str, old: str, new: str
) -> None:
    schema = schema_of(kb.root, kb.root / file)
    assert faults(schema, read_yaml(kb.read(file), file).value) == []
    kb.change(file, old, new)
    assert kb.refused()
    assert faults(schema, read_yaml(kb.read(file), file).value)
