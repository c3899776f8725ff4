"""``tidegate audit``: what happened to the battery, and what models say it cost."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from tidegate.cli.exits import Code
from tidegate.cli.logged import picked
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
from tidegate.words import visible

if TYPE_CHECKING:
    from datetime import tzinfo

    from tidegate.audit.result import Audit
    from tidegate.cyclelog.placing import Placing


@click.command()
@station_argument
@log_option
@click.option("--since", metavar="TIME", help="Only from then on; see below.")
@click.option("--until", metavar="TIME", help="Only up to then.")
@html_option
@config_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    station: str | None,
    since: str | None,
    until: str | None,
    html: Path | None,
    *,
    as_json: bool,
) -> int:
    """Say what happened to a battery: cycles, charge, heat, switchings, gaps, alarms.

    Beside it stands what published models say that it cost, against float at 100 % and
    a hold at the middle of the window at the same temperatures, and apart from that
    what was measured of the cell. Where less than a year was read, the verdict is that
    of the same duty gone on for 3 years: over a few days the models rank otherwise.
    The share in the window is of the time read while one was in force, the way into it
    included; cycles a year and switchings a day are over all of the time, gaps included.
    Without STATION all stations of the log are audited, one after another.

    Only the cycle log is read, past files beside it included; while a daemon writes it,
    too. It is not verified: `tidegate log verify` does that.

    TIME is a date (its first moment for --since, its last for --until), a date and time
    (local, or with Z), or a length back from the end of the log:

    \b
        tidegate audit hall --log /mnt/copy/cycles.db --since 2026-03-01
        tidegate audit hall --since 30d --html hall.html
        tidegate audit --since "2026-03-01 06:00" --until 2026-03-07T18:00Z

    --json prints an object; a list of them where several stations are audited. Exit
    code 0: done; 64: no such station; 65: a log that is damaged, or no log, or nothing
    in that time; 66: no such file; 74: the disk; 77: a file that this user may not read.
    """  # noqa: D301 - click takes this character for "leave these lines alone"
    path = log_path(ctx)
    # Late, so that help needs none of it.
    from tidegate.audit.auditor import audit, placed, stations_of
    from tidegate.audit.document import as_document
    from tidegate.cli.audit_text import lines
    from tidegate.cli.span import span_ms
    from tidegate.cli.zone import SystemZone

    names = _named(station, stations_of(path), path)
    if html is not None and len(names) > 1:
        raise click.UsageError(
            f"--html is of one station: name it: {visible(', '.join(names))}."
        )
    zone = SystemZone()
    audits = []
    for name in names:
        placing = placed(path, name)
        since_ms, until_ms = span_ms(since, until, end_ms=placing.end_ms, zone=zone)
        made = audit(
            path,
            name,
            since_ms=since_ms,
            until_ms=until_ms,
            placing=placing,
            progress=_progress if sys.stderr.isatty() else None,
        )
        audits.append(made)
        if html is not None:
            _write(made, path, html, zone, placing)
    if as_json:
        documents = [as_document(each) for each in audits]
        print_json(documents[0] if len(documents) == 1 else documents)
        return Code.DONE
    for place, made in enumerate(audits):
        if place:
            click.echo(f"\n{'-' * 79}\n")
        click.echo("\n".join(lines(made, zone)))
    return Code.DONE


def _named(station: str | None, known: tuple[str, ...], log: Path) -> list[str]:
    from tidegate.errors import LogEmpty

    if not known:
        raise LogEmpty(
            f"the cycle log {log} holds no station yet",
            remedy="Look again once a daemon has written to it.",
        )
    return picked(station, known, log)


def _write(made: Audit, log: Path, to: Path, zone: tzinfo, placing: Placing) -> None:
    from tidegate.report import audit_page

    audit_page.write(made, log, to, zone=zone, placing=placing)
    say(f"Wrote {to}.")


def _progress(share: float) -> None:
    end = "\r\x1b[K" if share >= 1 else ""
    click.echo(f"\r{100 * share:.0f} % of the log{end}", err=True, nl=False)
