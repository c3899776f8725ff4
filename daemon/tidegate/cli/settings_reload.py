"""``tidegate settings reload``: the running daemon takes the settings files anew."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import click

from tidegate.cli.exits import Code
from tidegate.cli.options import (
    config_option,
    control_path,
    json_option,
    print_json,
    same_settings,
    say,
)
from tidegate.words import visible

# Loading, stations that stop while their relay hangs, and backends that open.
LIMIT_S: Final = 90.0
_BECAME: Final = {
    "changed": "goes on with the new values",
    "restarted": "has another gauge or relay: supply on, stopped and started again",
    "new": "is new, and started",
    "removed": "is no more: supply on, and stopped",
}


@click.command()
@config_option
@json_option
@click.pass_context
def command(ctx: click.Context, *, as_json: bool) -> int:
    """Let the running daemon take the settings files anew.

    Settings that are wrong change nothing: those before stay in force, and what is
    wrong is printed with file, line and key. Stations with other numbers take them
    while they run; one whose gauge or relay is another is stopped with its supply on
    and started again. What needs a restart of the daemon is named.

    SIGHUP does the same, but cannot say what came of it. You must be root, or a member
    of the group of operators.

    \b
    Examples:
      tidegate settings check && tidegate settings reload
      tidegate settings reload --json

    Exit code 0: taken; 1: refused for now; 69: no daemon answers; 77: you may not;
    78: the settings are wrong.
    """  # noqa: D301 - click takes this character for "leave these lines alone"
    from tidegate.control.client import Client

    with Client.connect(control_path(ctx)) as client:
        answer = client.ask("reload", limit_s=LIMIT_S, **same_settings(ctx))
    if as_json:
        print_json(answer)
        return Code.DONE
    for file in answer["files"]:
        click.echo(f"read: {visible(str(file))}")
    for line in change_lines(answer["changed"]):
        click.echo(line)
    for line in answer_lines(answer):
        click.echo(line)
    for text in answer["warnings"]:
        say(f"warning: {visible(str(text))}")
    return Code.DONE


def change_lines(changed: list[Mapping[str, Any]]) -> list[str]:
    """Return one line a key: what it was and what it is."""
    return [
        f"{visible(str(each['key']))}: {_value(each['from'])} -> {_value(each['to'])}"
        for each in changed
    ]


def answer_lines(answer: Mapping[str, Any]) -> list[str]:
    """Return what the daemon made of it, in words."""
    lines = [
        f"station {visible(name)} {_BECAME[became]}"
        for name, became in answer["stations"].items()
        if became in _BECAME
    ]
    lines += [
        f"station {visible(name)}: {visible(str(why))}"
        for name, why in answer.get("left_behind", {}).items()
    ]
    lines += [
        f"station {visible(name)} cannot run: {visible(str(why))}"
        for name, why in answer["cannot_run"].items()
    ]
    lines += [
        f"restart the daemon for what changed in [{visible(str(name))}]"
        for name in answer["restart_for"]
    ]
    return lines or ["nothing has changed"]


def _value(text: str | None) -> str:
    return "(not set)" if text is None else visible(str(text))
