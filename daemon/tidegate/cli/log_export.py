"""``tidegate log export``: the cycle log for other programs, or a copy of it."""

from __future__ import annotations

import io
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from tidegate.cli.exits import Code
from tidegate.cli.logged import stations_named
from tidegate.cli.options import (
    config_option,
    json_option,
    log_option,
    log_path,
    print_json,
    station_argument,
)
from tidegate.words import visible

if TYPE_CHECKING:
    from tidegate.cyclelog.export.source import Progress, Selection, Source, Tally
    from tidegate.cyclelog.verify import Verdict
    from tidegate.cyclelog.whole import WholeLog

FORMATS: Final = ("csv", "jsonl", "parquet", "db")
STDOUT: Final = Path("-")


@click.command()
@station_argument
@log_option
@click.option(
    "--format",
    "form",
    type=click.Choice(FORMATS),
    required=True,
    help="csv and parquet: a folder with a file a table; jsonl: one file; db: a copy.",
)
@click.option(
    "--to",
    type=click.Path(path_type=Path),
    metavar="PATH",
    required=True,
    help="Where it goes; - is stdout, for jsonl, without its schema.",
)
@click.option("--since", metavar="TIME", help="Only from then on; see below.")
@click.option("--until", metavar="TIME", help="Only up to then.")
@click.option("--force", is_flag=True, help="Let what an earlier export made give way.")
@config_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    station: str | None,
    form: str,
    to: Path,
    since: str | None,
    until: str | None,
    *,
    force: bool,
    as_json: bool,
) -> int:
    """Export the cycle log: CSV, JSON Lines, Parquet, or a consistent copy.

    \b
        tidegate log export --format csv --to guides
        tidegate log export hall --format parquet --to hall --since 30d
        tidegate log export --format jsonl --to - | less
        tidegate log export --format db --to /mnt/copy/cycles.db

    Every row of the log is a row here, past files first, with its id, its times as UTC
    and as in the log, and its unit in the name of the column. Equal readings are one
    row with first and last, as in the log. The schema lies beside it: csv-metadata.json
    (CSV on the Web), PATH.schema.json (JSON Schema of a line), schema.json (Parquet).
    It names tidegate's version and the head of the log, so that a line can be traced.
    The replay gauge plays reading.csv.

    With STATION the rows that belong to no station, such as runs and links, stay.
    A time selects rows by the wall clock that they were written with.

    db copies the whole log and its past files, while a daemon writes it too, and
    verifies the copy. Its head is printed: who keeps it, or the copy, has an anchor.

    TIME is a date (its first moment for --since, its last for --until), a date and time
    (local, or with Z), or a length back from the end of the log, such as 30d.

    Nothing is left of an export that is interrupted, or that the disk does not take.
    What is there already gives way to --force only, and a log never does.

    Exit code 0: done; 1: the copy is done, and the log in it is not as written; 64:
    usage, or PATH is taken; 65: no log, or none that can be read; 66: no such file;
    69: Parquet without DuckDB; 74: the disk; 77: not permitted.
    """  # noqa: D301 - click takes this character for "leave these lines alone"
    to = _refuse_nonsense(
        form, to, station=station, times=(since, until), as_json=as_json
    )
    path = log_path(ctx)
    # Late, so that help needs none of it.
    from tidegate.cyclelog.export.source import Source
    from tidegate.cyclelog.export.target import TargetTaken
    from tidegate.cyclelog.whole import opened_whole

    try:
        with opened_whole(path) as log:
            if form == "db":
                return _copied(log, to, force=force, as_json=as_json)
            if station is not None:
                stations_named(log, station)
            source = Source(log=log, selection=_selection(log, station, since, until))
            return _written(source, form, to, force=force, as_json=as_json)
    except TargetTaken as error:
        raise click.UsageError(str(error)) from error


