"""``tidegate run``: the daemon in the foreground."""

from __future__ import annotations

import asyncio
import signal
from typing import TYPE_CHECKING

import click

from tidegate.cli.exits import Code
from tidegate.cli.options import config_option, load_settings

if TYPE_CHECKING:
    from tidegate.service import Service


@click.command()
@config_option
@click.option("--verbose", is_flag=True, help="Also write messages of the level debug.")
@click.pass_context
def command(ctx: click.Context, *, verbose: bool) -> int:
    """Keep every station of the settings in its window until told to stop.

    SIGTERM or SIGINT ends it: supply on everywhere, log closed, exit code 0. A relay
    or gauge that is absent does not stop it; it is tried again. Messages go to
    stderr, the cycle log to the file of the settings.
    """
    settings = load_settings(ctx)

    from tidegate import notice
    from tidegate.clock import SystemClock
    from tidegate.service import Service

    notice.configure(level="debug" if verbose else "info")
    for warning in settings.warnings:
        notice.logger().warning("settings", says=warning)
    service = Service(settings, clock=SystemClock())
    asyncio.run(_run(service))
    return Code.BUG if service.broken else Code.DONE


async def _run(service: Service) -> None:
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, service.end)
    await service.run()
