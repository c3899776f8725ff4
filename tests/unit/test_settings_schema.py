"""The JSON Schema says what the loader says.

Source: JSON Schema 2020-12 (Core 8.2.3 for references, Validation 6 for keywords).
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tidegate.registry import ROLES
from tidegate.settings import schema
from tidegate.settings.models import StationSettings

CONFIG = Path(__file__).parents[2] / "config"
# Forms of `tidegate triage` are no settings.
EXAMPLES = sorted(f for f in CONFIG.rglob("*.toml") if f.parent.name != "inspection")


@pytest.fixture(scope="module")
def document() -> dict[str, Any]:
    found, left_out = schema()
    assert left_out == ()
    return found


def nodes(node: Any) -> Iterator[dict[str, Any]]:
    if isinstance(node, dict):
        yield node
    for inner in (
        node.values() if isinstance(node, dict) else node if isinstance(node, list) else ()
    ):  # fmt: skip
        yield from nodes(inner)


def pointed(document: dict[str, Any], reference: str) -> Any:
    found: Any = document
    for part in reference.removeprefix("#/").split("/"):
        found = found[part]
    return found


def resolved(document: dict[str, Any], *path: str) -> dict[str, Any]:
    node: dict[str, Any] = document
    for key in path:
        if "$ref" in node:
            node = pointed(document, node["$ref"])
        node = node["properties"][key]
    return pointed(document, node["$ref"]) if "$ref" in node else node


def test_it_names_its_dialect(document: dict[str, Any]) -> None:
    assert document["$schema"] == "https://json-schema.org/draft/2020-12/schema"


def test_every_reference_leads_somewhere(document: dict[str, Any]) -> None:
    references = [node["$ref"] for node in nodes(document) if "$ref" in node]

    assert len(references) > 5
    for reference in references:
        assert isinstance(pointed(document, reference), dict)


def test_a_station_has_the_keys_that_the_loader_knows(
    document: dict[str, Any],
) -> None:
    station = resolved(document, "defaults")
    keys = {info.alias or key for key, info in StationSettings.model_fields.items()}

    assert set(station["properties"]) == keys
    assert station["additionalProperties"] is False


@pytest.mark.parametrize("role", sorted(ROLES))
def test_every_installed_kind_has_its_table(
    document: dict[str, Any], role: str
) -> None:
    table = resolved(document, "defaults", role)

    assert table["properties"]["kind"]["enum"] == list(ROLES[role].known())
    for branch in table["allOf"]:
        kind = branch["if"]["properties"]["kind"]["const"]
        keys = set(pointed(document, branch["then"]["$ref"])["properties"])
        assert keys == set(ROLES[role].find(kind).settings.model_fields)


def test_it_speaks_of_the_file_not_of_the_program(document: dict[str, Any]) -> None:
    """Times are text, nothing is null, and another file may hold what is missing."""
    poll = resolved(document, "defaults", "poll")

    assert (poll["type"], poll["default"]) == ("string", "30s")
    for node in nodes(document):
        assert node.get("type") != "null"
        assert node.get("default", 0) is not None
        if "if" not in node and "const" not in str(node.get("properties")):
            assert not isinstance(node.get("required"), list)


@pytest.fixture(scope="module")
def validator(document: dict[str, Any]) -> Any:
    """An independent validator, which finds the schema itself in order."""
    jsonschema = pytest.importorskip("jsonschema")
    jsonschema.Draft202012Validator.check_schema(document)
    return jsonschema.Draft202012Validator(document)


@pytest.mark.parametrize("file", EXAMPLES, ids=lambda f: f.name)
def test_the_examples_are_valid_by_an_independent_validator(
    validator: Any, file: Path
) -> None:
    # JSON has no times; RFC 3339 text is what TOML 1.0 writes them as.
    read = tomllib.loads(file.read_text())
    example = json.loads(json.dumps(read, default=lambda time: time.isoformat()))

    assert list(validator.iter_errors(example)) == []
    next(iter(example["station"].values()))["pol"] = "30s"
    assert list(validator.iter_errors(example)) != []
