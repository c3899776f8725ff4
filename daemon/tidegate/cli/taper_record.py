"""``tidegate taper --record``: reads a charge into a CSV file, and does nothing else.

Where a daemon runs the station it is asked; else the gauge is held open meanwhile.
"""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Coroutine, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from tidegate.cli.options import (
    control_path,
    load_settings,
    same_settings,
    say,
    station_names,
)
from tidegate.cli.paragraphs import wrapped
from tidegate.cli.taper_source import DaemonSource, GaugeSource, Source
from tidegate.errors import (
    BackendError,
    DaemonAbsent,
    NotPermitted,
    OrderRefused,
    Unavailable,
)
from tidegate.report.cautions import CAUTIONS
from tidegate.words import visible

if TYPE_CHECKING:
    from tidegate.clock import Clock
    from tidegate.host import Machine
    from tidegate.taper.book import Book
    from tidegate.taper.course import Course

POLL_S: Final = 60.0
# Where nobody watches a line that changes, one is said so often.
SAID_EVERY_MS: Final = 30 * 60_000
# A gauge that fails for so long is no longer waited for.
LOST_MS: Final = 60 * 60_000

WHAT_TO_DO: Final = (
    CAUTIONS[1],
    "Do not leave a warm battery on charge unseen.",
    "What to do: let the device run down to 20 to 30 %, put it on its own charger and "
    "cable, leave it alone at room temperature until it is full. That takes up to 14 h "
    "with a taper. Ctrl-C ends it; what was read is kept.",
)


def clock() -> Clock:
    """Return the clocks of this machine."""
    from tidegate.clock import SystemClock

    return SystemClock()


def machine(of: Clock) -> Machine:
    """Return what a gauge that is opened here may use."""
    from tidegate.host import Machine

    return Machine(of)


def living(life: Coroutine[Any, Any, None]) -> None:
    """Run it to its end, in the time of this machine."""
    asyncio.run(life)


def recorded(
    ctx: click.Context,
    station: str | None,
    *,
    to: Path | None,
    for_ms: int,
    goes_on: bool,
    anyway: bool,
) -> tuple[Path, str]:
    """Record a charge; return the file and the station.

    Errors: OrderRefused where a daemon holds a window, LogError for the file, those of
    the settings and of the gauge; click.Abort where nothing was read up to a Ctrl-C.
    """
    from tidegate.taper.book import Book
    from tidegate.taper.course import Course

    now = clock()
    name, source = _source(ctx, station, now)
    path = to or Path(f"taper-{name}.csv")
    if path.exists() and not goes_on:
        raise click.UsageError(
            f"{path} is there already: name another file with --to, or add --continue."
        )
    if isinstance(source, DaemonSource) and not anyway:
        _refuse_window(name, source.status())
    for text in WHAT_TO_DO:
        say("\n".join(wrapped(text, 79)))
    with Book(path, name, goes_on=goes_on) as book:
        if book.torn:
            say(f"Half a line at the end of {path} was cut off.")
        say(f"Reading {visible(name)} once a minute into {path}.")
        course, has_begun = Course(most_ms=for_ms), anyway or book.is_begun
        if not _live(_Session(source, book, course, now, has_begun=has_begun), book):
            raise click.Abort
    return path, name


def _live(session: _Session, book: Book) -> bool:
    """Record to its end; return whether there is any reading in the file."""
    try:
        living(session.life())
    except KeyboardInterrupt:
        session.said("Ended.")
    finally:
        session.said(session.kept())
        holds_any = bool(book.count or book.is_begun)
        if not holds_any:
            # It answers nothing, and would be in the way of the next run.
            book.path.unlink(missing_ok=True)
    return holds_any


def _source(ctx: click.Context, station: str | None, now: Clock) -> tuple[str, Source]:
    if station is not None and (found := _daemon(ctx, station)) is not None:
        return station, found
    settings = load_settings(ctx)
    names = station_names(settings, station)
    if not names:
        raise next(iter(settings.unsupported.values()))
    if len(names) > 1:
        raise click.UsageError(f"Which station? The settings hold {', '.join(names)}.")
    name = names[0]
    if station is None and (found := _daemon(ctx, name)) is not None:
        return name, found
    return name, GaugeSource(name, settings.stations[name], machine(now))


def _daemon(ctx: click.Context, station: str) -> DaemonSource | None:
    try:
        path = control_path(ctx)
    except DaemonAbsent:
        return None
    return DaemonSource.found(path, station, same_settings(ctx))


