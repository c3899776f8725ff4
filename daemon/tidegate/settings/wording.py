"""Our own words for what pydantic found, with the line and the nearest known key.

One line an error: file, line, key, what was found, what is allowed.
"""

from __future__ import annotations

import json
import re
import typing
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from tidegate.registry import ROLES
from tidegate.settings.files import Place, Tree
from tidegate.settings.problems import (
    OURS,
    KeyPath,
    listed,
    names_a_secret,
    nearest,
    shown,
)

_TYPES = {
    "bool": "true or false",
    "bytes": "text in quotes",
    "date": "a date",
    "decimal": "a number",
    "dict": "a table",
    "float": "a number",
    "int": "a whole number",
    "list": "a list in [ ]",
    "model": "a table",
    "path": "a path in quotes",
    "set": "a list in [ ]",
    "string": "text in quotes",
    "tuple": "a list in [ ]",
    "url": "an address in quotes",
}
_BOUNDS = {
    "greater_than": ("gt", "more than {}"),
    "greater_than_equal": ("ge", "{} or more"),
    "less_than": ("lt", "less than {}"),
    "less_than_equal": ("le", "{} or less"),
    "multiple_of": ("multiple_of", "a multiple of {}"),
    "string_too_short": ("min_length", "at least {} characters"),
    "string_too_long": ("max_length", "at most {} characters"),
    "too_short": ("min_length", "at least {} entries"),
    "too_long": ("max_length", "at most {} entries"),
    "string_pattern_mismatch": ("pattern", "text of the form {}"),
}
# Ours have 60 characters at most; what is longer is told from others by less than that.
_LONGEST_NAME = 200

Complaint = tuple[Place | None, str]


def located(place: Place | None, key: KeyPath, said: str) -> str:
    """Return one line of an error message."""
    where = ""
    if place is not None:
        line = "" if place.line is None else f":{place.line}"
        where = f"{place.file}{line}: "
    name = _named(key)
    return f"{where}{name}: {said}" if name else f"{where}{said}"


def _named(key: KeyPath) -> str:
    """Return a key in one line, as a person wrote it or could have."""
    parts = (each if each.isprintable() else json.dumps(each)[1:-1] for each in key)
    name = ".".join(parts)
    return name if len(name) <= _LONGEST_NAME else f"{name[:_LONGEST_NAME]}..."


def keys_of(model: type[BaseModel]) -> list[tuple[str, FieldInfo]]:
    """Return the keys of a table as the file spells them."""
    return [(info.alias or name, info) for name, info in model.model_fields.items()]


@dataclass(frozen=True, slots=True, kw_only=True)
class Validated:
    """One table that was validated: its place in the tree, its model, its values."""

    prefix: KeyPath
    model: type[BaseModel]
    values: Mapping[str, Any]
    tree: Tree

    def complaints(self, errors: Iterable[ErrorDetails]) -> list[Complaint]:
        """Return the place and the line of each error."""
        found = []
        for error in errors:
            at = error.get("ctx", {}).get("at", ())
            path = (*(str(part) for part in error["loc"]), *at)
            place = self.tree.place((*self.prefix, *path))
            line = located(place, self._as_written(path), self._said(error, path))
            found.append((place, line))
        return found

    def _as_written(self, path: KeyPath) -> KeyPath:
        """Return the key as it stands in the file, which may be of the defaults."""
        full = (*self.prefix, *path)
        for end in range(len(full), 0, -1):
            if full[:end] in self.tree.places:
                return (*self.tree.places[full[:end]].key, *full[end:])
        return full

    def _said(self, error: ErrorDetails, path: KeyPath) -> str:
        kind, context = error["type"], error.get("ctx", {})
        if kind == OURS:
            return str(context["text"])
        if kind == "extra_forbidden":
            return self._unknown(path)
        if kind == "missing":
            return self._missing(path)
        if kind in ("literal_error", "enum"):
            return _not_one_of(error["input"], str(context.get("expected", "")))
        text = str(context.get("error", ""))
        if kind == "value_error" and (
            text.startswith("found ") or isinstance(error["input"], dict)
        ):
            return text  # a backend's own sentence, whole
        secret = bool(path) and names_a_secret(path[-1])
        found = "a value" if secret else shown(error["input"])
        return f"found {found}, {_allowed(kind, context, error['msg'])}"

    def _unknown(self, path: KeyPath) -> str:
        known = [key for key, _ in self._keys_around(path)]
        if not known:
            return "unknown key"
        return f"unknown key, allowed is {listed(known)}{nearest(path[-1], known)}"

    def _missing(self, path: KeyPath) -> str:
        for key, info in self._keys_around(path):
            if key == path[-1] and info.description:
                return f"missing, needed is {info.description}"
        return "missing, and it has no default"

    def _keys_around(self, path: KeyPath) -> list[tuple[str, FieldInfo]]:
        """Return the keys of the table that a key stands in."""
        model: type[BaseModel] | None = self.model
        tables = path[:-1]
        if tables and tables[0] in ROLES:
            # A backend's table has the model of its kind.
            kind = self.values[tables[0]]["kind"]
            model, tables = ROLES[tables[0]].find(kind).settings, tables[1:]
        for key in tables:
            if key.isdigit():
                continue  # the place in a list of tables
            model = None if model is None else _nested(model, key)
        return [] if model is None else keys_of(model)


def _nested(model: type[BaseModel], key: str) -> type[BaseModel] | None:
    info = dict(keys_of(model)).get(key)
    if info is None:
        return None
    for kind in (info.annotation, *typing.get_args(info.annotation)):
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            return kind
    return None


def _allowed(kind: str, context: Mapping[str, Any], message: str) -> str:
    if kind in _BOUNDS:
        name, text = _BOUNDS[kind]
        bound = context[name]
        limit = f"{bound:g}" if isinstance(bound, float) else str(bound)
        return f"allowed is {text.format(limit)}"
    if kind == "finite_number":
        return "allowed is a number"
    if kind == "value_error":
        return str(context.get("error", message))
    thing, _, what = kind.partition("_")
    if thing in _TYPES and what in ("type", "parsing", "from_float"):
        return f"allowed is {_TYPES[thing]}"
    # A check of a backend that we have no words for says it in its own.
    return f"{message[:1].lower()}{message[1:]}"


def _not_one_of(found: object, expected: str) -> str:
    choices = re.findall("'([^']*)'", expected)
    close = nearest(found, choices) if isinstance(found, str) else ""
    return f"found {shown(found)}, allowed is {listed(choices, 'or')}{close}"
