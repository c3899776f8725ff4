"""``tidegate restore``: supply on without a daemon, for stop actions and people."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

import click

from tidegate.cli.exits import Code, fail
from tidegate.cli.options import (
    config_option,
    load_settings,
    say,
    station_argument,
    station_names,
)

if TYPE_CHECKING:
    from tidegate.restore import Restored


@click.command()
@station_argument
@config_option
@click.pass_context
def command(ctx: click.Context, station: str | None) -> int:
    """Set the supply on for STATION, or for every station, at most 5 s a relay.

    Uses the polarity that the daemon found out. A relay that a running tidegate
    holds is left to it. Exit code 0: every relay took the command; 69: one did not.
    """
    settings = load_settings(ctx)
    names = station_names(settings, station)

    from tidegate import notice, restore

    notice.configure(level="warning")

    done = asyncio.run(
        restore.all_on(
            settings.log.path, {name: settings.stations[name] for name in names}
        )
    )
    codes = [_report(result) for result in done]
    for name, why in settings.unsupported.items():
        if station is None:
            say(f"{name}: {why}")
            codes.append(Code.UNAVAILABLE)
    return next((code for code in codes if code is not Code.DONE), Code.DONE)


def _report(result: Restored) -> Code:
    if result.error is not None:
        return fail(result.error)
    click.echo(f"{result.station}: {result.says}")
    return Code.DONE
