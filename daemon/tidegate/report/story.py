"""What a cycle log tells of one station, as lines and spans to be drawn."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

from tidegate.audit.given import plan_of
from tidegate.audit.rows import Run, head_of, rows_of
from tidegate.core.policy import Marks, Policy
from tidegate.core.reading import Supply
from tidegate.cyclelog.boots import place_log
from tidegate.cyclelog.placing import Placing
from tidegate.cyclelog.plain import from_plain
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.record import parsed
from tidegate.cyclelog.rows import (
    AlarmRow,
    EffectRow,
    EventRow,
    FailureRow,
    GapRow,
    IntentRow,
    OutcomeRow,
    Row,
    RunEndRow,
    RunRow,
    SettingsRow,
)
from tidegate.errors import LogError

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


@dataclass(frozen=True, slots=True, kw_only=True)
class InForce:
    """What was in force from one time to another, UTC in ms."""

    from_ms: int
    until_ms: int
    marks: Marks | None
    floor_percent: float


@dataclass(slots=True, kw_only=True)
class Story:
    """One station over a time. ``soc`` and ``heat`` are lines without a gap.

    Points are (UTC ms, percent or °C). ``supply`` holds the spans in which it is
    known, labelled ``on`` or ``off``, ``alarms`` those of the codes they are
    labelled with. ``in_force`` has the marks and floors one after another, ``policy``
    is the last in force. ``effects`` counts the verdicts: seen, missing, unknown.
    ``stepped_ms`` and ``delayed`` are those of ``Placing``.
    """

    station: str
    policy: Policy = field(default_factory=Policy)
    from_ms: int = 0
    until_ms: int = 1
    soc: list[Line] = field(default_factory=list)
    heat: list[Line] = field(default_factory=list)
    in_force: list[InForce] = field(default_factory=list)
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


def story(
    log: Path,
    station: str,
    *,
    since_ms: int | None = None,
    until_ms: int | None = None,
    placing: Placing | None = None,
) -> Story:
    """Return the story of a station, of all its time or from one time to another.

    ``placing`` is that of the log's history, if it is known already.
    Errors: LogError, also where the log has no rows of the station.
    """
    with Reader(log) as reader:
        placing = placing or place_log(reader, station)
        teller = _Teller(station, placing, since_ms=since_ms, until_ms=until_ms)
        head = head_of(reader)
        teller.tell(rows_of(reader, station, up_to=head.row))
        teller.told.head = head.link
    if not teller.knows_station:
        raise LogError(
            f"the cycle log {log} holds nothing about a station {station!r}",
            remedy="Name a station of that log.",
        )
    return teller.told


def story_of(
    rows: Iterable[tuple[int, Row | Run]],
    station: str,
    *,
    offsets: dict[int, int],
    since_ms: int,
) -> Story:
    """Return the story that these rows tell; ``offsets`` are those of ``Placing``."""
    placing = Placing(offsets=offsets, stepped_ms=0, delayed=0)
    teller = _Teller(station, placing, since_ms=since_ms, until_ms=None)
    teller.tell(rows)
    return teller.told


class _Teller:
    """Walks the rows once and fills a story."""

    def __init__(
        self,
        station: str,
        placing: Placing,
        *,
        since_ms: int | None,
        until_ms: int | None,
    ) -> None:
        self.told = Story(
            station=station, stepped_ms=placing.stepped_ms, delayed=placing.delayed
        )
        self.knows_station = False
        self._since_ms = since_ms
        self._until_ms = until_ms
        self._offsets = placing.offsets
        self._offset_ms = 0
        self._first_ms: int | None = None
        self._last_ms = 0
        self._commanded = Supply.ON.value
        self._supply: tuple[str, int] | None = None
        self._intents: dict[int, IntentRow] = {}
        self._standing: dict[str, int] = {}
        self._set: list[tuple[int, Policy]] = []
        self._plan: Marks | None = None

    def tell(self, rows: Iterable[tuple[int, Row | Run]]) -> None:
        """Take all rows, in the order of the log."""
        for row_id, row in rows:
            self._offset_ms = self._offsets.get(row_id, self._offset_ms)
            at_ms = row.boot_ms + self._offset_ms
            if isinstance(row, Run):
                self._reading(row, at_ms)
            else:
                self._take(row_id, row, at_ms)
            self._seen(at_ms)
        self._end()

    def _seen(self, at_ms: int) -> None:
        self._first_ms = at_ms if self._first_ms is None else self._first_ms
        self._last_ms = max(self._last_ms, at_ms)

    def _is_told(self, from_ms: int, until_ms: int) -> bool:
        """Whether any of a time lies in what is asked for."""
        is_late = self._until_ms is not None and from_ms > self._until_ms
        return not is_late and (self._since_ms is None or until_ms >= self._since_ms)

    def _take(self, row_id: int, row: Row, at_ms: int) -> None:
        told = self.told
        is_told = self._is_told(at_ms, at_ms)
        told.rows += is_told
        match row:
            case SettingsRow():
                self.knows_station = True
                if self._until_ms is None or at_ms <= self._until_ms:
                    self._settings(from_plain(Policy, parsed(row.policy)), at_ms)
            case EventRow(kind="plan_changed") if self.knows_station:
                if self._until_ms is None or at_ms <= self._until_ms:
                    self._plan = plan_of(row).marks
                    self._show(at_ms)
            case FailureRow():
                told.failed += row.reads if is_told else 0
            case IntentRow():
                self._intents[row_id] = row
            case OutcomeRow():
                self._outcome(row, at_ms, is_told=is_told)
            case EffectRow():
                told.effects[row.seen] += is_told
            case AlarmRow():
                self._alarm(row, at_ms)
            case GapRow():
                told.lost_rows += row.dropped_rows if is_told else 0
            # Nobody says what the supply does while no daemon runs.
            case RunEndRow():
                self._know_supply(None, at_ms)
            case RunRow():
                self._know_supply(None, self._last_ms)

    def _settings(self, policy: Policy, at_ms: int) -> None:
        self.told.policy = policy
        self._show(at_ms)

    def _show(self, at_ms: int) -> None:
        """Note what is in force from here on: a plan has other marks for a while."""
        policy = self.told.policy
        if self._plan is not None and policy.marks is not None:
            policy = replace(policy, marks=self._plan)
        last = self._set[-1][1] if self._set else None
        if last is None or _behind(last) != _behind(policy):
            self._set.append((at_ms, policy))

    # --- readings ---------------------------------------------------------------------

    def _reading(self, row: Run, first_ms: int) -> None:
        last_ms = first_ms + row.span_ms
        self._seen(last_ms)
        if not self._is_told(first_ms, last_ms):
            return
        told = self.told
        told.rows += 1
        told.readings += row.reads
        if row.why_not is not None or row.soc_hundredths_percent is None:
            told.rejected += row.reads
            return
        # A run that reaches beyond the time asked for says the same at its edge.
        if self._since_ms is not None:
            first_ms = max(first_ms, self._since_ms)
        if self._until_ms is not None:
            last_ms = min(last_ms, self._until_ms)
        most_ms = GAP_POLLS * told.policy.poll_ms
        # Equal readings make one row; what was read between them is in it.
        within_ms = row.span_ms if row.longest_gap_ms <= most_ms else most_ms
        soc = row.soc_hundredths_percent / 100
        _point(told.soc, first_ms, soc, most_ms=most_ms)
        _point(told.soc, last_ms, soc, most_ms=within_ms)
        if row.temperature_mc is not None:
            _point(told.heat, first_ms, row.temperature_mc / 1000, most_ms=most_ms)
        if row.last_temperature_mc is not None:
            celsius = row.last_temperature_mc / 1000
            _point(told.heat, last_ms, celsius, most_ms=within_ms)

    # --- supply and alarms ------------------------------------------------------------

    def _outcome(self, row: OutcomeRow, at_ms: int, *, is_told: bool) -> None:
        intent = self._intents.pop(row.intent, None)
        if intent is None or not row.succeeded:
            return
        if intent.supply != self._commanded:
            self.told.switchings += is_told
            self._commanded = intent.supply
        self._know_supply(intent.supply, at_ms)

    def _know_supply(self, supply: str | None, at_ms: int) -> None:
        if self._supply is not None:
            before, since_ms = self._supply
            if before == supply:
                return
            self.told.supply.append(Span(since_ms, max(at_ms, since_ms), before))
        self._supply = None if supply is None else (supply, at_ms)

    def _alarm(self, row: AlarmRow, at_ms: int) -> None:
        """An alarm outlives a run: the next one clears it, or leaves it standing."""
        if row.raised:
            self._standing.setdefault(row.code, at_ms)
        elif row.code in self._standing:
            since_ms = self._standing.pop(row.code)
            self.told.alarms.append(Span(since_ms, at_ms, row.code))

    def _end(self) -> None:
        told = self.told
        self._know_supply(None, self._last_ms)
        told.alarms += [
            Span(since_ms, max(self._last_ms, since_ms), code, stands=True)
            for code, since_ms in self._standing.items()
        ]
        told.alarms.sort(key=lambda span: (span.from_ms, span.label))
        first_ms = self._first_ms or 0
        told.from_ms = first_ms if self._since_ms is None else self._since_ms
        last_ms = self._last_ms if self._until_ms is None else self._until_ms
        told.until_ms = max(last_ms, told.from_ms + 1)
        told.in_force = list(self._in_force())
        told.supply = list(self._clipped(told.supply))
        told.alarms = list(self._clipped(told.alarms))

    def _in_force(self) -> Iterator[InForce]:
        """Yield what was in force in the time that is told; the first since ever."""
        if not self._set:
            return
        told = self.told
        begins = [told.from_ms, *(at_ms for at_ms, _ in self._set[1:]), told.until_ms]
        for (_, policy), begin_ms, end_ms in zip(
            self._set, begins[:-1], begins[1:], strict=True
        ):
            from_ms, until_ms = max(begin_ms, told.from_ms), min(end_ms, told.until_ms)
            if until_ms > from_ms:
                marks, floor_percent = _behind(policy)
                yield InForce(
                    from_ms=from_ms,
                    until_ms=until_ms,
                    marks=marks,
                    floor_percent=floor_percent,
                )

    def _clipped(self, spans: Iterable[Span]) -> Iterator[Span]:
        """Yield what of the spans lies in the time that is told."""
        told = self.told
        for span in spans:
            if not self._is_told(span.from_ms, span.until_ms):
                continue
            yield Span(
                max(span.from_ms, told.from_ms),
                min(span.until_ms, told.until_ms),
                span.label,
                stands=span.stands or span.until_ms > told.until_ms,
            )


def _behind(policy: Policy) -> tuple[Marks | None, float]:
    """Return what of a policy is drawn behind the charge."""
    return policy.marks, policy.floor_percent


def _point(lines: list[Line], at_ms: int, value: float, *, most_ms: int) -> None:
    """Add a point; a distance of more than ``most_ms`` begins another line."""
    if not lines:
        lines.append([(at_ms, value)])
        return
    line = lines[-1]
    last_ms, last = line[-1]
    if at_ms - last_ms > most_ms:
        lines.append([(at_ms, value)])
    elif value != last:
        line.append((at_ms, value))
    elif len(line) > 1 and line[-2][1] == value:
        line[-1] = (at_ms, value)
    elif at_ms != last_ms:
        line.append((at_ms, value))
