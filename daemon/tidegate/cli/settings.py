"""``tidegate settings``: check, show, schema."""

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
from tidegate.settings import Settings, StationSettings, schema
from tidegate.settings.duty import ASSUMES, FORMULA, HEAVY, LIGHT, expected
from tidegate.settings.plain import leaves, plain
from tidegate.settings.problems import KeyPath, shown


@click.group(name="settings")
@config_option
def command() -> None:
    """Check the settings, show where each value is from, print the schema."""


@command.command()
@config_option
@json_option
@click.pass_context
def check(ctx: click.Context, *, as_json: bool) -> int:
    """Say whether the settings are right, and what they let expect.

    Exit code 1 where a station cannot run on this machine.
    """
    settings = load_settings(ctx)
    document = _checked(settings)
    if as_json:
        print_json(document)
    else:
        for line in _check_lines(document):
            click.echo(line)
    return Code.DONE if document["ok"] else Code.NO


@command.command()
@config_option
@json_option
@click.pass_context
def show(ctx: click.Context, *, as_json: bool) -> int:
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


@command.command(name="schema")
@config_option
@json_option
def print_schema(*, as_json: bool) -> int:
    """Print JSON Schema 2020-12 of the settings, with every kind installed here.

    It is JSON with or without --json.
    """
    del as_json
    document, left_out = schema()
    print_json(document)
    for error in left_out:
        say(f"left out: {error}")
    return Code.DONE


def _checked(settings: Settings) -> dict[str, Any]:
    return {
        "ok": not settings.unsupported,
        "files": [str(file) for file in settings.files],
        "warnings": list(settings.warnings),
        "stations": [
            *(_expectations(name, it) for name, it in settings.stations.items()),
            *(
                {"station": name, "unsupported": str(error)}
                for name, error in settings.unsupported.items()
            ),
        ],
        "formula": list(FORMULA),
        "assumes": list(ASSUMES),
    }


def _expectations(name: str, station: StationSettings) -> dict[str, Any]:
    found: dict[str, Any] = {
        "station": name,
        "unsupported": None,
        "gauge": station.gauge.kind,
        "relay": None if station.relay is None else station.relay.kind,
        "window": None if station.window is None else plain(station.window),
        "switchings_per_hour": None,
        "hours_above_window_per_day": None,
        "relay_life_operations": None,
        "relay_life_years": None,
    }
    light, heavy = expected(station, LIGHT), expected(station, HEAVY)
    if station.relay is None or light is None or heavy is None:
        return found
    found["switchings_per_hour"] = {
        "light": round(light.switchings_per_hour, 3),
        "heavy": round(heavy.switchings_per_hour, 3),
    }
    found["hours_above_window_per_day"] = {
        "light": round(light.hours_above_per_day, 2),
        "heavy": round(heavy.hours_above_per_day, 2),
    }
    if (life := station.relay.life) is not None:
        found["relay_life_operations"] = life
        found["relay_life_years"] = {
            "light": round(light.relay_life_years(life), 1),
            "heavy": round(heavy.relay_life_years(life), 1),
        }
    return found


def _check_lines(document: dict[str, Any]) -> list[str]:
    lines = [f"read: {file}" for file in document["files"]]
    for station in document["stations"]:
        lines += _station_lines(station)
    lines += [f"warning: {text}" for text in document["warnings"]]
    if any(station.get("switchings_per_hour") for station in document["stations"]):
        lines += ["assumed:", *(f"  {text}" for text in ASSUMES)]
        lines += ["reckoned:", *(f"  {text}" for text in FORMULA)]
    if document["ok"]:
        lines.append("the settings are right")
    else:
        lines.append("the settings are right, but not every station can run here")
    return lines


def _station_lines(station: dict[str, Any]) -> list[str]:
    name = f"station {station['station']}"
    if station["unsupported"] is not None:
        return [f"{name}: cannot run here: {station['unsupported']}"]
    if station["relay"] is None:
        return [f"{name}: gauge {station['gauge']}, only measures"]
    window, rate = station["window"], station["switchings_per_hour"]
    head = f"{name}: gauge {station['gauge']}, relay {station['relay']}"
    if rate is None:
        return [f"{head}, holds {window['hold']:g} %, no regular switchings"]
    lines = [
        f"{head}, window {window['low']:g} to {window['high']:g} %",
        f"  expected switchings: {rate['light']:.2g} to {rate['heavy']:.2g} an hour",
    ]
    if (years := station["relay_life_years"]) is None:
        lines.append("  relay life: not known, as relay.life is not set")
    else:
        lines.append(
            f"  relay life: {years['heavy']:.2g} to {years['light']:.2g} years "
            f"at {station['relay_life_operations']} operations"
        )
    return lines


def _values(settings: Settings) -> dict[KeyPath, Any]:
    values: dict[str, Any] = {"log": plain(settings.log)}
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
        return f"[{', '.join(shown(item) for item in value)}]"
    return shown(value)


def _from(row: dict[str, Any]) -> str:
    if row["default"]:
        return "default"
    return row["file"] if row["line"] is None else f"{row['file']}:{row['line']}"


def _say_unsupported(settings: Settings) -> None:
    for name, error in settings.unsupported.items():
        say(f"station {name} cannot run here and is not shown: {error}")
