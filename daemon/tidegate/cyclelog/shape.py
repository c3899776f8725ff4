"""Rows that no daemon writes, whatever it met: their own columns contradict each other.

A run of equal readings makes one row, so what it leaves out must at least fit what it
says: so many reads cannot span more than the longest gap allows.
"""

from __future__ import annotations

from typing import Final

from tidegate.core.plausibility import SLOW_S
from tidegate.core.reading import WhyNot
from tidegate.cyclelog.rows import (
    POWER_CODES,
    STATUS_CODES,
    FailureRow,
    LinkRow,
    OutcomeRow,
    ReadingRow,
    Row,
)

_FULL: Final = 10_000
_SLOW_MS: Final = round(SLOW_S * 1_000)
# What a jump was is known only from the readings before it: alone it is plausible.
_PLAUSIBLE: Final = (None, WhyNot.JUMP.value)


def contradiction(row: Row | LinkRow) -> str | None:
    """Return why no daemon can have written a row, ``None`` where it may have."""
    if isinstance(row, ReadingRow):
        return _of_run(row) or _of_reading(row)
    if isinstance(row, OutcomeRow):
        is_one = row.succeeded is (row.error is None)
        return None if is_one else f"succeeded is {row.succeeded}, error {row.error}"
    return _of_run(row) if isinstance(row, FailureRow) else None


def _of_run(row: ReadingRow | FailureRow) -> str | None:
    if row.reads < 1 or row.span_ms < 0 or row.longest_gap_ms < 0:
        return f"{row.reads} reads in {row.span_ms} ms are none"
    gaps = row.reads - 1
    if isinstance(row, FailureRow):
        # One failure may stand for several reads, so their number bounds nothing.
        is_short = row.longest_gap_ms > row.span_ms
    else:
        is_short = not row.longest_gap_ms <= row.span_ms <= gaps * row.longest_gap_ms
    if is_short:
        return (
            f"{row.reads} reads with gaps of {row.longest_gap_ms} ms at most do not "
            f"span {row.span_ms} ms"
        )
    if not gaps and row.wall_slip_ms:
        return "the wall clock slips in a single read"
    return None


def _of_reading(row: ReadingRow) -> str | None:
    if not 0 <= row.battery_status_code < len(STATUS_CODES):
        return f"there is no battery status {row.battery_status_code}"
    if not 0 <= row.external_power_code < len(POWER_CODES):
        return f"there is no external power {row.external_power_code}"
    if row.same_reads < 0 or row.same_span_ms < 0:
        return f"{row.same_reads} same reads in {row.same_span_ms} ms are none"
    if row.reads == 1 and any(value is not None for value in _last(row)):
        return "a single reading has a last one"
    if row.why_not not in _PLAUSIBLE:
        return None
    soc = row.soc_hundredths_percent
    if soc is None or not 0 <= soc <= _FULL:
        return f"a level of {soc} hundredths of a percent is not rejected"
    if row.took_ms > _SLOW_MS:
        return f"a read of {row.took_ms} ms is not rejected"
    return None


def _last(row: ReadingRow) -> tuple[int | None, ...]:
    return (
        row.last_soc_hundredths_percent,
        row.last_voltage_mv,
        row.last_current_ma,
        row.last_temperature_mc,
        row.last_charge_mah,
        row.last_uptime_s,
    )
