"""The trusted readings of a station in a cycle log, its past files included.

Only the columns that are wanted are asked of SQLite: a year holds a hundred thousand
readings, and making each the whole row that it is takes several times as long.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from tidegate.audit.given import last_set, set_of
from tidegate.audit.levels import GAP_POLLS
from tidegate.audit.rows import head_of, refuse_odd, settings_of
from tidegate.core.reading import BatteryStatus, ExternalPower
from tidegate.cyclelog.boots import place_log
from tidegate.cyclelog.placing import Placing
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.rows import POWER_CODES, STATUS_CODES, BatteryRow, ReadingRow
from tidegate.cyclelog.schema import TABLE_OF
from tidegate.errors import LogEmpty
from tidegate.history.coasts import Commands
from tidegate.history.series import Coast, Point, Series

_READINGS: Final = TABLE_OF[ReadingRow].name
_PACKS: Final = TABLE_OF[BatteryRow].name
# The value at the end of a run is its own where the log has one.
_ENDS: Final = ("voltage_mv", "current_ma", "temperature_mc", "charge_mah")
_COLUMNS: Final = ", ".join(
    f'"{name}"'
    for name in (
        *("id", "boot_ms", "span_ms", "longest_gap_ms", "soc_hundredths_percent"),
        *("external_power_code", "battery_status_code", *_ENDS),
        *(f"last_{name}" for name in _ENDS),
    )
)
_FED: Final = {ExternalPower.YES: True, ExternalPower.NO: False}
_POWERS: Final = tuple(_FED.get(ExternalPower(code)) for code in POWER_CODES)
_STATUSES: Final = tuple(BatteryStatus(code) for code in STATUS_CODES)


def from_log(path: Path, station: str) -> Series:
    """Return the readings of a station.

    Errors: LogAbsent; LogUnreadable for a damaged log, LogEmpty where it holds no
    trusted reading of the station; LogError.
    """
    with Reader(path) as reader:
        refuse_odd(reader)
        placing = place_log(reader, station)
        up_to = head_of(reader).row
        given = last_set(reader, station, placing, until_ms=None, up_to=up_to)
        polls = [
            set_of(row).policy.poll_ms
            for _, row in settings_of(reader, station, up_to=up_to)
        ]
        poll_ms = max(polls, default=0)
        drawn = _Drawn(placing, most_ms=GAP_POLLS * poll_ms)
        commands = Commands(placing) if given.policy.gauge_needs_supply else None
        for each in (*reader.past, path):
            with Reader(each) as file:
                drawn.take(file, station, up_to=up_to)
                if commands is not None:
                    with file.at_one_moment() as connection:
                        commands.take(connection, station, up_to=up_to)
    if not drawn.points:
        raise LogEmpty(
            f"the cycle log {path} holds no trusted reading of a station {station!r}",
            remedy="Name a station of that log, or look again once it was read.",
        )
    coasts, breaks = _coasts(commands, drawn, poll_ms=poll_ms)
    return Series(
        station=station,
        path=path,
        points=tuple(drawn.points),
        breaks=breaks,
        is_whole=drawn.is_whole,
        sign_is_trusted=drawn.sign_is_trusted,
        is_calendar=True,
        is_log=True,
        step_s=(polls[-1] if polls else given.policy.poll_ms) / 1000,
        given=given,
        sensor=drawn.sensor,
        coasts=coasts,
    )


def _coasts(
    commands: Commands | None, drawn: _Drawn, *, poll_ms: int
) -> tuple[tuple[Coast, ...], tuple[int, ...]]:
    """Return the coasts, and the breaks with one wherever the supply was off unread."""
    if commands is None:
        return (), tuple(drawn.breaks)
    coasts = commands.coasts(drawn.points, poll_ms=poll_ms)
    unread = {
        place
        for place in commands.unread(drawn.points)
        if drawn.points[place].is_fed is not False
    }
    places = {each.place for each in coasts}
    return coasts, tuple(sorted({*drawn.breaks, *unread, *places}))


class _Drawn:
    """The points so far, and before which of them something was not seen."""

    def __init__(self, placing: Placing, *, most_ms: int) -> None:
        self.points: list[Point] = []
        self.breaks: list[int] = []
        self.is_whole = True
        self.sign_is_trusted = False
        self.sensor: str | None = None
        self._boots = sorted(placing.offsets.items(), reverse=True)
        self._offset_ms = 0
        self._most_ms = most_ms
        self._pack: str | None = None
        self._is_broken = False

    def take(self, reader: Reader, station: str, *, up_to: int) -> None:
        """Take the readings of one file."""
        with reader.at_one_moment() as connection:
            packs = connection.execute(
                'SELECT "id", "current_sign_trusted", "pack", "temperature_sensor" '
                f'FROM "{_PACKS}" WHERE "station" = ? AND "id" <= ? ORDER BY "id"',
                (station, up_to),
            ).fetchall()
            rows = connection.execute(
                f'SELECT {_COLUMNS} FROM "{_READINGS}" WHERE "station" = ? '
                'AND "why_not" IS NULL AND "soc_hundredths_percent" IS NOT NULL '
                'AND "id" <= ? ORDER BY "id"',
                (station, up_to),
            )
            self._rows(rows, packs[::-1])

    def _rows(
        self, rows: Iterator[Any], packs: list[tuple[int, int, str, str]]
    ) -> None:
        for row_id, boot_ms, span_ms, gap_ms, soc, power, status, *rest in rows:
            while self._boots and self._boots[-1][0] <= row_id:
                self._offset_ms = self._boots.pop()[1]
                self._is_broken = True
            while packs and packs[-1][0] <= row_id:
                self._battery(*packs.pop()[1:])
            if soc % 100:
                self.is_whole = False
            fed, said = _POWERS[power], _STATUSES[status]
            at_ms = boot_ms + self._offset_ms
            firsts, lasts = rest[:4], rest[4:]
            self._add(at_ms, soc, firsts, (fed, said))
            if span_ms > 0:
                ends = [
                    first if last is None else last
                    for first, last in zip(firsts, lasts, strict=True)
                ]
                self._is_broken = gap_ms > self._most_ms
                self._add(at_ms + span_ms, soc, ends, (fed, said), is_run=True)

    def _battery(
        self, sign_is_trusted: int, pack: str | None, sensor: str | None
    ) -> None:
        self.sign_is_trusted = bool(sign_is_trusted)
        self.sensor = sensor or self.sensor
        if pack is not None:
            self._is_broken |= self._pack not in (None, pack)
            self._pack = pack

    def _add(
        self,
        at_ms: int,
        soc: int,
        measured: list[int | None],
        state: tuple[bool | None, BatteryStatus],
        *,
        is_run: bool = False,
    ) -> None:
        last_ms = self.points[-1].at_ms if self.points else at_ms
        # The order of the log is certain, whatever the times in it say.
        at_ms = max(at_ms, last_ms)
        is_apart = not is_run and at_ms - last_ms > self._most_ms
        if self.points and (is_apart or self._is_broken):
            self.breaks.append(len(self.points))
        self._is_broken = False
        volts, ampere, celsius, charge = (
            None if each is None else each / 1000 for each in measured
        )
        soc_percent = min(max(soc / 100, 0.0), 100.0)
        self.points.append(
            Point(at_ms, soc_percent, volts, ampere, celsius, charge, *state)
        )
