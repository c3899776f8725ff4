"""What the relay was told and why, and what came of it."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from typing import Final

from tidegate.audit.contact import Contact
from tidegate.audit.result import Commissioning
from tidegate.core.effects import Reason
from tidegate.core.events import RelayReported
from tidegate.core.reading import Supply
from tidegate.cyclelog.proving import ACTION, BEGIN, RESULT
from tidegate.cyclelog.record import event_of, parsed
from tidegate.cyclelog.rows import (
    EffectRow,
    EventRow,
    GapRow,
    IntentRow,
    OperatorRow,
    OutcomeRow,
)

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
        self.count = self.proving = self.repeats = self.failed = 0
        self.proven = self.missing = 0
        self.contact = Contact()
        self.lost_rows = self.lost_rows_of_log = 0
        self.reasons: Counter[str] = Counter()
        self.commissionings: list[Commissioning] = []
        self._intents: dict[int, IntentRow] = {}
        self._waiting: int | None = None
        self._commanded: str = Supply.ON
        self._last: _Switching | None = None
        self._run: tuple[bool, Commissioning] | None = None

    def intent(self, row_id: int, row: IntentRow) -> None:
        """Take what the relay is about to be told."""
        self._intents[row_id] = row
        self._waiting = row_id

    def outcome(self, row: OutcomeRow, *, is_told: bool) -> bool:
        """Take what the relay made of it; return whether the contact moved."""
        self.contact.logged(row)
        if row.intent == self._waiting:
            self._waiting = None
        intent = self._intents.pop(row.intent, None)
        if intent is None:
            return False
        if not row.succeeded:
            self.failed += is_told
            return False
        is_proving = intent.reason == Reason.PROVE
        has_moved = self.contact.commanded(intent, is_told=is_told)
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
        if row.seen and row.supply == Supply.OFF:
            self.contact.opened()
        last = self._last
        if last is None or row.seen is None or row.supply != last.supply:
            return
        # Once it was seen, it followed; what is missing later is another matter.
        last.seen = last.seen is True or row.seen

    def gap(self, row: GapRow, *, is_told: bool) -> None:
        """Take what could not be written down."""
        self.contact.gap(row, is_told=is_told)
        if is_told:
            self.lost_rows += row.dropped_rows
            self.lost_rows_of_log += 0 if row.station else row.dropped_rows

    def started(self) -> None:
        """Note that the station begins in a run."""
        self._waiting = None
        self.contact.started()

    def reported(self, row: EventRow, *, is_told: bool) -> None:
        """Take what the relay said of itself. Errors: LogError."""
        event = event_of(row)
        assert isinstance(event, RelayReported)
        # While it is told something its state is no news; the outcome says it.
        if self._waiting is None:
            self.contact.reported(event.said, is_told=is_told)

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
