"""What a cycle log tells of one station, as lines and spans to be drawn."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from tidegate.core.policy import Policy
from tidegate.core.reading import Supply
from tidegate.cyclelog.plain import from_plain
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.record import parsed
from tidegate.cyclelog.rows import (
    AlarmRow,
    EffectRow,
    Entry,
    FailureRow,
    GapRow,
    IntentRow,
    LinkRow,
    OutcomeRow,
    ReadingRow,
    Row,
    RunEndRow,
    RunRow,
    SettingsRow,
)
from tidegate.errors import LogError
from tidegate.report.placing import Placing, place

# A line is interrupted where nothing was read for longer than this many polls.
GAP_POLLS: Final = 4

Line = list[tuple[int, float]]


@dataclass(frozen=True, slots=True)
class Span:
    """From one time to another, UTC in ms. ``stands``: it was not over at the end."""

    from_ms: int
    until_ms: int
    label: str = ""
    stands: bool = False


@dataclass(slots=True, kw_only=True)
class Story:
    """One station over a time. ``soc`` and ``heat`` are lines without a gap.

    Points are (UTC ms, percent or °C). ``supply`` holds the spans in which it is
    known, labelled ``on`` or ``off``, ``alarms`` those of the codes they are
    labelled with. ``effects`` counts the verdicts: seen, missing, unknown.
    ``stepped_ms`` and ``delayed`` are those of ``Placing``.
    """

    station: str
    policy: Policy = field(default_factory=Policy)
    from_ms: int = 0
    until_ms: int = 1
    soc: list[Line] = field(default_factory=list)
    heat: list[Line] = field(default_factory=list)
    supply: list[Span] = field(default_factory=list)
    alarms: list[Span] = field(default_factory=list)
    effects: Counter[bool | None] = field(default_factory=Counter)
    switchings: int = 0
    readings: int = 0
    rejected: int = 0
    failed: int = 0
    lost_rows: int = 0
    rows: int = 0
    stepped_ms: int = 0
    delayed: int = 0
    head: str = ""


def story(log: Path, station: str) -> Story:
    """Return the story of a station. Errors: LogError, also where it has no rows."""
    with Reader(log) as reader:
        placing = place(reader.history(station))
        teller = _Teller(station, placing)
        teller.tell(reader.history(station))
        teller.told.head = reader.tail.link
    if not teller.knows_station:
        raise LogError(
            f"the cycle log {log} holds nothing about a station {station!r}",
            remedy="Name a station of that log.",
        )
    return teller.told


class _Teller:
    """Walks the rows once and fills a story."""

    def __init__(self, station: str, placing: Placing) -> None:
        self.told = Story(
            station=station, stepped_ms=placing.stepped_ms, delayed=placing.delayed
        )
        self.knows_station = False
        self._offsets = placing.offsets
        self._offset_ms = 0
        self._first_ms: int | None = None
        self._last_ms = 0
        self._commanded = Supply.ON.value
        self._supply: tuple[str, int] | None = None
        self._intents: dict[int, IntentRow] = {}
        self._standing: dict[str, int] = {}

    def tell(self, entries: Iterable[Entry]) -> None:
        """Take all rows, in the order of the log."""
        for entry in entries:
            if isinstance(entry.row, LinkRow):
                continue
            self._offset_ms = self._offsets.get(entry.id, self._offset_ms)
            self.told.rows += 1
            self._take(entry.id, entry.row)
            self._seen(self._at(entry.row))
        self._end()

    def _at(self, row: Row) -> int:
        return row.boot_ms + self._offset_ms

    def _seen(self, at_ms: int) -> None:
        self._first_ms = at_ms if self._first_ms is None else self._first_ms
        self._last_ms = max(self._last_ms, at_ms)

    def _take(self, row_id: int, row: Row) -> None:
        told = self.told
        match row:
            case SettingsRow():
                self.knows_station = True
                told.policy = from_plain(Policy, parsed(row.policy))
            case ReadingRow():
                self._reading(row)
            case FailureRow():
                told.failed += row.reads
            case IntentRow():
                self._intents[row_id] = row
            case OutcomeRow():
                self._outcome(row)
            case EffectRow():
                told.effects[row.seen] += 1
            case AlarmRow():
                self._alarm(row)
            case GapRow():
                told.lost_rows += row.dropped_rows
            # Nobody says what the supply does while no daemon runs.
            case RunEndRow():
                self._know_supply(None, self._at(row))
            case RunRow():
                self._know_supply(None, self._last_ms)

    # --- readings ---------------------------------------------------------------------

    def _reading(self, row: ReadingRow) -> None:
        told = self.told
        told.readings += row.reads
        first_ms = self._at(row)
        last_ms = first_ms + row.span_ms
        self._seen(last_ms)
        if row.why_not is not None or row.soc_hundredths_percent is None:
            told.rejected += row.reads
            return
        soc = row.soc_hundredths_percent / 100
        most_ms = GAP_POLLS * told.policy.poll_ms
        # Equal readings make one row; what was read between them is in it.
        within_ms = row.span_ms if row.longest_gap_ms <= most_ms else most_ms
        _point(told.soc, first_ms, soc, most_ms=most_ms)
        _point(told.soc, last_ms, soc, most_ms=within_ms)
        if row.temperature_mc is not None:
            _point(told.heat, first_ms, row.temperature_mc / 1000, most_ms=most_ms)
        if row.last_temperature_mc is not None:
            celsius = row.last_temperature_mc / 1000
            _point(told.heat, last_ms, celsius, most_ms=within_ms)

    # --- supply and alarms ------------------------------------------------------------

    def _outcome(self, row: OutcomeRow) -> None:
        intent = self._intents.pop(row.intent, None)
        if intent is None or not row.succeeded:
            return
        if intent.supply != self._commanded:
            self.told.switchings += 1
            self._commanded = intent.supply
        self._know_supply(intent.supply, self._at(row))

    def _know_supply(self, supply: str | None, at_ms: int) -> None:
        if self._supply is not None:
            before, since_ms = self._supply
            if before == supply:
                return
            self.told.supply.append(Span(since_ms, max(at_ms, since_ms), before))
        self._supply = None if supply is None else (supply, at_ms)

    def _alarm(self, row: AlarmRow) -> None:
        """An alarm outlives a run: the next one clears it, or leaves it standing."""
        if row.raised:
            self._standing.setdefault(row.code, self._at(row))
        elif row.code in self._standing:
            since_ms = self._standing.pop(row.code)
            self.told.alarms.append(Span(since_ms, self._at(row), row.code))

    def _end(self) -> None:
        told = self.told
        self._know_supply(None, self._last_ms)
        told.alarms += [
            Span(since_ms, self._last_ms, code, stands=True)
            for code, since_ms in self._standing.items()
        ]
        told.alarms.sort(key=lambda span: (span.from_ms, span.label))
        told.from_ms = self._first_ms or 0
        told.until_ms = max(self._last_ms, told.from_ms + 1)


def _point(lines: list[Line], at_ms: int, value: float, *, most_ms: int) -> None:
    """Add a point; a distance of more than ``most_ms`` begins another line."""
    if not lines or at_ms - lines[-1][-1][0] > most_ms:
        lines.append([])
    line = lines[-1]
    if len(line) > 1 and line[-1][1] == value == line[-2][1]:
        line[-1] = (at_ms, value)
    elif not line or line[-1] != (at_ms, value):
        line.append((at_ms, value))
