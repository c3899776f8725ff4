"""``tidegate restore``: supply on without a daemon, for stop actions and people."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

import click

from tidegate.cli.exits import Code, fail
from tidegate.cli.options import (
    config_option,
    config_path,
    load_settings,
    say,
    station_argument,
    station_names,
)

if TYPE_CHECKING:
    from tidegate.errors import SettingsError
    from tidegate.restore import Restored


@click.command()
@station_argument
@config_option
@click.pass_context
def command(ctx: click.Context, station: str | None) -> int:
    """Set the supply on for STATION, or for every station.

    It takes 5 s at most, or 35 s where units on a shared bus keep silent.
    Uses the polarity that the daemon found out. A relay that a running tidegate
    holds is left to it. Exit code 0: every relay took the command; 69: one did not;
    78: the settings are wrong, and the relays were told that can be made out in them or
    in the last run of the daemon.
    """
    from tidegate.errors import SettingsError

    try:
        settings = load_settings(ctx)
    except SettingsError as error:
        return _with_wrong_settings(ctx, station, error)
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


def _with_wrong_settings(
    ctx: click.Context, named: str | None, error: SettingsError
) -> Code:
    """Tell what can be told: a supply that is off is worse than a wrong file."""
    from tidegate import notice, restore

    notice.configure(level="warning")
    code = fail(error)
    log, stations = restore.last_known(config_path(ctx))
    asked = {name: it for name, it in stations.items() if named in (None, name)}
    if asked:
        say("The relays that are known in spite of that are told:")
        for result in asyncio.run(restore.all_on(log, asked)):
            _report(result)
    return code


def _report(result: Restored) -> Code:
    if result.error is not None:
        return fail(result.error)
    click.echo(f"{result.station}: {result.says}")
    return Code.DONE
