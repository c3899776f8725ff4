"""Equal readings of a station become one row; so do equal rejections and failures.

Nothing here decides what is evidence: the shell says with ``apart`` that a reading
changed it, and such a reading gets a row of its own. For a replay the rows of a
station must stand in the order in which things happened, so whoever appends another
row of that station appends what ``flush`` returns first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from operator import attrgetter
from typing import Final

from tidegate.core.events import GaugeFailed
from tidegate.core.policy import MINUTE_MS
from tidegate.core.reading import Reading, Sample
from tidegate.cyclelog.record import battery_row, same_battery, whole
from tidegate.cyclelog.rows import (
    POWER_CODES,
    STATUS_CODES,
    BatteryRow,
    FailureRow,
    ReadingRow,
)

RUN_MS: Final = 15 * MINUTE_MS
_BAND_MV: Final = 20
_BAND_MC: Final = 500
_RAW_BYTES: Final = 4096
# All that a battery row says; most readings of a battery say the same.
_describes: Final = attrgetter(
    "present",
    "current_sign_trusted",
    "temperature_sensor",
    "full_charge_ah",
    "design_charge_ah",
    "cycle_count",
    "health",
    "pack",
    "flags",
    "claims",
)

ReadingRows = Sequence[BatteryRow | ReadingRow | FailureRow]


@dataclass(slots=True, kw_only=True)
class _Run:
    """Equal readings so far; they are put together once, when the run closes."""

    first: ReadingRow
    last: ReadingRow
    battery: BatteryRow
    sample: Sample
    raw: str | None
    reads: int = 1
    longest_gap_ms: int = 0

    def takes(self, row: ReadingRow, sample: Sample) -> bool:
        mine = self.first
        return (
            mine.why_not == row.why_not
            and mine.battery_status_code == row.battery_status_code
            and mine.external_power_code == row.external_power_code
            and _describes(self.sample) == _describes(sample)
            and (
                mine.why_not is not None
                or (
                    mine.soc_hundredths_percent == row.soc_hundredths_percent
                    and _near(mine.voltage_mv, row.voltage_mv, _BAND_MV)
                    and _near(mine.temperature_mc, row.temperature_mc, _BAND_MC)
                )
            )
        )

    def take(self, row: ReadingRow) -> None:
        gap_ms = row.boot_ms - self.last.boot_ms
        self.longest_gap_ms = max(self.longest_gap_ms, gap_ms)
        self.reads += 1
        self.last = row
        if self.raw is None:
            self.raw = row.raw

    def row(self) -> ReadingRow:
        """Return the first reading with, beside it, what is told of the last."""
        first, last = self.first, self.last
        if self.reads == 1:
            return first
        span_ms = last.boot_ms - first.boot_ms
        return replace(
            first,
            reads=self.reads,
            span_ms=span_ms,
            wall_slip_ms=last.wall_ms - first.wall_ms - span_ms,
            longest_gap_ms=self.longest_gap_ms,
            same_reads=last.same_reads,
            same_span_ms=last.same_span_ms,
            took_ms=last.took_ms,
            last_soc_hundredths_percent=None
            if last.why_not is None
            else last.soc_hundredths_percent,
            last_voltage_mv=last.voltage_mv,
            last_current_ma=last.current_ma,
            last_temperature_mc=last.temperature_mc,
            last_charge_mah=last.charge_mah,
            last_uptime_s=last.uptime_s,
            raw=self.raw,
        )


def _near(a: int | None, b: int | None, band: int) -> bool:
    if a is None or b is None:
        return a is b
    return abs(a - b) <= band


class ReadingRuns:
    """The open run of one station."""

    def __init__(self, station: str) -> None:
        self._station = station
        self._open: _Run | FailureRow | None = None
        self._described: BatteryRow | None = None
        self._kinds_shown: set[str] = set()
        self._since_ms: int | None = None

    def offer(
        self, reading: Reading, *, apart: bool, same_reads: int, same_since_ms: int
    ) -> ReadingRows:
        """Take a reading and return the rows that are complete by now.

        ``apart`` gives it a row of its own. The other two are the core's count of
        identical readings, this one included.
        """
        self._note(reading.at_ms)
        row = self._row(reading, same_reads=same_reads, same_since_ms=same_since_ms)
        run = self._open
        if not apart and isinstance(run, _Run) and run.takes(row, reading.sample):
            run.take(row)
            return []
        done = self._closed()
        self._open = _Run(
            first=row,
            last=row,
            battery=battery_row(reading, station=self._station),
            sample=reading.sample,
            raw=row.raw,
        )
        return [*done, *self._closed()] if apart else done

    def offer_failure(
        self,
        event: GaugeFailed,
        *,
        at_ms: int,
        wall_ms: int,
        apart: bool,
        text: str = "",
    ) -> ReadingRows:
        """Take a failed read, ``text`` what was said about it; as ``offer``."""
        self._note(at_ms)
        run = self._open
        if not apart and isinstance(run, FailureRow) and run.kind == event.kind:
            span_ms = at_ms - run.boot_ms
            self._open = replace(
                run,
                reads=run.reads + event.reads,
                span_ms=span_ms,
                wall_slip_ms=wall_ms - run.wall_ms - span_ms,
                longest_gap_ms=max(
                    run.longest_gap_ms, at_ms - run.boot_ms - run.span_ms
                ),
            )
            return []
        done = self._closed()
        self._open = FailureRow(
            boot_ms=at_ms,
            wall_ms=wall_ms,
            station=self._station,
            kind=event.kind,
            reads=event.reads,
            span_ms=0,
            wall_slip_ms=0,
            longest_gap_ms=0,
            text=self._first_of(f"failed {event.kind}", text),
        )
        return [*done, *self._closed()] if apart else done

    def flush(self) -> ReadingRows:
        """Close the open run and return its rows; call before any urgent commit."""
        self._since_ms = None
        return self._closed()

    def due(self, now_ms: int) -> bool:
        """Return whether something has waited for the log long enough."""
        return self._since_ms is not None and now_ms - self._since_ms >= RUN_MS

    @property
    def due_at_ms(self) -> int | None:
        """When ``due`` becomes true, ``None`` while nothing waits."""
        return None if self._since_ms is None else self._since_ms + RUN_MS

    def _note(self, at_ms: int) -> None:
        if self._since_ms is None:
            self._since_ms = at_ms

    def _closed(self) -> ReadingRows:
        run, self._open = self._open, None
        if run is None:
            return []
        if isinstance(run, FailureRow):
            return [run]
        if same_battery(self._described, run.battery):
            return [run.row()]
        self._described = run.battery
        return [run.battery, run.row()]

    def _row(
        self, reading: Reading, *, same_reads: int, same_since_ms: int
    ) -> ReadingRow:
        sample, why_not = reading.sample, reading.why_not
        return ReadingRow(
            boot_ms=reading.at_ms,
            wall_ms=reading.wall_ms,
            station=self._station,
            reads=1,
            span_ms=0,
            wall_slip_ms=0,
            longest_gap_ms=0,
            same_reads=same_reads,
            same_span_ms=reading.at_ms - same_since_ms,
            why_not=why_not,
            soc_hundredths_percent=whole(sample.soc_percent, 100),
            battery_status_code=STATUS_CODES.index(sample.battery_status),
            external_power_code=POWER_CODES.index(sample.external_power),
            voltage_mv=whole(sample.voltage_v, 1000),
            current_ma=whole(sample.current_a, 1000),
            temperature_mc=whole(sample.temperature_c, 1000),
            charge_mah=whole(sample.charge_ah, 1000),
            uptime_s=sample.uptime_s,
            took_ms=whole(sample.took_s, 1000) or 0,
            raw=None if why_not is None else self._first_of(why_not, sample.raw),
        )

    def _first_of(self, kind: str, text: str) -> str | None:
        if not text or kind in self._kinds_shown:
            return None
        self._kinds_shown.add(kind)
        return text.encode("utf-8", "backslashreplace")[:_RAW_BYTES].decode(
            "utf-8", "ignore"
        )
