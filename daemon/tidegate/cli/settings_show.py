"""``tidegate settings show``: every value in force, and who set it."""

from __future__ import annotations

from typing import Any

import click

from tidegate.cli.exits import Code
from tidegate.cli.options import (
    config_option,
    json_option,
    load_settings,
    print_json,
    say,
)
from tidegate.settings import Settings
from tidegate.settings.inline import inline
from tidegate.settings.load import OWN_TABLES
from tidegate.settings.plain import leaves, plain
from tidegate.settings.problems import KeyPath, shown


@click.command()
@config_option
@json_option
@click.pass_context
def command(ctx: click.Context, *, as_json: bool) -> int:
    """Print every value in force and the file that set it."""
    settings = load_settings(ctx)
    rows = [_row(key, value, settings) for key, value in _values(settings).items()]
    if as_json:
        print_json(rows)
        return Code.DONE
    texts = [(f"{row['key']} = {_written(row['value'])}", _from(row)) for row in rows]
    width = min(max(len(text) for text, _ in texts), 60)
    for text, source in texts:
        click.echo(f"{text:<{width}}  # {source}")
    _say_unsupported(settings)
    return Code.DONE


def _values(settings: Settings) -> dict[KeyPath, Any]:
    values: dict[str, Any] = {
        name: plain(getattr(settings, name)) for name in OWN_TABLES
    }
    values["station"] = {name: plain(it) for name, it in settings.stations.items()}
    return leaves(values)


def _row(key: KeyPath, value: Any, settings: Settings) -> dict[str, Any]:
    place = settings.places.get(key)
    return {
        "key": ".".join(key),
        "value": value,
        "file": None if place is None else str(place.file),
        "line": None if place is None else place.line,
        "default": place is None,
    }


def _written(value: Any) -> str:
    if value is None:
        return "(not set)"
    if isinstance(value, list):
        return f"[{', '.join(_item(each) for each in value)}]"
    return shown(value)


def _item(value: Any) -> str:
    return inline(value) if isinstance(value, dict) else shown(value)


def _from(row: dict[str, Any]) -> str:
    if row["default"]:
        return "default"
    return row["file"] if row["line"] is None else f"{row['file']}:{row['line']}"


def _say_unsupported(settings: Settings) -> None:
    for name, error in settings.unsupported.items():
        say(f"station {name} cannot run here and is not shown: {error}")
