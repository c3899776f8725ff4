"""``tidegate watch``: the stations of a running daemon, live."""

from __future__ import annotations

import json
import math
import os
import select
import signal
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING, Any, Final

import click

from tidegate.cli.exits import Code
from tidegate.cli.options import (
    config_option,
    control_path,
    json_option,
    same_settings,
    station_argument,
)
from tidegate.words import in_json

if TYPE_CHECKING:
    from tidegate.cli.watch_feed import News

# Ages and times to go are shown anew so often.
TICK_S: Final = 1.0
RESIZED: Final = "resized"
PAUSED: Final = "paused"


class _Ended(Exception):
    """A signal told us to end; the screen is given back first."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number


def _hours(ctx: click.Context, parameter: click.Parameter, value: float) -> float:
    # What is no number lies in any range: IEEE 754, 5.11.
    if math.isnan(value):
        raise click.BadParameter("found nan, allowed is 0.1 to 48.")
    return value


@click.command()
@station_argument
@click.option(
    "--hours",
    type=click.FloatRange(0.1, 48),
    callback=_hours,
    metavar="NUMBER",
    default=6.0,
    show_default=True,
    help="How far back the picture reaches.",
)
@config_option
@json_option
@click.pass_context
def command(
    ctx: click.Context, station: str | None, hours: float, *, as_json: bool
) -> int:
    """Show what every station does and why as it happens, or only STATION.

    On a terminal: the charge as a line before its window, marks and floor named at
    its right edge; below it on the same axis the supply (filled is on), alarms and
    the temperature; then in words the reason, the next switching to be expected,
    overrides, plans and alarms. The hours before come from the cycle log, where you
    may read it. Under 60 columns, or with too few lines, there are words alone; NO_COLOR
    is respected. Alarms of stations that do not fit are named in one line. If the
    daemon goes away, that is said and it is looked for again.

    Where stdout is no terminal, or a dumb one: a line for each change, and with
    --json one status document a line, at most one a second. It ends with the daemon.

    \b
    Examples (an invented museum):
      tidegate watch
      tidegate watch hall --hours 24
      tidegate watch --json | jq --unbuffered '.stations[].soc_percent'

    Exit code 0: ended by Ctrl-C; 1: no such station; 69: no daemon answers, or it went
    away where stdout is no terminal; 77: you may not ask.
    """  # noqa: D301 - click takes this character for "leave these lines alone"
    from tidegate.cli.screen import can_show
    from tidegate.cli.watch_feed import Feed

    named = {} if station is None else {"station": station}
    shows = not as_json and can_show(sys.stdout, os.environ)
    news: SimpleQueue[News | str] = SimpleQueue()
    feed = Feed(control_path(ctx), {**named, **same_settings(ctx)}, news)
    feed.start(again=shows)
    try:
        if shows:
            _on_screen(news, hours=hours, colour=ctx.color is not False)
        else:
            _in_lines(news, as_json=as_json)
    except KeyboardInterrupt:
        pass
    except _Ended as ended:
        # As who ended us expects it, now that the terminal is as it was.
        signal.signal(ended.number, signal.SIG_DFL)
        os.kill(os.getpid(), ended.number)
    return Code.DONE


def _in_lines(news: SimpleQueue[Any], *, as_json: bool) -> None:
    """Print what comes until the daemon goes away. Errors: those of the client."""
    from tidegate.cli.watch_frame import Lines

    lines = Lines()
    while True:
        document = _awaited(news)
        if as_json:
            click.echo(in_json(json.dumps(document, ensure_ascii=False)))
            continue
        for line in lines.of(document, datetime.now().astimezone()):
            click.echo(line)


def _awaited(news: SimpleQueue[Any]) -> Mapping[str, Any]:
    """Return the next document, or raise why there is none.

    Hours may pass until the next line, and whoever read the last one may be gone:
    BrokenPipeError.
    """
    while True:
        try:
            found = news.get(timeout=TICK_S)
            break
        except Empty:
            if _nobody_reads():
                raise BrokenPipeError from None
    if isinstance(found, Exception):
        raise found
    document: Mapping[str, Any] = found
    return document


def _nobody_reads() -> bool:
    """Return whether the other end of stdout is closed. Source: poll(2), POLLERR."""
    poll = select.poll()
    poll.register(sys.stdout.fileno(), 0)
    return any(event & (select.POLLERR | select.POLLHUP) for _, event in poll.poll(0))


def _on_screen(news: SimpleQueue[Any], *, hours: float, colour: bool) -> None:
    """Show what comes until somebody ends it. Errors: as long as nothing came."""
    from tidegate.cli.screen import Screen, ink_of
    from tidegate.cli.watch_frame import View, frame
    from tidegate.cli.zone import SystemZone

    view, ink = View(hours=hours), ink_of(os.environ, colour=colour)
    view.take(_awaited(news), _now_ms())
    with _signals(news), Screen(sys.stdout) as screen:
        while True:
            size = screen.size()
            lines = frame(
                view,
                width=size.columns,
                height=size.lines,
                ink=ink,
                zone=SystemZone(),
                now_ms=_now_ms(),
            )
            screen.show(lines)
            try:
                found = news.get(timeout=TICK_S)
            except Empty:
                continue
            if found == RESIZED:
                screen.forget()
            elif found == PAUSED:
                screen.leave()
                os.kill(os.getpid(), signal.SIGSTOP)
                screen.enter()
            elif isinstance(found, Exception):
                view.away = str(found).splitlines()[0]
            else:
                view.take(found, _now_ms())


def _now_ms() -> int:
    return time.time_ns() // 1_000_000


@contextmanager
def _signals(news: SimpleQueue[Any]) -> Iterator[None]:
    """Take the signals of a terminal meanwhile: its size, a pause, the end.

    Source: signal(7); tty_ioctl(4) for SIGWINCH.
    """

    def ends(number: int, _: object) -> None:
        raise _Ended(number)

    handlers = {
        signal.SIGWINCH: lambda *_: news.put(RESIZED),
        signal.SIGTSTP: lambda *_: news.put(PAUSED),
        signal.SIGTERM: ends,
        signal.SIGHUP: ends,
        signal.SIGQUIT: ends,
    }
    before = {number: signal.signal(number, it) for number, it in handlers.items()}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
