"""``tidegate prove``: the commissioning run of a station, signed off by a person."""

from __future__ import annotations

import asyncio
import os
import signal
import sys
import termios
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from typing import TYPE_CHECKING, Final, TextIO, cast

import click

from tidegate.cli.aside import Aside
from tidegate.cli.exits import Code, exit_code
from tidegate.cli.options import (
    config_option,
    json_option,
    load_settings,
    print_json,
    station_names,
)
from tidegate.cli.prove_table import lines, wrapped

if TYPE_CHECKING:
    from tidegate.prove import Commissioning, Result

ROUNDS_MOST: Final = 20
# What ends a run early. Ctrl-Z too: a run that is stopped in the middle of an off would
# leave the device without supply for as long as nobody wakes it.
_SIGNALS: Final = {
    signal.SIGINT: "Ctrl-C",
    signal.SIGTERM: "SIGTERM",
    signal.SIGHUP: "its terminal, which went away",
    signal.SIGQUIT: "Ctrl-\\",
    signal.SIGTSTP: "Ctrl-Z",
}


Talk = Callable[..., None]


@click.command()
@click.argument("station")
@click.option("--by", required=True, metavar="NAME", help="Who signs it off.")
@click.option(
    "--because",
    default="commissioning",
    show_default=True,
    metavar="TEXT",
    help="What the run is for.",
)
@click.option(
    "--rounds",
    type=click.IntRange(1, ROUNDS_MOST),
    default=3,
    show_default=True,
    help="How often off, effect, on, effect.",
)
@click.option(
    "--yes", is_flag=True, help="Test the relay's timer without asking; for scripts."
)
@config_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    station: str,
    by: str,
    because: str,
    rounds: int,
    *,
    yes: bool,
    as_json: bool,
) -> int:
    """Prove that the supply of STATION follows its relay, before you rely on it.

    Stop the daemon first: one tidegate at a time holds a relay. The run commands on and
    looks on for `settle`, in which a slow gauge may still show what was before. Then it
    switches off, waits until the gauge shows that the supply left, switches on, waits
    until it is back, three times. Each step waits for `settle` at most, so with its
    default of 60 s a run lasts about two minutes when all is well.

    It tells how long each effect took, how much the relay reports about itself, whether
    the contact is wired as `contact` says, and what is unsafe, each with its remedy.
    A relay with a timer of its own is tested last: the device then goes without supply
    until the timer returns it, so you are asked before (or say --yes).

    It refuses a battery under the floor + 10 % or over the hot limit. Whatever ends it,
    Ctrl-C and Ctrl-Z too, it ends with the supply on, which may take a few minutes
    where no power is to be seen. All of it goes to the cycle log, signed with
    --by; a passed run ends the lockouts of the station.

    \b
    Examples (an invented museum):
      tidegate prove entrance-guide --by "A. Fitter"
      tidegate prove entrance --by "A. Fitter" --because "new relay" --rounds 5
      tidegate prove entrance-guide --by night-shift --yes --json > entrance.json

    Exit code 0: every off and on was proven; 1: not, or refused; 69: gauge or relay not
    reachable; 74: the cycle log cannot be written; 75: in use by another tidegate;
    130: ended by Ctrl-C (143: SIGTERM, 129: the terminal went away).
    """  # noqa: D301 - click takes this character for "leave these lines alone"
    settings = load_settings(ctx)
    (name,) = station_names(settings, station)
    if not by.strip():
        raise click.UsageError("--by needs the name of the person who signs.", ctx)

    from tidegate import notice
    from tidegate.clock import SystemClock
    from tidegate.host import Machine
    from tidegate.prove import Commissioning, Order
    from tidegate.report.cautions import CAUTIONS
    from tidegate.service import plan_of

    aside = Aside(sys.stderr)
    notice.configure(stream=cast(TextIO, aside), level="warning")

    def talk(*texts: str) -> None:
        aside.write("".join(f"{wrapped(text)}\n" for text in texts))

    talk(*CAUTIONS, "")
    ended_by: list[int] = []

    async def commissioned() -> Result:
        run = Commissioning(
            settings,
            plan_of(name, settings.stations[name]),
            Order(by=by, because=because, rounds=rounds),
            machine=Machine(SystemClock()),
            say=talk,
            ask=partial(_agreed if yes else _asked, talk),
        )
        _end_on_signals(run, ended_by)
        return await run.run()

    try:
        result = asyncio.run(commissioned())
        code = _code(result, ended_by, talk)
    finally:
        aside.end()
    if as_json:
        print_json(result.as_document())
    else:
        click.echo("\n".join(lines(result.as_document())))
    return code


def _end_on_signals(run: Commissioning, ended_by: list[int]) -> None:
    loop = asyncio.get_running_loop()

    def end(number: int) -> None:
        ended_by.append(number)
        run.end(f"it was ended by {_SIGNALS[signal.Signals(number)]}")

    for number in _SIGNALS:
        if signal.getsignal(number) is not signal.SIG_IGN:  # as under nohup
            loop.add_signal_handler(number, end, number)


def _code(result: Result, ended_by: list[int], talk: Talk) -> int:
    from tidegate.prove import Verdict

    if result.error is not None:
        talk(str(result.error))
        return exit_code(result.error)
    if result.verdict is Verdict.ABORTED and ended_by:
        return 128 + ended_by[0]  # as shells say it
    if result.verdict is not Verdict.PROVEN:
        return Code.NO
    if not result.recorded:
        talk("The cycle log could not be written, so nobody will find this result.")
        return Code.IO
    return Code.DONE


# --- asking -------------------------------------------------------------------------------


async def _agreed(talk: Talk, question: str) -> bool:
    talk(f"{question} Yes (--yes).")
    return True


async def _asked(talk: Talk, question: str) -> bool | None:
    """Ask at the terminal. The loop goes on meanwhile, so that Ctrl-C works."""
    if not sys.stdin.isatty() or not _is_in_front(sys.stdin.fileno()):
        return None
    with suppress(termios.error):
        # What was typed ahead is no answer to a question that nobody had read.
        termios.tcflush(sys.stdin, termios.TCIFLUSH)
    talk(f"{question} [y/N]")
    answer = await _line(sys.stdin.fileno())
    return answer.strip().lower() in ("y", "yes")


def _is_in_front(terminal: int) -> bool:
    """Return whether we may read there; a job in the background would be stopped."""
    try:
        return os.tcgetpgrp(terminal) == os.getpgrp()
    except OSError:
        return True  # not the terminal that controls our jobs


async def _line(descriptor: int) -> str:
    """Return what is typed; nothing at the end of the input."""
    loop = asyncio.get_running_loop()
    ready: asyncio.Future[None] = loop.create_future()

    def wake() -> None:
        if not ready.done():
            ready.set_result(None)

    loop.add_reader(descriptor, wake)
    try:
        await ready
        return os.read(descriptor, 1024).decode(errors="replace")
    except OSError:
        return ""  # the terminal went away: nobody agreed
    finally:
        loop.remove_reader(descriptor)
