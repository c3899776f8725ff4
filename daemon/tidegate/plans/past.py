"""The charge rates of a station from its readings in the cycle log."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from tidegate.core.policy import DAY_MS
from tidegate.core.reading import BatteryStatus, ExternalPower
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.rows import POWER_CODES, STATUS_CODES, ReadingRow
from tidegate.errors import LogError, LogUnreadable
from tidegate.plans.rates import LEARNED_DAYS, Rates, Seen

# A station writes some 300 rows of readings a day.
AT_MOST_ROWS: Final = 10_000
# A year and a schema can turn within 14 days.
_PAST_FILES: Final = 2


def may_charge(status: BatteryStatus, power: ExternalPower) -> bool:
    """Return whether a level that rises here rises by charging."""
    if status is BatteryStatus.UNKNOWN:
        return power is ExternalPower.YES
    return status is BatteryStatus.CHARGING and power is not ExternalPower.NO


def rates_of_log(path: Path, station: str, wall_ms: int) -> Rates:
    """Return what the last 14 days of the log show. Errors: LogError."""
    rates = Rates()
    since_ms = wall_ms - LEARNED_DAYS * DAY_MS
    for row in _lately(path, station, since_ms):
        for seen in _seen(row):
            rates.take(seen)
    return rates


def _lately(path: Path, station: str, since_ms: int) -> list[ReadingRow]:
    """Return the rows since then, of past files too if a new one was begun since."""
    with Reader(path) as reader:
        found = _rows(reader, station, since_ms)
        past = reader.past[-_PAST_FILES:]
    for before in reversed(past):
        if found and found[0].wall_ms < since_ms + DAY_MS:
            break
        try:
            with Reader(before) as reader:
                found = _rows(reader, station, since_ms) + found
        except LogError:
            break  # what came before it is not known, and what came after it is
    return found


def _rows(reader: Reader, station: str, since_ms: int) -> list[ReadingRow]:
    return reader.readings_lately(station, since_wall_ms=since_ms, at_most=AT_MOST_ROWS)


def _seen(row: ReadingRow) -> list[Seen]:
    """Return the first and the last of a run of equal readings."""
    if row.why_not is not None or row.soc_hundredths_percent is None:
        return []
    try:
        status = BatteryStatus(STATUS_CODES[row.battery_status_code])
        power = ExternalPower(POWER_CODES[row.external_power_code])
    except (ValueError, IndexError) as error:
        raise LogUnreadable(
            f"the cycle log holds a reading that cannot be ({error})",
            remedy="It was written by another version, or altered.",
        ) from error
    slips = ((0, 0), (row.span_ms, row.wall_slip_ms))
    return [
        Seen(
            at_ms=row.boot_ms + span_ms,
            wall_ms=row.wall_ms + span_ms + slip_ms,
            soc_percent=row.soc_hundredths_percent / 100,
            is_charging=may_charge(status, power),
        )
        for span_ms, slip_ms in slips[: 1 if row.reads == 1 else 2]
    ]