def _refuse_nonsense(
    form: str,
    to: Path,
    *,
    station: str | None,
    times: tuple[str | None, str | None],
    as_json: bool,
) -> Path:
    """Return where it goes, under a name of its own. Errors: click.UsageError."""
    if to == STDOUT and form != "jsonl":
        raise click.UsageError(
            f"--to - is for --format jsonl, {form} is more than one."
        )
    if to == STDOUT and as_json:
        raise click.UsageError(
            "--json would stand among the rows: name a file with --to."
        )
    if form == "db" and (station is not None or any(times)):
        raise click.UsageError(
            "A copy is of the whole log, or its links would not hold: leave out STATION, "
            "--since and --until."
        )
    named = to if to.name not in ("", "..") else to.resolve()
    if not named.name:
        raise click.UsageError(f"--to {to} has no name that an export could take.")
    return named


def _selection(
    log: WholeLog, station: str | None, since: str | None, until: str | None
) -> Selection:
    from tidegate.cli.span import span_ms
    from tidegate.cli.zone import SystemZone
    from tidegate.cyclelog.export.source import Selection

    since_ms, until_ms = span_ms(
        since, until, end_ms=log.end_wall_ms, zone=SystemZone()
    )
    return Selection(station=station, since_ms=since_ms, until_ms=until_ms)


def _written(source: Source, form: str, to: Path, *, force: bool, as_json: bool) -> int:
    from tidegate.cyclelog.export import lines, parquet
    from tidegate.cyclelog.export.documents import origin

    if to == STDOUT:
        if isinstance(sys.stdout, io.TextIOWrapper):
            sys.stdout.reconfigure(encoding="utf-8", newline="")
        lines.write_json(source, sys.stdout)
        return Code.DONE
    writers: dict[str, Callable[..., Tally]] = {
        "csv": lines.csv_folder,
        "jsonl": lines.json_lines,
        "parquet": parquet.parquet_folder,
    }
    with _progress() as progress:
        tally = writers[form](source, to, force=force, progress=progress)
    if as_json:
        print_json({"to": str(to), "format": form, **origin(source, tally)})
    else:
        click.echo("\n".join(map(visible, _came_to(source, tally, to))))
    return Code.DONE


def _came_to(source: Source, tally: Tally, to: Path) -> Iterator[str]:
    head, last = source.log.head, source.log.last.path
    yield f"Wrote {tally.count} rows of {last} to {to}:"
    rows = ", ".join(f"{table} {count}" for table, count in tally.rows.items() if count)
    yield f"  {rows or 'none'}"
    if head.number:
        at = f"link {head.number} of {last.name}, row {head.last_id}"
        yield f"Head of the log: {head.link} ({at})"


def _copied(log: WholeLog, to: Path, *, force: bool, as_json: bool) -> int:
    from tidegate.cyclelog.export.duplicate import duplicate

    with _progress() as progress:
        verdict = duplicate(log, to, force=force, progress=progress)
    if as_json:
        print_json(_document(verdict, to))
    else:
        click.echo("\n".join(map(visible, _said(verdict, to))))
    return Code.DONE if verdict.fault is None else Code.NO


def _document(verdict: Verdict, to: Path) -> dict[str, Any]:
    from tidegate.cli.log_verify import as_document

    checked = as_document(verdict)
    keys = ("ok", "rows", "links", "first_fault")
    head = checked["head"]
    # The copy was verified under the same names in another place.
    return {
        "to": str(to),
        "format": "db",
        **{key: checked[key] for key in keys},
        "head": None if head is None else {**head, "file": _beside(head["file"], to)},
        "files": [_beside(each["file"], to) for each in checked["files"]],
        "set_aside": [_beside(each, to) for each in checked["set_aside"]],
    }


def _beside(file: str, to: Path) -> str:
    return str(to.with_name(Path(file).name))


def _said(verdict: Verdict, to: Path) -> list[str]:
    from tidegate.cli.log_verify import as_text

    names = ", ".join(each.path.name for each in verdict.files)
    return [f"Copied {names} to {to.parent}.", *as_text(verdict)]


@contextmanager
def _progress() -> Iterator[Progress | None]:
    """Give what shows the progress at a terminal; its line is gone at the end."""
    if not sys.stderr.isatty():
        yield None
        return
    try:
        yield shown
    finally:  # an error needs a clean line as well
        click.echo("\r\x1b[K", err=True, nl=False)


def shown(done: int, about: int) -> None:
    """Show how far an export is, over what was shown before."""
    click.echo(f"\r{done} of about {about}\x1b[K", err=True, nl=False)
