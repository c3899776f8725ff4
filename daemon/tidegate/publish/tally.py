"""Counts what happens to the stations, as an onlooker of the service.

It is called in the control loop at the end of each event, and does a handful of
additions there. Its memory is that of the stations: nothing in it grows with time.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Iterable
from typing import Any, Final

from tidegate.core.effects import ClearAlarm, Effect, RaiseAlarm, Reason, SwitchSupply
from tidegate.core.events import (
    Event,
    GaugeFailed,
    ReadingArrived,
    Started,
    SwitchingFailed,
    SwitchingSucceeded,
)
from tidegate.core.policy import Marks
from tidegate.core.reading import Reading, Supply
from tidegate.core.state import State
from tidegate.cyclelog.record import parsed
from tidegate.publish.figures import Figures, Latest, View
from tidegate.publish.moved import Moved, current_in_a
from tidegate.station.shell import Station

# Commands that are under way at one time are two at most, one told and one waiting.
_ORDERS_AT_MOST: Final = 8


class _Book:
    """What is kept of one station, whatever Station stands for it after a reload."""

    def __init__(self, station: Station) -> None:
        self.station = station
        self.figures = Figures()
        self.latest: Latest | None = None
        self.alarms: dict[str, int | None] = {}
        self.orders: dict[int, Reason] = {}
        self.carried = Supply.ON
        self.gauge = self.relay = ""
        self.design_ah: float | None = None
        self._moved = Moved(self.figures)
        self._given = ""

    def know(self, station: Station) -> None:
        """Take what the operator set, which a reload may change."""
        self.station = station
        if station.plan.given == self._given:
            return
        self._given = station.plan.given
        given: Any = parsed(self._given)
        self.gauge = _kind(given, "gauge")
        self.relay = _kind(given, "relay")
        battery = given.get("battery") if isinstance(given, dict) else None
        self.design_ah = (battery or {}).get("design_ah")

    def read(self, reading: Reading, state: State) -> None:
        """Count a reading."""
        if not reading.trusted:
            self.figures.gauge_errors[self.gauge, str(reading.why_not)] += 1
            return
        current_a = current_in_a(reading.sample)
        self.latest = Latest(wall_ms=reading.wall_ms, current_a=current_a)
        self._moved.take(
            reading,
            marks=marks_of(state),
            poll_ms=state.policy.poll_ms,
            design_ah=self.design_ah,
        )

    def ordered(self, effect: SwitchSupply, at_ms: int) -> None:
        """Remember why, until the relay has answered."""
        if not self.relay:
            return
        self.orders[at_ms] = effect.reason
        while len(self.orders) > _ORDERS_AT_MOST:
            del self.orders[next(iter(self.orders))]

    def carried_out(self, event: SwitchingSucceeded, now_ms: int) -> None:
        """Count a command that the relay carried out."""
        told_at_ms = event.told_at_ms
        reason = None if told_at_ms is None else self.orders.pop(told_at_ms, None)
        if told_at_ms is None or reason is None:
            return
        self.figures.switched(self.relay, (now_ms - told_at_ms) / 1_000)
        if event.supply is not self.carried:
            self.carried = event.supply
            self.figures.switchings[event.supply.value, reason.value] += 1

    def failed(self, event: SwitchingFailed) -> None:
        """Count a command that the relay did not carry out."""
        if event.told_at_ms is not None:
            self.orders.pop(event.told_at_ms, None)
        self.figures.relay_errors[self.relay, event.kind] += 1


class Tally:
    """The figures of all stations.

    ``sinks`` tell by name how much of a station they dropped so far.
    """

    def __init__(self) -> None:
        self.sinks: dict[str, Callable[[str], int]] = {}
        self._books: dict[str, _Book] = {}

    def happened(
        self, station: Station, event: Event, effects: tuple[Effect, ...]
    ) -> None:
        """Count one event and what came of it."""
        state = station.state
        assert state is not None
        book = self._books.get(station.name)
        if book is None:
            book = self._books[station.name] = _Book(station)
        book.know(station)
        now_ms = state.quiet.now_ms
        match event:
            case ReadingArrived():
                book.read(event.reading, state)
            case GaugeFailed():
                book.figures.gauge_errors[book.gauge, event.kind] += event.reads
            case SwitchingSucceeded():
                book.carried_out(event, now_ms)
            case SwitchingFailed():
                book.failed(event)
            case Started():
                book.carried = state.drive.commanded or Supply.ON
                # One that was out for a while keeps since when its alarms stand.
                codes = [each.value for each in state.alarms]
                book.alarms = {code: book.alarms.get(code) for code in codes}
        for effect in effects:
            match effect:
                case SwitchSupply():
                    book.ordered(effect, now_ms)
                case RaiseAlarm():
                    book.alarms[effect.alarm.value] = station.clock.wall_ms()
                case ClearAlarm():
                    book.alarms.pop(effect.alarm.value, None)

    def view(self, name: str) -> View | None:
        """Return how a station is now, ``None`` before its first event."""
        book = self._books.get(name)
        if book is None or book.station.state is None:
            return None
        station, state = book.station, book.station.state
        now_ms, seen = station.clock.boot_ms(), state.quiet.seen
        book.figures.dropped = {
            sink: dropped(name) for sink, dropped in self.sinks.items()
        }
        return View(
            station=name,
            gauge=book.gauge,
            relay=book.relay,
            state=state,
            latest=book.latest,
            is_fresh=seen is not None
            and book.latest is not None
            and now_ms - seen.at_ms <= state.policy.stale_after_ms,
            alarms_since=dict(book.alarms),
            figures=book.figures.copy(),
            boot_ms=now_ms,
            wall_ms=station.clock.wall_ms(),
        )

    def forget_others(self, names: Container[str]) -> None:
        """Forget the stations that are not among these."""
        for gone in [name for name in self._books if name not in names]:
            del self._books[gone]

    def views(self, names: Iterable[str]) -> tuple[View, ...]:
        """Return those of these stations that have begun; forget all the others."""
        wanted = dict.fromkeys(names)
        self.forget_others(wanted)
        return tuple(view for name in wanted if (view := self.view(name)) is not None)


def marks_of(state: State) -> Marks | None:
    """Return the marks in force, ``None`` where a station only measures."""
    if state.policy.marks is None:
        return None
    return Marks(low_percent=state.low_percent, high_percent=state.high_percent)


def _kind(given: Any, role: str) -> str:
    table = given.get(role) if isinstance(given, dict) else None
    kind = table.get("kind") if isinstance(table, dict) else None
    return kind if isinstance(kind, str) else ""
