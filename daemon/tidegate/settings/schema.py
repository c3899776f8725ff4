"""The settings as JSON Schema 2020-12, with the tables of every installed kind.

It describes one file. Since values may come from ``[defaults]`` or from another
file, no key is required in it; whether all is there shows when the files are loaded.
"""

from __future__ import annotations

from typing import Any, Final

from tidegate.errors import Unsupported
from tidegate.registry import ROLES
from tidegate.settings.durations import PATTERN, duration_text
from tidegate.settings.load import OWN_TABLES
from tidegate.settings.models import StationSettings

DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"


def schema() -> tuple[dict[str, Any], tuple[Unsupported, ...]]:
    """Return the schema, and the kinds left out as they cannot be loaded here."""
    definitions: dict[str, Any] = {}
    left_out: list[Unsupported] = []
    station = _of(StationSettings, "station", definitions)
    for role in ROLES:
        table, failed = _backend_table(role, definitions)
        described = definitions[station]["properties"][role]
        definitions[station]["properties"][role] = {
            "description": described["description"],
            **table,
        }
        left_out += failed
    reference = {"$ref": f"#/$defs/{station}"}
    return {
        "$schema": DIALECT,
        "title": "tidegate settings",
        "description": "One settings file; keys left out may be set in another one.",
        "type": "object",
        "additionalProperties": False,
        "properties": {
            **{
                name: {"$ref": f"#/$defs/{_of(model, name, definitions)}"}
                for name, model in OWN_TABLES.items()
            },
            "defaults": {"description": "anything a station may say", **reference},
            "station": {
                "description": "one table a station",
                "type": "object",
                "additionalProperties": reference,
            },
        },
        "$defs": definitions,
    }, tuple(left_out)


def _of(model: Any, name: str, definitions: dict[str, Any]) -> str:
    """Define a model under a name and return that name."""
    described = model.model_json_schema(
        by_alias=True, ref_template=f"#/$defs/{name}/$defs/{{model}}"
    )
    definitions[name] = _as_written(described)
    return name


def _backend_table(
    role: str, definitions: dict[str, Any]
) -> tuple[dict[str, Any], list[Unsupported]]:
    kinds, failed = [], []
    for kind in ROLES[role].known():
        try:
            model = ROLES[role].find(kind).settings
        except Unsupported as error:
            failed.append(error)
            continue
        _of(model, f"{role}-{kind}", definitions)
        kinds.append(kind)
    table = {
        "type": "object",
        "properties": {"kind": {"type": "string", "enum": kinds}},
        "allOf": [
            {
                "if": {"properties": {"kind": {"const": kind}}, "required": ["kind"]},
                "then": {"$ref": f"#/$defs/{role}-{kind}"},
            }
            for kind in kinds
        ],
    }
    return table, failed


def _as_written(node: Any) -> Any:
    """Return a schema in terms of the file: times as text, no null, nothing required.

    TOML has no null; a key without a value is left out.
    """
    if isinstance(node, list):
        return [_as_written(inner) for inner in node]
    if not isinstance(node, dict):
        return node
    if "anyOf" in node:
        kept = [one for one in node["anyOf"] if one != {"type": "null"}]
        rest = {key: value for key, value in node.items() if key != "anyOf"}
        node = {**rest, **kept[0]} if len(kept) == 1 else {**rest, "anyOf": kept}
    written = {}
    for key, value in node.items():
        noise = key == "title" and isinstance(value, str)
        if noise or (key == "required" and isinstance(value, list)):
            continue
        if key == "default":
            if value is None:
                continue
            if node.get("pattern") == PATTERN:
                value = duration_text(value)
        written[key] = _as_written(value)
    return written
