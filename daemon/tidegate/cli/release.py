"""``tidegate release``: the end of an override before its time."""

from __future__ import annotations

import click

from tidegate.cli.because import because_option
from tidegate.cli.exits import Code
from tidegate.cli.options import (
    config_option,
    control_path,
    json_option,
    known_stations,
    print_json,
    same_settings,
)
from tidegate.words import visible


@click.command()
@click.argument("station", shell_complete=known_stations)
@because_option("Why it ends now; it stands in the log beside your name.")
@config_option
@json_option
@click.pass_context
def command(ctx: click.Context, station: str, because: str, *, as_json: bool) -> int:
    """End the override of STATION; its charge window counts again at once.

    You must be root, or a member of the group of operators. Dwell counts from the last
    switching, so the supply may stay as it is for a moment.

    \b
    Example (an invented museum):
      tidegate release hall --because "inventory is over"

    Exit code 0: released; 1: no override was in force; 69: no daemon answers; 77: you
    may not.
    """  # noqa: D301 - click takes this character for "leave these lines alone"
    from tidegate.control.client import Client

    with Client.connect(control_path(ctx)) as client:
        answer = client.ask(
            "release", station=station, because=because, **same_settings(ctx)
        )
    if as_json:
        print_json(answer)
        return Code.DONE
    released = answer["released"]
    click.echo(
        f"{visible(str(answer['station']))}: the override {released['supply']} by "
        f"{visible(str(released['by']))} is over. The supply "
        f"is {answer['commanded']} for now: {visible(str(answer['text']))}."
    )
    return Code.DONE
