"""``tidegate prove``: the commissioning run of a station, signed off by a person."""

from __future__ import annotations

import asyncio
import signal
import sys
from collections.abc import Callable, Coroutine
from contextlib import ExitStack
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, Final, TextIO, cast

import click

from tidegate.cli.aside import Aside
from tidegate.cli.because import one_line
from tidegate.cli.exits import Code, exit_code
from tidegate.cli.options import (
    config_option,
    control_path,
    json_option,
    load_settings,
    print_json,
    same_settings,
    station_names,
)
from tidegate.cli.prove_asking import Talk, agreed, asked
from tidegate.cli.prove_table import lines, wrapped
from tidegate.words import visible

if TYPE_CHECKING:
    from tidegate.control.client import Client
    from tidegate.errors import TidegateError

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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Order:
    """What the person asks for."""

    station: str
    by: str
    because: str
    rounds: int
    yes: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class _Done:
    """What came of it. No document: nobody waited for the daemon's."""

    document: dict[str, Any] | None
    error: TidegateError | None
    ended_by: list[int]


@click.command()
@click.argument("station")
@click.option(
    "--by", required=True, metavar="NAME", callback=one_line, help="Who signs it off."
)
@click.option(
    "--because",
    default="commissioning",
    show_default=True,
    metavar="TEXT",
    callback=one_line,
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

    A daemon that runs need not be stopped: it lets go of this station for the run and
    goes on with the others. You must be root, or a member of its group of operators.
    It proves one station at a time: of two at once, neither could tell whose relay
    moves whose supply.

    The run commands on and looks on for `settle`, in which a slow gauge may still show
    what was before. Then it switches off, waits until the gauge shows that the supply
    left, switches on, waits until it is back and sees that it stays, three times. Each
    step waits for `settle` at most, so with its default of 60 s a run lasts about two
    minutes when all is well. Where nothing follows an off, it looks on for five times
    `settle` (5 min at most) to tell a slow gauge from a contact that sticks.

    Three rounds find what is wired wrongly. A contact that fails one time in three
    passes them in 3 of 10 runs, and 10 rounds in 1 of 60.

    It tells how long each effect took, how much the relay reports about itself, whether
    the contact is wired as `contact` says, and what is unsafe, each with its remedy.
    A relay with a timer of its own is tested last: the device then goes without supply
    until the timer returns it, so you are asked before (or say --yes).

    It refuses a battery under the floor + 10 % or over the hot limit. Whatever ends it,
    Ctrl-C and Ctrl-Z too, it ends with the supply on, which may take a few minutes
    where no power is to be seen; a daemon sees to that even if this command is gone.
    Only a kill -9 where no daemon runs leaves it as it is: then tidegate restore.
    All of it goes to the cycle log, signed with --by; a passed run ends the lockouts of
    the station.

    \b
    Examples (an invented museum):
      tidegate prove entrance-guide --by "A. Fitter"
      tidegate prove entrance --by "A. Fitter" --because "new relay" --rounds 5
      tidegate prove entrance-guide --by night-shift --yes --json > entrance.json

    Exit code 0: every off and on was proven; 1: not, or refused; 69: gauge or relay not
    reachable; 74: the cycle log cannot be written; 75: in use by another tidegate; 77:
    the daemon takes no orders from you; 130: ended by Ctrl-C (143: SIGTERM, 129: the
    terminal went away).
    """  # noqa: D301 - click takes this character for "leave these lines alone"
    from tidegate import notice
    from tidegate.report.cautions import CAUTIONS

    if not by:
        raise click.UsageError("--by needs the name of the person who signs.", ctx)
    order = _Order(station=station, by=by, because=because, rounds=rounds, yes=yes)
    with ExitStack() as stack:
        client = _daemon(ctx, stack)
        here = None if client is not None else _made_here(ctx, order)
        aside = Aside(sys.stderr)
        stack.callback(aside.end)
        notice.configure(stream=cast(TextIO, aside), level="warning")

        def talk(*texts: str) -> None:
            aside.write("".join(f"{wrapped(text)}\n" for text in texts))

        talk(*CAUTIONS, "")
        if client is not None:
            done = asyncio.run(_through(client, order, same_settings(ctx), talk))
        else:
            assert here is not None
            done = asyncio.run(here(talk))
        code = _code(done, talk)
    if done.document is None:
        return code
    if as_json:
        print_json(done.document)
    else:
        from tidegate.cli.prove_through import shown

        click.echo("\n".join(lines(shown(done.document))))
    return code


# --- through the daemon -------------------------------------------------------------------


def _daemon(ctx: click.Context, stack: ExitStack) -> Client | None:
    """Return a connection to the daemon of these settings, if it runs.

    Errors: NotPermitted.
    """
    from tidegate.control.client import Client
    from tidegate.errors import DaemonAbsent, OrderRefused

    try:
        client = stack.enter_context(Client.connect(control_path(ctx)))
        client.ask("status", **same_settings(ctx))
    except (DaemonAbsent, OrderRefused):
        # One of other settings does not know our station; locks say what is in use.
        return None
    return client


async def _through(
    client: Client, order: _Order, meant: dict[str, Any], talk: Talk
) -> _Done:
    from tidegate.cli.prove_through import Through

    arguments = {
        "station": order.station,
        "by": order.by,
        "because": order.because,
        "rounds": order.rounds,
        "yes": order.yes,
        **meant,
    }
    run = Through(client, arguments, talk=talk, ask=partial(asked, talk))
    ended_by: list[int] = []
    _on_signals(ended_by, run.end)
    await run.run()
    return _Done(document=run.result, error=run.error, ended_by=ended_by)


# --- without one --------------------------------------------------------------------------


def _made_here(
    ctx: click.Context, order: _Order
) -> Callable[[Talk], Coroutine[Any, Any, _Done]]:
    """Return what proves the station in this process. Errors: as ``load_settings``."""
    settings = load_settings(ctx)
    (name,) = station_names(settings, order.station)

    async def here(talk: Talk) -> _Done:
        from tidegate.assembly import plan_of
        from tidegate.clock import SystemClock
        from tidegate.host import Machine
        from tidegate.prove import Commissioning, Order

        run = Commissioning(
            settings,
            plan_of(name, settings.stations[name]),
            Order(by=order.by, because=order.because, rounds=order.rounds),
            machine=Machine(SystemClock()),
            say=talk,
            ask=partial(agreed if order.yes else asked, talk),
        )
        ended_by: list[int] = []
        _on_signals(ended_by, lambda why: run.end(f"it was ended by {why}"))
        result = await run.run()
        document = result.as_document()
        return _Done(document=document, error=result.error, ended_by=ended_by)

    return here


def _on_signals(ended_by: list[int], end: Callable[[str], None]) -> None:
    loop = asyncio.get_running_loop()

    def came(number: int) -> None:
        ended_by.append(number)
        end(_SIGNALS[signal.Signals(number)])

    for number in _SIGNALS:
        if signal.getsignal(number) is not signal.SIG_IGN:  # as under nohup
            loop.add_signal_handler(number, came, number)


# --- what it came to ----------------------------------------------------------------------


def _code(done: _Done, talk: Talk) -> int:
    document, ended_by = done.document, done.ended_by
    if done.error is not None:
        talk(visible(str(done.error)))
        return exit_code(done.error)
    if (document is None or document["verdict"] == "aborted") and ended_by:
        return 128 + ended_by[0]  # as shells say it
    if document is None or document["verdict"] != "proven":
        return Code.NO
    if not document["recorded"]:
        talk("The cycle log could not be written, so nobody will find this result.")
        return Code.IO
    return Code.DONE
