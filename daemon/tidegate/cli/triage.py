"""``tidegate triage``: what to do next with a worn device."""

from __future__ import annotations

import sys
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click
from click.core import ParameterSource

from tidegate.cli.exits import Code, exit_code, fail
from tidegate.cli.options import (
    config_option,
    json_option,
    log_option,
    log_path,
    print_json,
    say,
    station_argument,
)
from tidegate.words import visible

if TYPE_CHECKING:
    from tidegate.triage.evidence import Evidence
    from tidegate.triage.form import FormError
    from tidegate.triage.inspection import Inspection
    from tidegate.triage.result import Triage

_FILE = click.Path(path_type=Path, dir_okay=False, readable=False)


@click.command()
@station_argument
@click.option(
    "--inspection",
    "form",
    type=click.Path(path_type=Path, readable=False),
    metavar="FILE",
    help="The form filled in; else the questions are asked at the terminal.",
)
@click.option(
    "--save",
    type=_FILE,
    metavar="FILE",
    help="Keep what is answered at the terminal in this new file, answer by answer.",
)
@log_option
@click.option(
    "--html",
    type=_FILE,
    metavar="FILE",
    help="Write the page as well: one sheet of A4 with lines to sign on.",
)
@click.option("--form", "prints_form", is_flag=True, help="Print an empty form.")
@click.option(
    "--many",
    type=click.Path(path_type=Path, readable=False),
    metavar="FILE",
    help="A CSV of many devices; its columns are the keys of the form, station, log, "
    "inspection.",
)
@click.option(
    "--pages",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="FOLDER",
    help="With --many: a page for each device and one that lists them all.",
)
@click.option("--csv", "as_csv", is_flag=True, help="With --many: print a CSV.")
@config_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    station: str | None,
    form: Path | None,
    save: Path | None,
    html: Path | None,
    many: Path | None,
    pages: Path | None,
    *,
    prints_form: bool,
    as_csv: bool,
    as_json: bool,
) -> int:
    """Say what to do next with a worn device, from an inspection and its log.

    The answer is one of: out of use at once, change the battery, battery eliminator,
    window, nothing needed. Any sign of swelling, heat at rest, smell, leak or damage by
    force outranks every number. A sign for which nobody has looked is a demand to look
    first, and the answer is then provisional.

    The log is a cycle log or a CSV made by hand, and may be left out. Without
    --inspection the questions are asked at the terminal, safety first.

    \b
        tidegate triage --form > hall.toml
        tidegate triage hall --inspection hall.toml --html hall.html
        tidegate triage --many museum.csv --pages binder

    Exit code 0: done; 1: out of use at once, or look first; 64: wrong usage, or no
    terminal to ask at; 65: form, list or log is not readable; 66: no such file; 74:
    the disk; 78: the settings are wrong. Where a log cannot be read, the answer is from
    the inspection alone.
    """  # noqa: D301 - click takes this character for "leave these lines alone"
    from tidegate.triage import form as forms

    if prints_form:
        click.echo(forms.empty_form(), nl=False)
        return Code.DONE
    _refuse_mixed(ctx, many)
    try:
        if many is not None:
            from tidegate.cli import triage_many

            return triage_many.run(many, pages, as_json=as_json, as_csv=as_csv)
        inspection = _inspection(ctx, station, form, save)
        triage, code = _judged(ctx, station, inspection, is_asked=form is None)
        _told(triage, html, as_json=as_json)
        return code
    except forms.FormError as error:
        return _told_of_form(error)


def _refuse_mixed(ctx: click.Context, many: Path | None) -> None:
    """Refuse options that mean nothing together. Errors: click.UsageError."""
    ours = ("station", "form", "save", "html")
    theirs = ("pages", "as_csv")
    given = {
        name
        for name in (*ours, *theirs, "log")
        if ctx.get_parameter_source(name) is ParameterSource.COMMANDLINE
    }
    if many is None and given & set(theirs):
        raise click.UsageError("--pages and --csv belong to --many.")
    if many is not None and given & {*ours, "log"}:
        raise click.UsageError(
            "--many takes its devices, forms and logs from the CSV alone."
        )
    if {"form", "save"} <= given:
        raise click.UsageError("--save keeps what is asked; --inspection asks nothing.")


def _told_of_form(error: FormError) -> Code:
    """Say what is wrong with a form, fault by fault."""
    from tidegate.triage.form import FormAbsent

    for line in str(error).splitlines():
        say(f"tidegate: {visible(line)}")
    return Code.NO_INPUT if isinstance(error, FormAbsent) else Code.DATA


# --- one device -----------------------------------------------------------------------


def _inspection(
    ctx: click.Context, station: str | None, form: Path | None, save: Path | None
) -> Inspection:
    """Return what was seen. Errors: FormError, click.UsageError, click.Abort, OSError."""
    if form is not None:
        return _of_form(station, form)
    _refuse_stranger(ctx, station)
    if not sys.stdin.isatty():
        raise click.UsageError(
            "Nobody is there to be asked: name the form with --inspection FILE; --form "
            "prints an empty one."
        )
    from tidegate.cli.triage_asking import asked

    return asked(station, date.today(), save)


