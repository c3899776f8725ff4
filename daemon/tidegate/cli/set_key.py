"""Which key a person means, and the value that goes there.

Source of keys and values: TOML 1.0, sections Keys and Key/Value Pair.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Collection, Mapping
from pathlib import Path
from typing import Any, Final

import click

from tidegate.errors import SettingsError
from tidegate.settings.files import refuse_extremes
from tidegate.settings.load import OWN_TABLES
from tidegate.settings.problems import KeyPath

DEFAULTS: Final = "defaults"
STATION: Final = "station"


def key_of(text: str, stations: Collection[str]) -> KeyPath:
    """Return the full key that ``hall.window.low`` stands for.

    It begins with a station, with ``station.NAME``, ``defaults`` or another table. A
    name may have dots: the longest that there is counts.
    Errors: click.UsageError.
    """
    parts = _parts(text)
    if len(parts) > 1 and (parts[0] in OWN_TABLES or parts[0] == DEFAULTS):
        return parts
    begins = [parts[1:], parts] if parts[0] == STATION else [parts]
    for rest in begins:
        for end in range(len(rest), 0, -1):
            if (name := ".".join(rest[:end])) in stations:
                if end == len(rest):
                    raise click.UsageError(
                        f"{text!r} names a station; say which key of it, "
                        f"such as {name}.window.low"
                    )
                return (STATION, name, *rest[end:])
    if len(parts) == 1 and (parts[0] in OWN_TABLES or parts[0] == DEFAULTS):
        raise click.UsageError(f"{text!r} names a table; say which key of it.")
    raise click.UsageError(_unknown(text, begins[0], stations))


def value_of(text: str) -> Any:
    """Return what TOML makes of a value; what is none is taken as text."""
    try:
        tables = tomllib.loads(f"value = {text}")
        refuse_extremes(Path("value"), tables)
    except (ValueError, RecursionError, SettingsError):
        return text
    return tables["value"] if set(tables) == {"value"} else text


def _parts(text: str) -> KeyPath:
    # What follows may be a secret, so it is not said again.
    name = text.partition("=")[0].strip()
    try:
        tables: Any = tomllib.loads(f"{text} = true")
        refuse_extremes(Path("key"), tables)
    except (ValueError, RecursionError, SettingsError) as error:
        raise click.UsageError(
            f"{name!r} is no key; keys look like hall.window.low or defaults.poll."
        ) from error
    parts: list[str] = []
    while isinstance(tables, Mapping):
        if len(tables) != 1:
            raise click.UsageError(f"{name!r} is more than one key.")
        (part, tables) = next(iter(tables.items()))
        parts.append(part)
    if tables is not True or "=" in text:
        raise click.UsageError(f"{name!r} brings a value with it; say KEY VALUE.")
    return tuple(parts)


def _unknown(text: str, rest: KeyPath, stations: Collection[str]) -> str:
    first = rest[0] if rest else text
    known = [*stations, *OWN_TABLES, DEFAULTS]
    close = difflib.get_close_matches(first, known, n=1, cutoff=0.5)
    hint = f"did you mean {close[0]}?" if close else f"there are {', '.join(known)}."
    return f"{text!r} begins with no station or table of the settings; {hint}"
