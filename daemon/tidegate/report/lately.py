"""The last hours of one station: from the end of its cycle log, and as it goes on.

Bounded: of a log only its last rows are read, and what is older than the time that is
kept is forgotten.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from tidegate.audit.rows import Run, head_of
from tidegate.core.policy import MINUTE_MS, Marks
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.rows import (
    LinkRow,
    ReadingRow,
    Row,
    RunRow,
    SettingsRow,
    StateRow,
)
from tidegate.report.story import InForce, Line, Span, Story, story_of

# Rows of all stations that are looked at: a second's work, and half a day of many.
ROWS_MOST: Final = 50_000
# A line is interrupted where nothing was seen for longer: four polls of 30 s.
GAP_MS: Final = 2 * MINUTE_MS


@dataclass(frozen=True, slots=True, kw_only=True)
class Sight:
    """A station as it was seen at one time, UTC in ms; ``read_ms`` is its reading's."""

    now_ms: int
    read_ms: int | None
    soc_percent: float | None
    temperature_c: float | None
    supply: str | None
    alarms: frozenset[str]
    marks: Marks | None
    floor_percent: float | None


def of_log(log: Path, station: str, *, since_ms: int) -> Story:
    """Return the last hours of a station as its log tells them. Errors: LogError."""
    offsets: dict[int, int] = {}
    with Reader(log) as reader:
        rows = _rows(reader, station, offsets)
        return story_of(rows, station, offsets=offsets, since_ms=since_ms)


def _rows(
    reader: Reader, station: str, offsets: dict[int, int]
) -> Iterator[tuple[int, Row | Run]]:
    """Yield the last rows, the settings that were in force before them first.

    The wall clock of a run's first row places all of that run.
    """
    last_id = head_of(reader).row
    after = max(0, last_id - ROWS_MOST)
    before = reader.settings_before(station, after + 1) if after else None
    if before is not None:
        yield after, before
    for entry in reader.rows(station, after=after, up_to=last_id):
        row = entry.row
        if isinstance(row, LinkRow | StateRow):
            continue
        if not offsets or isinstance(row, RunRow):
            offsets[entry.id] = row.wall_ms - row.boot_ms
        if isinstance(row, ReadingRow):
            yield entry.id, Run(*(getattr(row, name) for name in Run._fields))
        elif not isinstance(row, SettingsRow) or row.station == station:
            yield entry.id, row


class Lately:
    """Goes on with a story; ``told`` always reaches from ``keep_ms`` ago to now."""

    def __init__(
        self, station: str, *, keep_ms: int, told: Story | None = None
    ) -> None:
        self.told = Story(station=station) if told is None else told
        self._keep_ms = keep_ms

    def read_before(self, readings: Iterable[tuple[int, float]]) -> None:
        """Take time and charge of readings that may not yet be in the log.

        Between them there is no gap: equal ones are left out.
        """
        for place, (at_ms, soc_percent) in enumerate(readings):
            _add(self.told.soc, at_ms, soc_percent, is_near=place > 0)

    def take(self, sight: Sight) -> None:
        """Go on with what was seen just now."""
        told = self.told
        told.from_ms, told.until_ms = sight.now_ms - self._keep_ms, sight.now_ms
        if sight.read_ms is not None:
            if sight.soc_percent is not None:
                _add(told.soc, sight.read_ms, sight.soc_percent)
            if sight.temperature_c is not None:
                _add(told.heat, sight.read_ms, sight.temperature_c)
        self._supply(sight)
        self._in_force(sight)
        self._alarms(sight)
        self._forget(told.from_ms)

    def _supply(self, sight: Sight) -> None:
        spans = self.told.supply
        if sight.supply is None:
            return
        if spans and spans[-1].label == sight.supply:
            spans[-1] = replace(spans[-1], until_ms=sight.now_ms)
        else:
            spans.append(Span(sight.now_ms, sight.now_ms + 1, sight.supply))

    def _in_force(self, sight: Sight) -> None:
        if sight.floor_percent is None:
            return
        begun_ms, known = sight.now_ms, self.told.in_force
        if known:
            last = known[-1]
            behind = (last.marks, last.floor_percent)
            if behind == (sight.marks, sight.floor_percent):
                begun_ms = last.from_ms
                known.pop()
        known.append(
            InForce(
                from_ms=begun_ms,
                until_ms=sight.now_ms + 1,
                marks=sight.marks,
                floor_percent=sight.floor_percent,
            )
        )

    def _alarms(self, sight: Sight) -> None:
        now_ms, spans = sight.now_ms, self.told.alarms
        standing = {span.label for span in spans if span.stands}
        for place, span in enumerate(spans):
            if span.stands:
                stands = span.label in sight.alarms
                spans[place] = replace(span, until_ms=now_ms, stands=stands)
        for code in sorted(sight.alarms - standing):
            spans.append(Span(now_ms, now_ms + 1, code, stands=True))

    def _forget(self, before_ms: int) -> None:
        told = self.told
        for lines in (told.soc, told.heat):
            while lines and lines[0][-1][0] < before_ms:
                lines.pop(0)
            if lines:
                _forget_points(lines[0], before_ms)
        told.supply[:] = [each for each in told.supply if each.until_ms >= before_ms]
        told.alarms[:] = [each for each in told.alarms if each.until_ms >= before_ms]
        told.in_force[:] = [
            each for each in told.in_force if each.until_ms >= before_ms
        ]


def _add(lines: list[Line], at_ms: int, value: float, *, is_near: bool = False) -> None:
    """Add a point, or begin another line where nothing was seen for too long.

    ``is_near``: it is known that readings went on all the time between.
    """
    is_gap = not lines or (at_ms - lines[-1][-1][0] > GAP_MS and not is_near)
    if is_gap:
        lines.append([(at_ms, value)])
        return
    line = lines[-1]
    if at_ms <= line[-1][0]:
        return  # it is known already, from the log
    if len(line) > 1 and line[-1][1] == line[-2][1] == value:
        line[-1] = (at_ms, value)
    else:
        line.append((at_ms, value))


def _forget_points(line: Line, before_ms: int) -> None:
    """Keep one point before the time that is told, for the line to come from."""
    gone = 0
    while gone + 1 < len(line) and line[gone + 1][0] < before_ms:
        gone += 1
    del line[:gone]