def _of_form(station: str | None, form: Path) -> Inspection:
    from tidegate.triage.form import FormError, read_form

    try:
        found = read_form(form)
    except FormError as error:
        if not error.seen.signs():
            raise
        _told_of_form(error)  # a sign is not lost for another line
        found = error.seen
    if None not in (station, found.station) and station != found.station:
        raise click.UsageError(
            f"The inspection is of {visible(found.station or '')!r}, not of "
            f"{visible(station or '')!r}."
        )
    return found


def _judged(
    ctx: click.Context, station: str | None, inspection: Inspection, *, is_asked: bool
) -> tuple[Triage, Code]:
    """Return the answer and the exit code. Errors: click.UsageError."""
    from tidegate.triage.deciding import decided

    named = station or inspection.station
    seen = _Seen()
    if not inspection.signs():
        seen = _seen(ctx, named, inspection)
    elif not is_asked:
        # Who has just seen a sign at the terminal waits for no log.
        seen = _seen_beside_a_sign(ctx, named, inspection)
    triage = decided(
        inspection,
        seen.evidence,
        today=date.today(),
        station=named or seen.station,
        without_log=seen.why_not,
    )
    if triage.is_out:
        return triage, Code.NO
    if seen.code is not Code.DONE:
        return triage, seen.code
    return triage, Code.NO if triage.is_provisional else Code.DONE


def _told(triage: Triage, html: Path | None, *, as_json: bool) -> None:
    from tidegate.cli.zone import SystemZone
    from tidegate.report.cautions import CAUTIONS

    zone = SystemZone()
    if as_json:
        from tidegate.triage.document import as_document

        print_json(as_document(triage, CAUTIONS))
    else:
        from tidegate.cli.triage_text import lines

        click.echo("\n".join(lines(triage, zone)))
    if html is not None:
        from tidegate.report import triage_page

        triage_page.write(triage, html, zone=zone)
        say(f"Wrote {html}.")


# --- the log --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    """The evidence, or why there is none; ``code`` is that of what went wrong."""

    evidence: Evidence | None = None
    station: str | None = None
    why_not: str = ""
    code: Code = Code.DONE


def _refuse_stranger(ctx: click.Context, station: str | None) -> None:
    """Refuse a station that a named log does not have, before anything is asked.

    What else is wrong with a log is no reason not to ask. Errors: click.UsageError.
    """
    from tidegate.errors import LogError
    from tidegate.history import stations_in

    if ctx.get_parameter_source("log") is not ParameterSource.COMMANDLINE:
        return
    log = log_path(ctx)
    with suppress(LogError, OSError):
        _picked(station, stations_in(log), log, is_named=True)


def _seen(ctx: click.Context, station: str | None, inspection: Inspection) -> _Seen:
    """Return what the log says. Errors: click.UsageError for no such station in it."""
    from tidegate.errors import LogError, SettingsError, SettingsMissing

    try:
        return _read(ctx, station, inspection)
    except SettingsMissing:
        return _Seen(why_not="none was named, and there are no settings")
    except (LogError, SettingsError, OSError) as error:
        fail(error)  # what was answered is not lost for it
        why = " ".join(str(error).split())
        return _Seen(why_not=f"it cannot be read: {why}", code=exit_code(error))


def _read(ctx: click.Context, station: str | None, inspection: Inspection) -> _Seen:
    from tidegate.history import stations_in
    from tidegate.triage.seen import evidence

    is_named = ctx.get_parameter_source("log") is ParameterSource.COMMANDLINE
    log = log_path(ctx)
    if not is_named and not log.exists():
        return _Seen(why_not=f"the settings name {log}, and it is not there yet")
    found = _picked(station, stations_in(log), log, is_named=is_named)
    if isinstance(found, _Seen):
        return found
    (name,) = found
    made = evidence(
        log,
        name,
        design_ah=inspection.design_ah,
        progress=_progress if sys.stderr.isatty() else None,
    )
    return _Seen(evidence=made, station=name)


def _seen_beside_a_sign(
    ctx: click.Context, station: str | None, inspection: Inspection
) -> _Seen:
    """Return what the log says; whatever is wrong with it hides no sign."""
    try:
        return _seen(ctx, station, inspection)
    except click.UsageError as error:
        why = " ".join(str(error).split())
        say(f"tidegate: {visible(why)}")
        return _Seen(why_not=f"it was not read: {why}")


def _picked(
    station: str | None, known: tuple[str, ...], log: Path, *, is_named: bool
) -> tuple[str | None] | _Seen:
    """Return the station to read, or why none is. Errors: click.UsageError."""
    from tidegate.cli.logged import picked

    if not known:
        return (station,)
    if not is_named and station not in known:
        what = "no station was named" if station is None else f"it has no {station}"
        return _Seen(why_not=f"{what} in {log}")
    if station is None and len(known) > 1:
        raise click.UsageError(f"Name a station of {log}: {visible(', '.join(known))}.")
    return (picked(station, known, log)[0],)


def _progress(share: float) -> None:
    end = "\r\x1b[K" if share >= 1 else ""
    click.echo(f"\r{100 * share:.0f} % of the log{end}", err=True, nl=False)
