"""``tidegate COMMAND``: finds the command, imports only that, ends with its code."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from typing import Any, Final, NoReturn

import click

from tidegate import __version__
from tidegate.cli.exits import Code, fail
from tidegate.cli.lazy import LazyGroup
from tidegate.cli.streams import open_the_closed

# One line each, so that the list of commands imports none of them.
COMMANDS: Final = {
    "demo": "A week of the real daemon on a simulated device, in virtual time.",
    "run": "The daemon, in the foreground.",
    "restore": "Supply on, for every station or one, without a daemon.",
    "find": "The gauges and relays in reach, with settings to paste.",
    "read": "One reading of a station, raw and judged.",
    "prove": "The commissioning run: off, effect, on, effect, latencies, signed off.",
    "status": "What each station does and why, and what is expected next.",
    "watch": "The same live: the charge against its window, supply, alarms.",
    "override": "Order the supply on or off for a time, of a running daemon.",
    "release": "End an override before its time.",
    "settings": "Check, show and change the settings, reload them, print the schema.",
    "log": "Verify, replay, export and sign the cycle log.",
    "audit": "What happened to the battery, and what models say that it cost.",
    "tune": "What another window, dwell or supply would do; a recommendation.",
    "taper": "Does a device already hold its own charging back?",
    "triage": "Keep, change the battery, convert or retire: from log and inspection.",
    "convert": "Sizing of a battery eliminator: supply, cable, regulator, hold-up.",
    "wear": "What each published model says of a hold or of cycling.",
}

INTERRUPTED: Final = 130  # 128 + SIGINT, as shells say it


class _ReaderGone(Exception):
    """Whoever read our output went away; click would end with 1, which is a no."""


class Commands(LazyGroup):
    """The group of all commands."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            result = super().invoke(ctx)
            sys.stdout.flush()
        except BrokenPipeError as error:
            raise _ReaderGone from error
        return result


@click.group(
    cls=Commands,
    table=COMMANDS,
    prefix="tidegate.cli.",
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog="A control, not a safeguard: it relies on the device's own charger "
    "and protection.",
)
@click.version_option(__version__, message="tidegate %(version)s")
def tidegate() -> None:
    """Keep the battery of a device that never leaves its charger in its window."""


def run(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code; errors end as plain sentences."""
    try:
        result = tidegate.main(
            args=None if arguments is None else list(arguments),
            prog_name="tidegate",
            standalone_mode=False,
            color=_colour(),
        )
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message(), err=True)
        return Code.USAGE
    except click.UsageError as error:
        click.echo(f"tidegate: {_usage(error)}", err=True)
        return Code.USAGE
    except click.ClickException as error:
        click.echo(f"tidegate: {error.format_message()}", err=True)
        return Code.USAGE
    except click.Abort:
        return INTERRUPTED
    except _ReaderGone:
        # Nothing is left to be said to them, and the interpreter must not try to
        # flush it once more.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return Code.IO
    except Exception as error:  # noqa: BLE001
        # The one place where everything ends: a sentence and a code, no traceback.
        return fail(error)
    return result if isinstance(result, int) else Code.DONE


def main() -> NoReturn:
    """Run the command line and exit."""
    open_the_closed()
    sys.exit(int(run()))


def _usage(error: click.UsageError) -> str:
    said = error.format_message()
    said = said if said.endswith((".", "?", ")")) else f"{said}."
    path = "tidegate" if error.ctx is None else error.ctx.command_path
    return f'{said} See "{path} --help".'


def _colour() -> bool | None:
    """Return False where colour is not wanted, None to let the terminal decide."""
    unwanted = os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb"
    return False if unwanted else None
