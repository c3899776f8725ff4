"""``tidegate settings check``: are they right, and what do they let expect."""

from __future__ import annotations

from typing import Any, Final

import click

from tidegate.cli.exits import Code
from tidegate.cli.options import config_option, json_option, load_settings, print_json
from tidegate.settings import Settings, StationSettings
from tidegate.settings.duty import ASSUMES, FORMULA, HEAVY, LIGHT, expected
from tidegate.settings.plain import plain

# What a contact lasts beyond this is of no use to anybody.
LONGEST_YEARS: Final = 100


@click.command()
@config_option
@json_option
@click.pass_context
def command(ctx: click.Context, *, as_json: bool) -> int:
    """Say whether the settings are right, and what they let expect.

    Exit code 0: right; 1: a station cannot run on this machine; 66: no such file; 78:
    wrong.
    """
    settings = load_settings(ctx)
    document = checked(settings)
    if as_json:
        print_json(document)
    else:
        for line in _check_lines(document):
            click.echo(line)
    return Code.DONE if document["ok"] else Code.NO


def checked(settings: Settings) -> dict[str, Any]:
    """Return what ``check`` says of settings that are right, as JSON data."""
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
            "light": round(light.relay_life_years(life), 3),
            "heavy": round(heavy.relay_life_years(life), 3),
        }
    return found


def _check_lines(document: dict[str, Any]) -> list[str]:
    lines = [f"read: {file}" for file in document["files"]]
    for station in document["stations"]:
        lines += station_lines(station)
    lines += [f"warning: {text}" for text in document["warnings"]]
    if any(station.get("switchings_per_hour") for station in document["stations"]):
        lines += ["assumed:", *(f"  {text}" for text in ASSUMES)]
        lines += ["reckoned:", *(f"  {text}" for text in FORMULA)]
    if document["ok"]:
        lines.append("the settings are right")
    else:
        lines.append("the settings are right, but not every station can run here")
    return lines


def station_lines(station: dict[str, Any]) -> list[str]:
    """Return what is said of one station of ``checked``."""
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
            f"  relay life: {_span(years['heavy'], years['light'])} years "
            f"at {station['relay_life_operations']} operations"
        )
    return lines


def _span(least: float, most: float) -> str:
    """Return some years from least to most, as exactly as they can be known."""
    if least > LONGEST_YEARS:
        return f"over {LONGEST_YEARS}"
    long = f"over {LONGEST_YEARS}" if most > LONGEST_YEARS else f"{most:.2g}"
    return f"{least:.2g} to {long}"
