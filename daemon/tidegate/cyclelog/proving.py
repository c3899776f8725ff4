"""A commissioning run in the cycle log: where it stands, and what it came to.

No daemon looks after the station in it. It is a run of its own, or it stands in the
run of a daemon that let go of this station alone: behind its event ``stopping`` and
the state row of that, before its next ``started``; rows of other stations come between.
In it stand, in this order: an operator row ``prove`` that begins it; readings,
switchings of the reason ``prove`` and, in a run of its own where the relay's settings
are new, the event of that; an operator row ``prove`` with the result; the event
``proved`` or ``not_proved``, which is all of it that the core is told. A killed one
ends with the next run.
"""

from __future__ import annotations

from enum import Enum, auto
from typing import Final

from tidegate.core.effects import Reason
from tidegate.core.reading import Supply
from tidegate.cyclelog.record import parsed
from tidegate.cyclelog.rows import (
    EffectRow,
    EventRow,
    IntentRow,
    LinkRow,
    OperatorRow,
    Row,
    RunRow,
)

ACTION: Final = "prove"
BEGIN: Final = "begin"
RESULT: Final = "result"
_END_EVENTS: Final = frozenset({"proved", "not_proved"})


class Place(Enum):
    """Where in a commissioning run of the station the log is."""

    OUTSIDE = auto()
    INSIDE = auto()
    ENDED = auto()


class Proving:
    """Follows the rows of one station, and the runs, from the first to the last."""

    def __init__(self) -> None:
        self.place = Place.OUTSIDE
        # Whether the run of a daemon goes on around it.
        self._is_within = False
        self._begin()

    @property
    def is_on(self) -> bool:
        """Whether rows of the station are those of a commissioning run."""
        return self.place is not Place.OUTSIDE

    def take(
        self, row_id: int, row: Row | LinkRow, *, is_free: bool, is_out: bool
    ) -> None:
        """Take the next row; ``is_free`` is: no daemon looks after the station now,
        ``is_out``: one does again as soon as it comes back.

        Errors: LogError when an operator row cannot be read.
        """
        match row:
            case RunRow() if not row.continued:
                self.place = Place.OUTSIDE
            case EventRow(kind="started"):
                self.place = Place.OUTSIDE
            case EventRow() if row.kind in _END_EVENTS:
                self._is_told = True
            case OperatorRow(action="prove"):
                self._operator(parsed(row.args), is_free=is_free, is_out=is_out)
            case IntentRow() if self.place is Place.INSIDE:
                self._intent(row_id, row)
            case EffectRow() if self.place is Place.INSIDE:
                self._effect(row)

    def _operator(self, args: object, *, is_free: bool, is_out: bool) -> None:
        told = args if isinstance(args, dict) else {}
        step = told.get("step")
        if step == BEGIN and is_free and self.place is Place.OUTSIDE:
            self.place, self._is_within = Place.INSIDE, is_out
            self._begin()
        elif step == RESULT and self.place is Place.INSIDE:
            self.place = Place.ENDED
            self._says_proven = told.get("verdict") == "proven"

    def _begin(self) -> None:
        # The offs, and whether each was seen to follow; whether an on was since.
        self._offs: dict[int, bool] = {}
        self._ons: set[int] = set()
        self._on_is_seen = False
        self._is_whole = True
        self._says_proven = False
        self._is_told = False

    def _intent(self, row_id: int, row: IntentRow) -> None:
        if row.supply == Supply.ON:
            # One that the relay did not take is said again: any of them may be seen.
            self._ons.add(row_id)
            return
        self._is_whole = self._is_whole and self._on_is_seen
        self._on_is_seen = False
        self._offs[row_id] = False
        self._ons.clear()

    def _effect(self, row: EffectRow) -> None:
        if row.intent in self._offs:
            self._offs[row.intent] = row.seen is True
        elif row.intent in self._ons:
            self._on_is_seen = row.seen is True

    def fault_of(self, row: IntentRow | EventRow) -> str | None:
        """Return why this row cannot stand here, if it belongs to such a run or if
        the log is in one. Call it before ``take``.
        """
        if isinstance(row, IntentRow):
            return self._fault_of_intent(row)
        if row.kind in _END_EVENTS:
            return self._fault_of_end(row)
        if self.is_on and not self._may_stand(row.kind):
            return f"the event {row.kind} has no place in a commissioning run"
        return None

    def _may_stand(self, kind: str) -> bool:
        """Return whether another event than the last word may follow here."""
        if self._is_within:
            # Nobody else ends it than the daemon that takes the station back.
            return kind == "started" and self.place is Place.ENDED and self._is_told
        return kind == "settings_changed" and self.place is Place.INSIDE

    def _fault_of_intent(self, row: IntentRow) -> str | None:
        if row.reason == Reason.PROVE and self.place is not Place.INSIDE:
            return "no commissioning run is under way that could ask for this switching"
        if self.is_on and row.reason != Reason.PROVE:
            return f"reason is {row.reason} in a commissioning run"
        return None

    def _fault_of_end(self, row: EventRow) -> str | None:
        if self.place is not Place.ENDED or self._is_told:
            return f"no result of a commissioning run comes before {row.kind}"
        if (row.kind == "proved") is not self._says_proven:
            return f"the result of the commissioning run is another than {row.kind}"
        offs_are_seen = bool(self._offs) and all(self._offs.values())
        is_proven = self._is_whole and self._on_is_seen and offs_are_seen
        if row.kind == "proved" and not is_proven:
            return "the commissioning run did not see the effect of every switching"
        return None