def _refuse_window(name: str, status: Mapping[str, Any]) -> None:
    window, override = status["window"], status["override"]
    if window is None or (override is not None and override["supply"] == "on"):
        return
    raise OrderRefused(
        f"a daemon holds {name} in its window of {window['low_percent']:g} to "
        f"{window['high_percent']:g} %, so it would not be charged to full",
        remedy=f"Let it run down first (tidegate override {name} off --for 12h "
        f'--because "taper capture"; the floor ends that), then: tidegate override '
        f'{name} on --for 14h --because "taper capture", and this again',
    )


class _Session:
    """One recording: reads, waits until it may begin, writes, says how it goes."""

    def __init__(
        self,
        source: Source,
        book: Book,
        course: Course,
        now: Clock,
        *,
        has_begun: bool,
    ) -> None:
        self._source, self._book, self._course = source, book, course
        self._clock = now
        self._has_begun = has_begun
        self._is_watched = sys.stderr.isatty()
        self._waiting = ""
        self._trouble = ""
        self._gave_up = ""
        self._is_fed = True
        self._read_ms = now.boot_ms()
        self._said_ms = now.boot_ms() - SAID_EVERY_MS

    async def life(self) -> None:
        """Read once a minute until it is over. Errors: Unavailable after an hour."""
        try:
            while True:
                await self._turn()
                why = self._gave_up or self._course.over(self._clock.boot_ms())
                if why:
                    self.said(why)
                    return
                await asyncio.sleep(POLL_S)
        finally:
            await self._source.close()

    def kept(self) -> str:
        """Return what was added to the file, in words."""
        return f"{self._book.count} readings were added to {self._book.path}."

    def said(self, text: str) -> None:
        """Say something, over the line that changes."""
        said = "\n".join(wrapped(text, 79))
        say(f"\r\x1b[K{said}" if self._is_watched else said)

    async def _turn(self) -> None:
        try:
            reading = await self._source.read()
        except (BackendError, DaemonAbsent, NotPermitted, OrderRefused) as error:
            self._lost(str(error))
            return
        if not reading["trusted"] or reading["soc_percent"] is None:
            self._lost(f"a reading that is not trusted ({reading['why_not']})")
            return
        self._trouble, self._read_ms = "", self._clock.boot_ms()
        if not self._has_begun:
            why = self._why_not_yet(reading)
            if why:
                return
        now_ms = self._clock.boot_ms()
        self._book.add(reading, boot_ms=now_ms)
        self._course.take(now_ms, reading)
        self._say_supply(reading)
        self._progress(now_ms)

    def _say_supply(self, reading: Mapping[str, Any]) -> None:
        is_fed = reading["external_power"] != "no"
        if self._is_fed and not is_fed:
            self.said(
                f"It is not fed any more, at {reading['soc_percent']:.0f} %: it is on no "
                "charger, or a window holds it off (an override may have ended). It "
                "goes on once it is fed."
            )
        self._is_fed = is_fed

    def _why_not_yet(self, reading: Mapping[str, Any]) -> str:
        from tidegate.taper.course import why_not_yet

        why = why_not_yet(reading)
        # The level in it changes, and is not said anew each minute.
        kind = why.partition(".")[2] or why.partition(":")[0]
        if why and kind != self._waiting:
            self.said(f"{why} Waiting for that.")
        self._waiting = kind
        if not why:
            self.said(f"It is at {reading['soc_percent']:.0f} %: recording.")
            self._has_begun = True
        return why

    def _lost(self, what: str) -> None:
        if what != self._trouble:
            self.said(f"Not read: {visible(what).rstrip('.')}. Trying again.")
            self._trouble = what
        if self._clock.boot_ms() - self._read_ms >= LOST_MS:
            self._gave_up = (
                f"Nothing could be read for an hour ({visible(what).rstrip('.')})."
            )
            if self._book.count:
                return  # what was read is kept, and answers
            raise Unavailable(
                f"nothing could be read for an hour ({what.rstrip('.')})",
                target="gauge",
                remedy="Try tidegate read first",
            )

    def _progress(self, now_ms: int) -> None:
        if self._is_watched:
            line = self._course.progress(now_ms)
            click.echo(f"\r\x1b[K{line}", err=True, nl=False)
        elif now_ms - self._said_ms >= SAID_EVERY_MS:
            self._said_ms = now_ms
            say(self._course.progress(now_ms))
