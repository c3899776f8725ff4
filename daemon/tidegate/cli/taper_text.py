"""The text of ``tidegate taper``, at 80 columns: the verdict first."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import tzinfo
from typing import Final

from tidegate.cli.paragraphs import wrapped
from tidegate.report.cautions import CAUTIONS
from tidegate.report.taper_rows import when
from tidegate.taper.evidence import Points
from tidegate.taper.finding import Finding, Judged
from tidegate.taper.meaning import confidence_said, headline, meaning, next_steps
from tidegate.taper.missing import missing
from tidegate.words import visible

WIDTH: Final = 79
_BAR: Final = 30
_WAYS: Final = {
    Points.TAPERS: "for a taper",
    Points.NOT: "against one",
    Points.NEITHER: "neither way",
}


def lines(finding: Finding, zone: tzinfo) -> Iterator[str]:
    """Yield the whole text; nothing in it commands a terminal."""
    for line in _lines(finding, zone):
        yield visible(line)


def _lines(finding: Finding, zone: tzinfo) -> Iterator[str]:
    yield from wrapped(headline(finding), WIDTH)
    if said := confidence_said(finding):
        yield from wrapped(said, WIDTH)
    if finding.best is not None:
        yield ""
        yield from _charge(finding, finding.best, zone)
        yield ""
        yield "Evidence"
        for each in finding.evidence:
            yield from _item(f"{_WAYS[each.points_to]}: {each.text}")
        yield from _others(finding)
    if lacks := missing(finding):
        yield ""
        yield "Missing"
        for lack in lacks:
            yield from _item(lack)
    yield ""
    yield "What it means"
    for text in (*meaning(finding), *next_steps(finding)):
        yield from _item(text)
    yield from _item(CAUTIONS[0])


def _charge(finding: Finding, best: Judged, zone: tzinfo) -> Iterator[str]:
    measured = best.measured
    charge = measured.charge
    many = finding.found
    one = "1 charge" if many == 1 else f"{many:,} charges, of which this one"
    yield from wrapped(
        f"{one}: {when(charge, zone, is_calendar=finding.series.is_calendar)}, from "
        f"{charge.start_percent:.0f} to {charge.top_percent:.0f} %.",
        WIDTH,
    )
    longest = max(part.hours for part in measured.curve.parts)
    yield f"  {'%':>7}  {'hours':>6}  {'% an hour':>9}" + (
        f"  {'A':>6}" if measured.by_current else ""
    )
    for part in measured.curve.parts:
        bar = "#" * max(1, round(_BAR * part.hours / longest))
        amps = "" if part.current_a is None else f"{part.current_a:6.2f}"
        told = f"  {amps:>6}" if measured.by_current else ""
        reach = f"{part.low_percent:.0f}-{part.high_percent:.0f}"
        yield (
            f"  {reach:>7}  {part.hours:6.2f}  {part.rate_percent_h:9.1f}{told}  {bar}"
        )


def _others(finding: Finding) -> Iterator[str]:
    if len(finding.charges) < 2:
        return
    ways = [_way(each) for each in finding.charges]
    counted = ", ".join(f"{ways.count(way)} {way}" for way in dict.fromkeys(ways))
    yield from _item(f"All {len(ways)} charges looked at: {counted}.")


def _way(each: Judged) -> str:
    if each.score > 0:
        return "for a taper"
    return "against one" if each.score < 0 else "neither way"


def _item(text: str) -> list[str]:
    return wrapped(text, WIDTH, first="- ", rest="  ")
