"""``tidegate demo``: a week of the real daemon on a twin, and what came of it."""

from __future__ import annotations

import shutil
import sys
import textwrap
from datetime import timedelta, timezone
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from tidegate.cli.exits import Code
from tidegate.cli.options import json_option, print_json, say

if TYPE_CHECKING:
    from tidegate.demo import Outcome
    from tidegate.report.story import Span

# Names of the demo's own: whatever folder it is given, no daemon's log gives way.
LOG_NAME: Final = "museum.db"
REPORT_NAME: Final = "museum.html"
DAYS_MOST: Final = 366
WIDTH_MOST: Final = 100


@click.command()
@click.option(
    "--days",
    type=click.IntRange(1, DAYS_MOST),
    default=7,
    show_default=True,
    help="How many days of virtual time.",
)
@click.option(
    "--seed", type=int, default=1, show_default=True, help="Another week of its kind."
)
@click.option(
    "--folder",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("demo"),
    show_default=True,
    help="Where the cycle log and the report go; those of an earlier demo give way.",
)
@json_option
def command(days: int, seed: int, folder: Path, *, as_json: bool) -> int:
    """Run the real daemon on a simulated wall guide of a museum, in virtual time.

    Everything about the device is invented. Ends with a summary, a cycle log and a
    report that opens in any browser.
    """
    from tidegate import notice
    from tidegate.demo import Demo, clear
    from tidegate.report import write_report
    from tidegate.twin.museum import INVENTED, STATION, Museum

    notice.configure(level="error")
    folder.mkdir(parents=True, exist_ok=True)
    log, report = folder / LOG_NAME, folder / REPORT_NAME
    clear(log)
    # Before the run, so that a file that cannot be written is known at once.
    report.write_text("", encoding="utf-8")
    museum = Museum(days=days, seed=seed)
    say(INVENTED)
    outcome = Demo(museum, log, progress=Progress(days)).run()
    zone = timezone(timedelta(hours=museum.utc_offset_h))
    write_report(log, STATION, report, zone=zone, remark=INVENTED)
    if as_json:
        print_json(outcome.as_document(report))
    else:
        click.echo("\n".join(_summary(outcome, report, zone)))
    return Code.DONE


class Progress:
    """Says on stderr which day it is: in place on a terminal, else a line a day."""

    def __init__(self, days: int) -> None:
        self._days = days
        self._said = -1

    def __call__(self, day: float) -> None:
        if sys.stderr.isatty():
            end = "\n" if day >= self._days else ""
            click.echo(f"\rday {day:5.2f} of {self._days}{end}", err=True, nl=False)
        elif int(day) > self._said:
            self._said = int(day)
            say(f"day {self._said} of {self._days}")


def _summary(outcome: Outcome, report: Path, zone: timezone) -> list[str]:
    kept = outcome.kept
    return [
        *_wrapped(_verdict(outcome)),
        "",
        f"  time that does not count  {kept.excluded_hours:.1f} h "
        "(no mains, heat, cold, or no gauge)",
        f"  switchings                {outcome.told.switchings}",
        f"  lowest charge             {_percent(kept.lowest_soc_percent)}",
        f"  highest charge            {_percent(kept.highest_soc_percent)}",
        f"  equivalent full cycles    {kept.equivalent_full_cycles:.2f}",
        "",
        "Alarms:" if outcome.told.alarms else "No alarms.",
        *(
            line
            for each in outcome.told.alarms
            for line in _wrapped(_alarm(each, zone), 2)
        ),
        "",
        *_wrapped(
            "Charge and cycles count from the first time in the window on. All data "
            "are invented."
        ),
        "",
        f"Cycle log: {outcome.log}",
        f"Report:    {report}",
    ]


def _verdict(outcome: Outcome) -> str:
    low, high = outcome.marks.low_percent, outcome.marks.high_percent
    span = "one day" if outcome.museum.days == 1 else f"{outcome.museum.days} days"
    window = f"its window of {low:g} to {high:g} %"
    if outcome.kept.counted_s == 0:
        return f"Over {span} the battery did not come into {window}."
    return (
        f"Over {span} the battery was in {window} for "
        f"{outcome.kept.in_window_percent:.1f} % of the time from its first entry on."
    )


def _percent(value: float | None) -> str:
    return "none" if value is None else f"{value:.1f} %"


def _alarm(span: Span, zone: timezone) -> str:
    from tidegate.report.axis import minute
    from tidegate.report.finding import lasted
    from tidegate.words import alarm_text

    over = "" if span.stands else "over after "
    when = f"{minute(span.from_ms, zone)}, {over}{lasted(span)}"
    return f"{when}: {alarm_text(span.label)} ({span.label})"


def _wrapped(text: str, indent: int = 0) -> list[str]:
    width = min(shutil.get_terminal_size().columns, WIDTH_MOST)
    return textwrap.wrap(
        text,
        max(width, 40),
        initial_indent=" " * indent,
        subsequent_indent=" " * 2 * indent,
        break_long_words=False,
        break_on_hyphens=False,
    )
