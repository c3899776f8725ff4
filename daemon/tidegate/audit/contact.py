"""What the relay's contact went through, whoever moved it, over the whole log.

A contact stands closed or open whether the daemon asked for it or not: somebody may
press the button of a plug, or the log may have lost what was done. Where two numbers
are kept, one is of the span that is asked for, the other of the whole log.
"""

from __future__ import annotations

from typing import Final

from tidegate.core.effects import Reason
from tidegate.core.events import RelaySaid
from tidegate.core.reading import Supply
from tidegate.cyclelog.rows import DROPPED, GapRow, IntentRow, OutcomeRow
from tidegate.wear.duty import DAY_S, YEAR_DAYS

# There and back: somebody moved the contact, and the daemon moved it again.
_BOTH_WAYS: Final = 2


class Contact:
    """Takes what moved a contact, in order. ``is_told``: it lies in the span.

    ``operations`` are moves that the log shows, ``others`` those of them that were
    not asked for, ``unlogged`` commands carried out that the log lost.
    """

    def __init__(self) -> None:
        self.operations = self.operations_of_log = 0
        self.others = 0
        self.unlogged = self.unlogged_of_log = 0
        # A relay that nobody told anything yet passes the supply on.
        self._is_closed = True
        self._is_swapped = False
        self._is_commanded = True
        self._is_undoing = False
        self._since_lost: int | None = None

    def started(self) -> None:
        """Note that a daemon begins: what the relay says before it was told is news,
        not a change.
        """
        self._is_commanded = False

    def commanded(self, intent: IntentRow, *, is_told: bool) -> bool:
        """Take a command that was carried out; return whether the contact moved."""
        is_closed = (intent.supply == Supply.ON) is not intent.swapped
        has_moved = is_closed is not self._is_closed
        self._is_closed, self._is_swapped = is_closed, intent.swapped
        self._is_commanded = True
        is_undone = (
            intent.reason == Reason.RELAY_EXTERNAL_CHANGE
            and intent.supply == Supply.OFF
            and not has_moved
        )
        is_again, self._is_undoing = self._is_undoing, is_undone
        if has_moved:
            self._moved(1, is_told=is_told)
        elif is_undone and not is_again:
            # Only readings showed that it was closed by others: no row says when.
            self._moved(_BOTH_WAYS, is_told=is_told)
            self.others += is_told
        return has_moved or is_undone

    def opened(self) -> None:
        """Note that readings show the supply gone: whoever closes it does so anew."""
        self._is_undoing = False

    def reported(self, said: RelaySaid, *, is_told: bool) -> None:
        """Take what the relay says of itself outside a switching."""
        if said is RelaySaid.UNKNOWN or not self._is_commanded:
            return
        is_closed = (said is RelaySaid.ON) is not self._is_swapped
        if is_closed is not self._is_closed:
            self._is_closed = is_closed
            self._moved(1, is_told=is_told)
            self.others += is_told

    def logged(self, row: OutcomeRow) -> None:
        """Take an outcome as such: the relay was told, and the log has it."""
        if self._since_lost is not None:
            self._since_lost += row.succeeded or row.error != DROPPED

    def gap(self, row: GapRow, *, is_told: bool) -> None:
        """Take what could not be written down in time.

        A gap row counts all that was carried out before its intent was durable. What
        was kept meanwhile stands in the log all the same; lost is the rest, and only
        where rows of the station were dropped.
        """
        if not row.station:
            return
        if row.dropped_rows:
            self._since_lost = 0
        if row.switchings and self._since_lost is not None:
            lost = max(row.switchings - self._since_lost, 0)
            self.unlogged_of_log += lost
            self.unlogged += lost if is_told else 0
            self._since_lost = None

    def _moved(self, count: int, *, is_told: bool) -> None:
        self.operations_of_log += count
        self.operations += count if is_told else 0


def life_years(life: int | None, operations: int, *, length_ms: int) -> float | None:
    """Return how long a new contact lasts at a pace; ``None`` for less than a day."""
    days = length_ms / 1000 / DAY_S
    if life is None or not operations or days < 1:
        return None
    return life / (operations / days) / YEAR_DAYS
