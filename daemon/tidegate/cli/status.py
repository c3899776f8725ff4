"""``tidegate status``: what each station does and why, and what is expected next."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import click

from tidegate.cli.exits import Code
from tidegate.cli.moments import length_text, local_text
from tidegate.cli.options import (
    config_option,
    control_path,
    json_option,
    print_json,
    same_settings,
    station_argument,
)
from tidegate.words import visible

MINUTE_S: Final = 60


@click.command()
@station_argument
@config_option
@json_option
@click.pass_context
def command(ctx: click.Context, station: str | None, *, as_json: bool) -> int:
    """Say what every station does and why, or only STATION; the daemon must run.

    For each: the supply and the reason, the charge and its window, the next switching
    to be expected (an estimate, from the pace of the last hours), an override with its
    end, a plan, alarms. An alarm stands until what it tells of is over.

    \b
    Examples (an invented museum):
      tidegate status
      tidegate status hall
      tidegate status --json | jq '.stations[] | select(.alarms != [])'

    Exit code 0: no alarm; 1: at least one alarm stands, or a station cannot run; 69: no
    daemon answers; 77: you may not ask.
    """  # noqa: D301 - click takes this character for "leave these lines alone"
    from tidegate.control.client import Client

    named: dict[str, Any] = {} if station is None else {"station": station}
    with Client.connect(control_path(ctx)) as client:
        document = client.ask("status", **named, **same_settings(ctx))
    if as_json:
        print_json(document)
    else:
        for line in lines(document):
            click.echo(line)
    return code(document)


def code(document: Mapping[str, Any]) -> Code:
    """Return what the exit code says of a status document."""
    troubled = any(
        station["alarms"] or station["unsupported"] for station in document["stations"]
    )
    return Code.NO if troubled else Code.DONE


def lines(document: Mapping[str, Any]) -> list[str]:
    """Return a status document in words: each station, then the daemon if it has
    something to say.
    """
    found = []
    for station in document["stations"]:
        found += station_lines(station)
    return [visible(line) for line in [*found, *service_lines(document["service"])]]


def station_lines(station: Mapping[str, Any]) -> list[str]:
    """Return one station in words, its head first."""
    found = [f"{station['station']}: {station['text']}"]
    if facts := _facts(station):
        found.append(f"  {facts}")
    if coming := next_text(station):
        found.append(f"  next: {coming}")
    if override := station["override"]:
        found.append(f"  override: {override_text(override)}")
    if plan := station["plan"]:
        because = f" ({plan['because']})" if plan["because"] else ""
        found.append(f"  plan: {plan['says']}{because}")
    for alarm in station["alarms"]:
        since = f", since {local_text(alarm['since'])}" if alarm["since"] else ""
        found.append(f"  alarm {alarm['code']}{since}: {alarm['text']}")
    return found


def next_text(station: Mapping[str, Any]) -> str:
    """Return what is expected next, or why that is not known; empty where neither."""
    coming = station["next"]
    if coming is None:
        return station["next_why"] or ""
    about = "about " if coming["in_s"] >= MINUTE_S else ""
    length = f"{length_text(coming['in_s'])} ({local_text(coming['at'])})"
    if coming["what"] == "override_ends":
        return f"the override ends in {length}"
    level = coming["at_percent"]
    if level is None:
        return f"{coming['what']} in {about}{length}: {coming['because']}"
    return f"{coming['what']} at {level:g} %, in {about}{length}"


def override_text(override: Mapping[str, Any]) -> str:
    """Return an override in words: what, until when, by whom and why."""
    because = f', because "{override["because"]}"' if override["because"] else ""
    until = local_text(override["until"])
    return f"{override['supply']} until {until}, by {override['by']}{because}"


def _facts(station: Mapping[str, Any]) -> str:
    if station["soc_percent"] is None:
        return ""
    facts = [f"SoC {station['soc_percent']:g} %"]
    if window := station["window"]:
        facts.append(
            f"window {window['low_percent']:g} to {window['high_percent']:g} %"
        )
        facts.append(f"floor {station['floor_percent']:g} %")
    facts.append(f"external power {station['external_power']}")
    if station["temperature_c"] is not None:
        facts.append(f"{station['temperature_c']:.1f} °C")
    facts.append(f"read {station['gauge_age_s']:.0f} s ago")
    return ", ".join(facts)


def service_lines(service: Mapping[str, Any]) -> list[str]:
    """Return what the daemon itself has to say, as a rule nothing."""
    found = []
    if service["settings_error"]:
        found += [
            "the settings files are wrong, those before stay in force:",
            *(f"  {line}" for line in str(service["settings_error"]).splitlines()),
        ]
    if not service["log_is_written"]:
        found.append(f"the cycle log {service['log']} cannot be written")
    restarts = service["restarts"]
    if restarts and restarts.get("unclosed"):
        found.append(
            f"the daemon came back {restarts['unclosed']} times within the hour after "
            "a kill or a fault"
        )
    return found
