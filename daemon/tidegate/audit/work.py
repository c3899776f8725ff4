"""What the relay did and why, what came of it, and which alarms stood."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

from tidegate.audit.result import AlarmSpan, Commissioning
from tidegate.core.effects import Reason
from tidegate.core.reading import Supply
from tidegate.cyclelog.proving import ACTION, BEGIN, RESULT
from tidegate.cyclelog.record import parsed
from tidegate.cyclelog.rows import (
    AlarmRow,
    EffectRow,
    GapRow,
    IntentRow,
    OperatorRow,
    OutcomeRow,
)
from tidegate.wear.duty import DAY_S, YEAR_DAYS

UNFINISHED: Final = "unfinished"


@dataclass(slots=True)
class _Switching:
    """The last change of the commanded supply, and what was seen of it so far."""

    supply: str
    is_told: bool
    is_proving: bool
    seen: bool | None = None


class Work:
    """Takes the rows of one station in order. ``is_told``: it lies in the span.

    Switchings are counted where they were carried out: the commanded supply changed.
    """

    def __init__(self) -> None:
        self.count = self.proving = self.repeats = self.failed = self.unlogged = 0
        self.proven = self.missing = 0
        self.operations = 0
        self.lost_rows = 0
        self.reasons: Counter[str] = Counter()
        self.commissionings: list[Commissioning] = []
        self._intents: dict[int, IntentRow] = {}
        self._commanded: str = Supply.ON
        # A relay that nobody told anything yet passes the supply on.
        self._is_closed = True
        self._last: _Switching | None = None
        self._run: tuple[bool, Commissioning] | None = None

    def intent(self, row_id: int, row: IntentRow) -> None:
        """Take what the relay is about to be told."""
        self._intents[row_id] = row

    def outcome(self, row: OutcomeRow, *, is_told: bool) -> bool:
        """Take what the relay made of it; return whether the contact moved."""
        intent = self._intents.pop(row.intent, None)
        if intent is None:
            return False
        if not row.succeeded:
            self.failed += is_told
            return False
        is_proving = intent.reason == Reason.PROVE
        is_closed = (intent.supply == Supply.ON) is not intent.swapped
        has_moved = is_closed is not self._is_closed
        self._is_closed = is_closed
        self.operations += has_moved and is_told
        if intent.supply == self._commanded:
            self.repeats += is_told
            return has_moved
        self._commanded = intent.supply
        self._judge()
        self._last = _Switching(intent.supply, is_told, is_proving)
        self._counted(intent, is_told=is_told, is_proving=is_proving)
        return has_moved

    def effect(self, row: EffectRow) -> None:
        """Take what the gauge shows of the last switching, its repeats included."""
        last = self._last
        if last is None or row.seen is None or row.supply != last.supply:
            return
        # Once it was seen, it followed; what is missing later is another matter.
        last.seen = last.seen is True or row.seen

    def gap(self, row: GapRow, *, is_told: bool) -> None:
        """Take what could not be written down."""
        if is_told:
            self.lost_rows += row.dropped_rows
            self.unlogged += row.switchings

    def operator(self, row: OperatorRow, at_ms: int, *, is_told: bool) -> None:
        """Take the begin and the result of a commissioning run. Errors: LogError."""
        if row.action != ACTION:
            return
        args = parsed(row.args)
        told = args if isinstance(args, dict) else {}
        if told.get("step") == BEGIN:
            self.end()
            begun = Commissioning(
                at_ms=at_ms, verdict=UNFINISHED, by=row.by, switchings=0
            )
            self._run = (is_told, begun)
        elif told.get("step") == RESULT and self._run is not None:
            was_told, run = self._run
            self._run = (was_told, replace(run, verdict=str(told.get("verdict"))))
            self._close_run()

    def end(self) -> None:
        """No more rows come: judge the last switching, and end what is unfinished."""
        self._judge()
        self._close_run()

    @property
    def unconfirmed(self) -> int:
        """Switchings whose effect was neither seen nor missing."""
        return self.count - self.proven - self.missing

    def _counted(self, intent: IntentRow, *, is_told: bool, is_proving: bool) -> None:
        if is_proving and self._run is not None:
            was_told, run = self._run
            self._run = (was_told, replace(run, switchings=run.switchings + 1))
        if not is_told:
            return
        if is_proving:
            self.proving += 1
            return
        self.count += 1
        self.reasons[intent.reason] += 1

    def _judge(self) -> None:
        last, self._last = self._last, None
        if last is None or not last.is_told or last.is_proving:
            return
        self.proven += last.seen is True
        self.missing += last.seen is False

    def _close_run(self) -> None:
        if self._run is not None and self._run[0]:
            self.commissionings.append(self._run[1])
        self._run = None


class Alarms:
    """The spans of the alarms. An alarm outlives a run: the next one clears it."""

    def __init__(self) -> None:
        self._standing: dict[str, int] = {}
        self._over: list[AlarmSpan] = []

    def take(self, row: AlarmRow, at_ms: int) -> None:
        """Take an alarm that was raised or cleared."""
        if row.raised:
            self._standing.setdefault(row.code, at_ms)
        elif row.code in self._standing:
            from_ms = self._standing.pop(row.code)
            self._over.append(AlarmSpan(code=row.code, from_ms=from_ms, until_ms=at_ms))

    def spans(self, from_ms: int, until_ms: int) -> tuple[AlarmSpan, ...]:
        """Return those of a time, clipped to it; one that goes on has no end."""
        standing = (
            AlarmSpan(code=code, from_ms=at_ms, until_ms=None)
            for code, at_ms in self._standing.items()
        )
        told = [
            clipped
            for span in (*self._over, *standing)
            for clipped in _clipped(span, from_ms, until_ms)
        ]
        return tuple(sorted(told, key=lambda span: (span.from_ms, span.code)))


def _clipped(span: AlarmSpan, from_ms: int, until_ms: int) -> Iterator[AlarmSpan]:
    is_early = span.until_ms is not None and span.until_ms <= from_ms > span.from_ms
    if is_early or span.from_ms > until_ms:
        return
    end_ms = span.until_ms
    yield AlarmSpan(
        code=span.code,
        from_ms=max(span.from_ms, from_ms),
        until_ms=None if end_ms is None or end_ms > until_ms else end_ms,
    )


def life_years(life: int | None, operations: int, *, length_ms: int) -> float | None:
    """Return how long a contact lasts at a pace; ``None`` for less than a day of it."""
    days = length_ms / 1000 / DAY_S
    if life is None or not operations or days < 1:
        return None
    return life / (operations / days) / YEAR_DAYS
