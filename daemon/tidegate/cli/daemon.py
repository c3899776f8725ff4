"""The daemon as a process: what ``tidegate run`` starts, and service units directly.

``python -m tidegate.cli.daemon [--config FILE] [--verbose]`` is ``tidegate run``
without the library that parses command lines, which takes 1.4 MB for as long as the
daemon lives and is of no use to it.
"""

from __future__ import annotations

import signal
import sys
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

from tidegate.cli import early, late

if TYPE_CHECKING:
    from tidegate import settings
    from tidegate.service import Service

USAGE: Final = "usage: python -m tidegate.cli.daemon [--config FILE] [--verbose]"


def serve(
    found: settings.Settings,
    *,
    load: Callable[[], settings.Settings],
    verbose: bool,
) -> int:
    """Run until told to stop; return the exit code.

    ``load`` reads the settings again. Errors: as ``Service.run``.
    """
    import asyncio

    from tidegate import notice
    from tidegate.cli.exits import Code
    from tidegate.clock import SystemClock
    from tidegate.service import Service
    from tidegate.service.parts import parts_of

    late.spare_ssl()
    notice.configure(level="debug" if verbose else "info")
    for warning in found.warnings:
        notice.logger().warning("settings", says=warning)
    service = Service(found, clock=SystemClock(), parts=parts_of(found), load=load)
    try:
        asyncio.run(run(service))
    finally:
        early.ignore()
    return Code.BUG if service.broken else Code.DONE


async def run(service: Service) -> None:
    """Run the service; signals end it, or make it read its settings again."""
    import asyncio

    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, service.end)
    loop.add_signal_handler(signal.SIGHUP, _hung_up, service, early.was_bound())
    early.give()
    try:
        await service.run()
    finally:
        service.end()  # also where it could not begin


def _hung_up(service: Service, was_bound: bool) -> None:
    """Take SIGHUP for new settings, unless it says that the terminal went away."""
    if service.is_ending:
        return  # there is nothing left that could take them
    if was_bound and not early.has_terminal():
        service.end()
    else:
        service.reload.hang_up()


def _options(arguments: Sequence[str]) -> tuple[Path | None, bool] | None:
    """Return ``--config`` and ``--verbose``, ``None`` for anything else."""
    config, verbose, left = None, False, list(arguments)
    while left:
        match left.pop(0):
            case "--verbose":
                verbose = True
            case "--config" if left:
                config = Path(left.pop(0))
            case _:
                return None
    return config, verbose


def main(arguments: Sequence[str]) -> int:
    """Run the daemon; errors end as plain sentences, with the codes of ``run``."""
    # Late, so that no signal comes before it is held.
    from tidegate import settings
    from tidegate.cli.exits import Code, fail
    from tidegate.cli.streams import open_the_closed

    open_the_closed()
    options = _options(arguments)
    if options is None:
        print(USAGE, file=sys.stderr)  # noqa: T201
        return Code.USAGE
    config, verbose = options
    # Locks and messages name whoever holds them by the command that people know.
    sys.argv = ["tidegate", "run", *arguments]
    try:
        load = partial(settings.load, config)
        return serve(load(), load=load, verbose=verbose)
    except Exception as error:  # noqa: BLE001
        # The one place where everything ends: a sentence and a code, no traceback.
        return fail(error)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
