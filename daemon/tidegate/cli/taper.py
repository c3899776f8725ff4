"""``tidegate taper``: does a device already hold its own charging back?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from tidegate.cli.exits import Code
from tidegate.cli.options import (
    config_option,
    html_option,
    json_option,
    log_option,
    log_path,
    print_json,
    say,
    station_argument,
)

if TYPE_CHECKING:
    from tidegate.history import Series
    from tidegate.taper.finding import Finding

MINUTE_MS: Final = 60_000
HOUR_MS: Final = 60 * MINUTE_MS
MOST_H: Final = 48
USUAL_MS: Final = 14 * HOUR_MS


def _for_ms(
    ctx: click.Context, parameter: click.Parameter, value: str | None
) -> int | None:
    if value is None:
        return None
    from tidegate.settings.durations import duration_ms

    try:
        for_ms = duration_ms(value)
    except ValueError as error:
        raise click.BadParameter(f"{error}.") from error
    if not HOUR_MS <= for_ms <= MOST_H * HOUR_MS:
        raise click.BadParameter(f"found {value}, allowed is 1h to {MOST_H}h.")
    return for_ms


@click.command()
@station_argument
@log_option
@click.option("--since", metavar="TIME", help="Only from then on; see below.")
@click.option("--until", metavar="TIME", help="Only up to then.")
@html_option
@click.option("--record", is_flag=True, help="Record a charge first, then answer.")
@click.option(
    "--to",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE.csv",
    help="Where to record to; else taper-STATION.csv.",
)
@click.option(
    "--continue",
    "goes_on",
    is_flag=True,
    help="Go on with a file that is there; else that is refused.",
)
@click.option(
    "--anyway",
    is_flag=True,
    help="Record at once, whatever the level and the supply are.",
)
@click.option(
    "--for",
    "for_ms",
    metavar="TIME",
    callback=_for_ms,
    help="Record at most so long, 1h to 48h.  [default: 14h]",
)
@config_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    station: str | None,
    since: str | None,
    until: str | None,
    html: Path | None,
    to: Path | None,
    for_ms: int | None,
    *,
    record: bool,
    goes_on: bool,
    anyway: bool,
    as_json: bool,
) -> int:
    """Say whether a device already tapers its own charging, from a logged charge.

    A charger without a taper gives constant current, then constant voltage for a short
    end. One with a taper gives less and less from about mid charge on: the current
    falls long before the voltage is at its highest, and the last fifth takes hours.
    Each sign is said with its numbers, and what is missing in the log.

    The readings come from a cycle log, or from a CSV file made by hand: `time` and
    `soc_percent`, noted every 10 min, are enough, with less confidence. Charges are
    found in it; one from 20 to 30 % up to full shows most.

    --record reads a charge from now on into a CSV file, a line a minute, and answers at
    its end: when the battery is full and stays there, after --for, or at Ctrl-C; what
    was read is kept. It reads only, through the daemon where one runs, and switches
    nothing: where a window is in force it says which override to place.

    TIME is a date, a date and time (local, or with Z), or a length back from the end.

    \b
    Examples (an invented museum):
      tidegate taper hall --since 30d
      tidegate taper --log hall-by-hand.csv --html hall.html
      tidegate taper hall --record --to hall-taper.csv

    Exit code 0: a verdict, tapers or not; 1: unclear, or a window is in force; 64:
    usage; 65: a file that is damaged, or nothing in it; 66: no such file; 69: the gauge
    cannot be read; 74: the disk.
    """  # noqa: D301 - click takes this character for "leave these lines alone"
    _check(record=record, others=(to, for_ms, goes_on or None, anyway or None))
    if record:
        if since is not None or until is not None:
            raise click.UsageError("--since and --until are for a log, not --record.")
        from tidegate.cli.taper_record import recorded

        path, station = recorded(
            ctx,
            station,
            to=to,
            for_ms=for_ms or USUAL_MS,
            goes_on=goes_on,
            anyway=anyway,
        )
    else:
        path = log_path(ctx)
    finding = _found(path, station, since, until)
    if html is not None:
        from tidegate.cli.zone import SystemZone
        from tidegate.report import taper_page

        taper_page.write(finding, html, zone=SystemZone())
        say(f"Wrote {html}.")
    return _printed(finding, as_json=as_json)


def _check(*, record: bool, others: tuple[object | None, ...]) -> None:
    if not record and any(each is not None for each in others):
        raise click.UsageError("--to, --for, --continue and --anyway need --record.")


def _found(
    path: Path, station: str | None, since: str | None, until: str | None
) -> Finding:
    # Late, so that help needs none of it.
    from tidegate.cli.logged import one_of
    from tidegate.history import opened, stations_in
    from tidegate.taper.finding import find

    series = opened(path, one_of(station, stations_in(path), path))
    return find(_within(series, since, until))


def _within(series: Series, since: str | None, until: str | None) -> Series:
    """Return the part of a series between two moments. Errors: LogEmpty."""
    if since is None and until is None:
        return series
    from bisect import bisect_left
    from dataclasses import replace

    from tidegate.cli.span import span_ms
    from tidegate.cli.zone import SystemZone
    from tidegate.errors import LogEmpty

    since_ms, until_ms = span_ms(
        since, until, end_ms=series.until_ms, zone=SystemZone()
    )
    times = [point.at_ms for point in series.points]
    first = 0 if since_ms is None else bisect_left(times, since_ms)
    last = len(times) if until_ms is None else bisect_left(times, until_ms)
    if first >= last:
        raise LogEmpty(
            f"{series.path} holds no trusted reading in that time",
            remedy="Name another time.",
        )
    return replace(
        series,
        points=series.points[first:last],
        breaks=tuple(each - first for each in series.breaks if first < each < last),
    )


def _printed(finding: Finding, *, as_json: bool) -> int:
    from tidegate.taper.finding import Verdict

    if as_json:
        from tidegate.taper.document import as_document

        print_json(as_document(finding))
    else:
        from tidegate.cli.taper_text import lines
        from tidegate.cli.zone import SystemZone

        click.echo("\n".join(lines(finding, SystemZone())))
    return Code.NO if finding.verdict is Verdict.UNCLEAR else Code.DONE
