"""Settings as plain data for the cycle log and for people, without secrets."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from tidegate.settings.models import StationSettings, Table
from tidegate.settings.problems import HIDDEN, IN_ADDRESS, KeyPath, names_a_secret

# What follows a secret's name in an argument.
_IN_ARGUMENT = re.compile(
    r"(?i)((?:password|passwd|passphrase|secret|token|credential|authorization"
    r"|api[-_]?key)\w*\s*[=:]\s*)\S.*"
)


def without_secrets(station: StationSettings) -> dict[str, Any]:
    """Return a station's settings, defaults included, in the file's own spelling.

    Hidden are fields that are secrets by type, keys and arguments that are secrets by
    name, and what stands before the @ of an address.
    """
    return plain(station)


def plain(table: Table) -> dict[str, Any]:
    """Return a table as JSON values in the file's own spelling, without secrets."""
    values = table.model_dump(mode="json", by_alias=True)
    return {key: _clean(value, key) for key, value in values.items()}


def leaves(values: Mapping[str, Any], path: KeyPath = ()) -> dict[KeyPath, Any]:
    """Return each value that is not a table, by its full key."""
    found: dict[KeyPath, Any] = {}
    for key, value in values.items():
        if isinstance(value, dict):
            found.update(leaves(value, (*path, key)))
        else:
            found[*path, key] = value
    return found


def _clean(value: Any, key: str) -> Any:
    if isinstance(value, dict):
        return {name: _clean(inner, name) for name, inner in value.items()}
    if value is not None and not isinstance(value, bool) and names_a_secret(key):
        return HIDDEN
    if isinstance(value, list):
        return _clean_arguments(value, key)
    if isinstance(value, str):
        return _IN_ARGUMENT.sub(rf"\1{HIDDEN}", IN_ADDRESS.sub(HIDDEN, value))
    if isinstance(value, float) and value.is_integer():
        return int(value)
    return value


def _clean_arguments(values: list[Any], key: str) -> list[Any]:
    cleaned: list[Any] = []
    follows_a_secret = False
    for value in values:
        cleaned.append(HIDDEN if follows_a_secret else _clean(value, key))
        follows_a_secret = (
            isinstance(value, str)
            and value.startswith("-")
            and "=" not in value
            and names_a_secret(value.lstrip("-").replace("-", "_"))
        )
    return cleaned
