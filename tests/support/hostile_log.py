"""A small log of two years and two stations with everything that is hard to export.

Synthetic; no daemon would write most of it, but a file may hold it.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Final

from support import cyclelog_rows as make
from tidegate.cyclelog.rows import FailureRow, GapRow, OperatorRow, Row
from tidegate.cyclelog.schema import LARGEST, SMALLEST
from tidegate.cyclelog.writer import Writer
from tidegate.virtual import VirtualClock

NEW_YEAR_MS: Final = 1_798_761_600_000  # 2027-01-01 UTC
TEXTS: Final = (
    "tab\there, back\\slash, \"quotes\", 'single', line\nbreak",
    "\r\n",
    "lone\rreturn",
    "\\N",
    "",
    " leading and trailing ",
    "=1+1",
    "NULL",
    "25 °C, 電池, \N{GRINNING FACE}, e\N{COMBINING ACUTE ACCENT}",
    "\N{LINE SEPARATOR}\N{NEXT LINE}\N{ZERO WIDTH NO-BREAK SPACE}\x1b[31m\x7f",
    '"',
    "a,b",
    "\n" * 30,
    "x" * 200_000,
)


async def write(path: Path) -> Path:
    """Write the log; its first file is that of 2026."""
    clock = VirtualClock(boot_ms=100_000, wall_ms=NEW_YEAR_MS - 60_000)
    writer = Writer.open(path, clock=clock, threaded=False)
    for row in _ordinary():
        writer.append(_dated(row, clock))
    await writer.commit()
    clock.advance(120_000)
    for row in _hostile():
        writer.append(_dated(row, clock))
    await writer.commit()
    clock.advance(60_000)
    writer.append(_dated(make.run_end(), clock))
    await writer.close()
    return path


def _dated(row: Row, clock: VirtualClock) -> Row:
    return replace(row, boot_ms=clock.boot_ms(), wall_ms=clock.wall_ms())


def _ordinary() -> list[Row]:
    return [*make.some()[:-1], replace(make.settings(), station="hall")]


def _hostile() -> list[Row]:
    texts: list[Row] = []
    for text in TEXTS:
        texts.append(replace(make.battery(pack=text), health=text or None))
        texts.append(replace(make.reading(why_not="out_of_range"), raw=text))
        texts.append(make.alarm(station="hall", code=text))
    huge = [
        replace(
            make.reading(why_not="out_of_range"),
            station="hall",
            soc_hundredths_percent=value,
            voltage_mv=value,
            current_ma=value,
            temperature_mc=value,
            charge_mah=value,
            uptime_s=value,
        )
        for value in (LARGEST, SMALLEST, 0, -1, 9, -5, 99, 100, -1000, None)
    ]
    run = replace(
        make.reading(),
        reads=4,
        span_ms=90_000,
        longest_gap_ms=30_000,
        wall_slip_ms=-7,
        last_voltage_mv=3_820,
        last_current_ma=-300,
        last_temperature_mc=25_400,
    )
    others: list[Row] = [
        FailureRow(
            boot_ms=0,
            wall_ms=0,
            station="hall",
            kind="unavailable",
            reads=3,
            span_ms=60_000,
            wall_slip_ms=0,
            longest_gap_ms=30_000,
            text="no such device",
        ),
        OperatorRow(
            boot_ms=0,
            wall_ms=0,
            station="hall",
            action="prove",
            by="Ä. Fitter",
            because="",
        ),
        GapRow(
            boot_ms=0,
            wall_ms=0,
            station="",
            why="full",
            since_boot_ms=LARGEST,
            since_wall_ms=SMALLEST,
        ),
    ]
    return [*texts, *huge, run, *others]
