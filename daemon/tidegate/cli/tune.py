"""``tidegate tune``: what another window, dwell or supply would do to a station."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from tidegate.cli import tune_apply, tune_question
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
    from tidegate.cli.tune_run import Tuned


@click.command()
@station_argument
@log_option
@click.option(
    "--autonomy",
    default="2h",
    show_default=True,
    metavar="TIME",
    help="How long the device must run from the low mark down to the floor, in the "
    "worst hour of the week: 90min, 2h.",
)
@click.option(
    "--relay-life",
    default="10y",
    show_default=True,
    metavar="YEARS",
    help="How long the contact must last.",
)
@click.option(
    "--max-window",
    default="80",
    show_default=True,
    metavar="PERCENT",
    help="The highest high mark.",
)
@click.option(
    "--supply",
    metavar="LIST",
    help="Other supplies to compare, by the current they give: 0.5A,1A,2A.",
)
@click.option(
    "--years",
    type=click.Choice(("1", "3", "5")),
    default="3",
    show_default=True,
    help="After how many years losses are compared.",
)
@html_option
@click.option(
    "--apply",
    "is_applied",
    is_flag=True,
    help="Set the recommended window and dwell, as `tidegate settings set` would. Asks "
    "first. The supply stays as it is.",
)
@click.option("--yes", is_flag=True, help="With --apply: do not ask.")
@config_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    station: str | None,
    autonomy: str,
    relay_life: str,
    max_window: str,
    supply: str | None,
    years: str,
    html: Path | None,
    *,
    is_applied: bool,
    yes: bool,
    as_json: bool,
) -> int:
    """Say what another charge window, dwell or supply would do, and recommend one.

    The device is learned from what was read of it: how fast its charge falls and rises
    by the hour of the week, its capacity, its heat, each with its uncertainty. Then a
    year of every candidate is reckoned: what each published model says that it costs
    after 1, 3 and 5 years against float at 100 %, hours of autonomy, switchings, relay
    life.

    Recommended is the candidate whose largest regret over the models is smallest among
    those that meet the constraints; nothing is averaged. Where nothing is better by
    more than the models can tell apart, the present settings stay.

    --log names a cycle log, or a CSV made by hand with the columns time, soc_percent
    and whatever else was read. A week tells most; a day tells a first guess.

    Examples of an invented museum: the wall guide in the hall; it must last a power
    cut of 4 hours; would a weaker supply be gentler? A page from a file made by hand;
    a recommendation set at once.

    \b
      tidegate tune hall
      tidegate tune hall --autonomy 4h
      tidegate tune hall --supply 0.5A,1A
      tidegate tune foyer --log foyer.csv --html foyer.html
      tidegate tune entrance --relay-life 15y --apply

    Exit code 0: done; 1: no candidate meets the constraints, or nothing to apply; 64:
    usage; 65: a log that is damaged or too short; 66: no such file; 69, 77: as the
    daemon answered --apply; 74: the disk; 78: the settings are wrong or would be.
    """  # noqa: D301 - click takes this character for "leave these lines alone"
    asked = tune_question.question(
        autonomy=autonomy, relay_life=relay_life, max_window=max_window, supply=supply
    )
    if yes and not is_applied:
        raise click.UsageError("--yes belongs to --apply.")
    if is_applied:
        tune_apply.refuse_early(ctx, station, yes=yes)
    # Late, so that help needs none of it.
    from tidegate.cli.tune_run import tuned

    found = tuned(
        ctx,
        log_path(ctx),
        station,
        asked=asked,
        years=int(years),
        is_supply_free=not is_applied,
        progress=_progress if sys.stderr.isatty() else None,
    )
    if html is not None:
        _write(found, html)
    if not as_json:
        _tell(found)
    document: dict[str, Any] | None = None
    if is_applied and found.choice.recommended is not None:
        document = tune_apply.applied(ctx, found, yes=yes)
    return _end(found, document, is_applied=is_applied, as_json=as_json)


def _end(
    found: Tuned,
    written: dict[str, Any] | None,
    *,
    is_applied: bool,
    as_json: bool,
) -> int:
    """Print what is left to be printed and return the exit code."""
    if as_json:
        from tidegate.tuning.document import as_document

        document = as_document(found.choice, found.device, found.advice)
        print_json({**document, "applied": written})
    elif written is not None:
        from tidegate.cli.settings_set import lines_of

        click.echo()
        for line in lines_of(written):
            click.echo(line)
    is_done = (
        written is not None if is_applied else found.choice.recommended is not None
    )
    return Code.DONE if is_done else Code.NO


def _tell(found: Tuned) -> None:
    from tidegate.cli.tune_text import lines

    for line in lines(found.choice, found.device, found.advice):
        click.echo(line)


def _write(found: Tuned, to: Path) -> None:
    from tidegate.report import tune_page

    text = tune_page.page(found.choice, found.device, found.advice, found.policy)
    # Whatever a station is called, it must not keep the page from being written.
    to.write_text(text, "utf-8", errors="replace")
    say(f"Wrote {to}.")


def _progress(share: float) -> None:
    end = "\r\x1b[K" if share >= 1 else ""
    click.echo(f"\r{100 * share:.0f} % of the candidates{end}", err=True, nl=False)
