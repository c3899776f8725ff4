"""Promises 4, 5 and 6 of a world's cycle log, checked from outside.

Nothing here is shared with the controller, the shell or the writer: files are read by
``log_state``, and the rules are those of the project's design, parts 3.3, 7 and 9.
Only where a promise is about ``log verify`` and ``log replay`` are these asked.
"""

from __future__ import annotations

import sqlite3
from collections import Counter, deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from support.search.log_state import Batch, Kept, LogFiles, Wrong
from tidegate.cyclelog.replay import ReplayResult, replay_all
from tidegate.cyclelog.verify import verify
from tidegate.cyclelog.whole import opened_whole
from tidegate.errors import LogEmpty, LogError

# An on waits so long for the log, by the boot clock, which counts in whole ms.
ON_WAITS_MS: Final = 2_000
SLACK_MS: Final = 5
# A call past its limit poisons the link, and the command is said once more.
MOST_CALLS: Final = 2
DROPPED: Final = "dropped"
HEAT: Final = "battery_critical_heat"
PROVE: Final = "prove"
FRESH_FILE: Final = ("damaged", "newer_schema", "removed")
OTHER: Final = {"on": "off", "off": "on"}


@dataclass(slots=True)
class Told:
    """A call of the daemon to a relay, and the highest id that was durable then."""

    at_ms: int
    supply: str
    durable_id: int

    def __str__(self) -> str:
        return f"{self.supply} told at {self.at_ms / 1000:.3f} s"


@dataclass(slots=True)
class Intent:
    """What the log says is about to be told; ``supply`` is what the relay hears."""

    row: Kept

    @property
    def supply(self) -> str:
        supply: str = self.row["supply"]
        return OTHER[supply] if self.row["swapped"] else supply


@dataclass(slots=True)
class Life:
    """One station in one life of the daemon: what was told, what was written."""

    told: deque[Told] = field(default_factory=deque)
    open: dict[int, Intent] = field(default_factory=dict)
    # The last intent with an outcome, and when that was.
    closed: tuple[Intent, int] | None = None
    has_lost_rows: bool = False

    def asks_for(self, told: Told) -> bool:
        """Whether an intent stands open, or was just closed, for this call."""
        last = [self.closed[0]] if self.closed and self.closed[1] >= told.at_ms else []
        return any(
            intent.supply == told.supply and intent.row["boot_ms"] <= told.at_ms
            for intent in (*self.open.values(), *last)
        )

    def told_until(self, intent: Intent | None, end_ms: int) -> list[Told]:
        """Take the calls that the outcome at this moment is of.

        Commands go out one after another. A call in the very moment of the outcome may
        be of the next command already, if this one has a call without it.
        """
        self._take_second(intent)
        mine: list[Told] = []
        while self.told and self.told[0].at_ms <= end_ms:
            is_next = mine and self.told[0].at_ms == end_ms
            if is_next or (intent and self.told[0].supply != intent.supply):
                break
            mine.append(self.told.popleft())
        return mine

    def _take_second(self, intent: Intent | None) -> None:
        """Leave to the outcome before what was told in its moment and is of no other."""
        if self.closed is None or not self.told or intent is None:
            return
        (before, end_ms), first = self.closed, self.told[0]
        is_before = first.at_ms == end_ms and first.supply == before.supply
        is_mine = first.supply == intent.supply and intent.row["boot_ms"] <= end_ms
        if is_before and not is_mine:
            self.told.popleft()


class LogWitness:
    """Follows the log of one world, in a folder. ``stations`` are those with a relay.

    ``broken`` holds a sentence for each broken promise; ``checks`` counts how often
    each was checked, by its number.
    """

    def __init__(self, folder: Path, log: Path, stations: Sequence[str]) -> None:
        self.broken: list[str] = []
        self.checks: Counter[int] = Counter()
        assert log.parent == folder, "the files of a log lie side by side"
        self.stations = tuple(stations)
        self.files = LogFiles(log)
        self.lives = 1
        self._log = log
        self._at_ms = 0
        self._life = {name: Life() for name in stations}
        self._is_refused = self._has_gap = False
        # Rows of this life may be in a file that the world damaged.
        self._is_blind = False

    # --- what the engine tells --------------------------------------------------------

    def committed(self) -> None:
        """A commit was reported durable: note each row that is."""
        self._look()
        self.checks[5] += 1
        if self._is_refused and not self._has_gap and not self._is_blind:
            self._break(4, "the log could not be written, and no gap row says so")
        self._is_refused = self._has_gap = False

    def refused(self) -> None:
        """A commit failed with LogError: once one succeeds, a gap row must say so."""
        self._is_refused = True

    def damaged(self, *, is_gone: bool = False) -> None:
        """The world damages the file in use (or takes it away) on purpose, right now.

        What it holds is then no longer demanded, but that it is set aside and kept; and
        of promise 4 nothing, until a life has begun in another file.
        """
        self.files.hurt(is_gone=is_gone)

    def moved(self, station: str, at_ms: int, supply: str, *, by: str) -> None:
        """A relay is being told something at this moment of the boot clock.

        ``supply`` is what ``Relay.set`` hears, so after a reversed polarity the other
        one than meant. Whoever else moves it (``by`` is not ``daemon``) needs no intent.
        What is durable now is looked up at once; whether that was enough shows when the
        outcome is.
        """
        if by != "daemon":
            return
        self._look(strictly=False)
        self._at_ms = max(self._at_ms, at_ms)
        # While blind too: the file in which a life begins holds all rows of that life,
        # those from before the disk took the file as well.
        self._life[station].told.append(Told(at_ms, str(supply), self.files.last_id))

    def crashed(self, *, is_torn: bool) -> None:
        """The process is dead, the next has not started.

        The log verifies and holds every row that was durable; what waited in memory may
        be gone, with the intents and gap rows in it. ``is_torn``: the disk had lied and
        lost what it had confirmed. Then the log must be a beginning of what was
        committed, up to a commit, or both readers must say that it is damaged (and the
        next daemon sets it aside). A lie that verifies is never allowed.
        """
        if is_torn:
            self._verified(is_whole=self._lied())
        else:
            self._look()
            self._nothing_lost()
            self._verified(is_whole=True)
        self._forget()

    def ended(self, *, log_works: bool = True, replays: bool = True) -> None:
        """The daemon stopped in good order. ``log_works``: so did the disk at the end.

        Without that, what waited is lost as in a crash. ``replays``: the replay goes over
        all files from their first row, so a world with many stops may leave it for the
        last one.
        """
        self._look()
        self._nothing_lost()
        self._verified(is_whole=True)
        if log_works and not self._is_blind:
            for name, life in self._life.items():
                self._is_complete(name, life)
        if replays and not self.files.is_doubtful:
            self._replays()
        self._forget()

    # --- looking ----------------------------------------------------------------------

    def _break(self, promise: int, what: str) -> None:
        when = f"{self._at_ms / 1000:.3f} s of life {self.lives}"
        self.broken.append(f"promise {promise}: {when}: {what}")

    def _look(self, *, strictly: bool = True) -> None:
        """Take what is durable and new; a disk in trouble may hide it for a while."""
        try:
            batches = self.files.news()
        except Wrong as wrong:
            self._break(5, str(wrong))
            self.files.hurt(is_gone=True)  # said once
            return
        except sqlite3.DatabaseError as error:
            if strictly:
                self._break(5, f"what was committed cannot be read: {error}")
            return
        self._is_blind = self._is_blind or self.files.is_doubtful
        for batch in batches:
            if self._is_blind and not self.files.is_doubtful:
                self._is_blind = not _begins_a_life(batch)
            if not self._is_blind:
                self._take(batch)

    def _nothing_lost(self) -> None:
        self.checks[5] += 1
        for what in self.files.compare():
            self._break(5, what)

    def _lied(self) -> bool:
        self.checks[5] += 1
        try:
            return self.files.after_a_lie()
        except (Wrong, sqlite3.DatabaseError) as error:
            self._break(5, str(error))
            return True

    def _verified(self, *, is_whole: bool) -> None:
        """`log verify` must come to what our own reader came to."""
        if not self._log.is_file():
            return
        try:
            fault: Any = verify(self._log).fault
        except LogEmpty:
            fault = None
        except LogError as error:
            fault = error
        if is_whole and self.files.is_doubtful:
            return  # a file that the world damaged may be found so, or not yet
        if is_whole and fault is not None:
            self._break(5, f"log verify finds a fault: {fault}")
        elif not is_whole and fault is None:
            self._break(5, "log verify finds nothing wrong with a damaged log")

    def _forget(self) -> None:
        """Begin with the next life: the rows that waited are gone, or are all written."""
        self.lives += 1
        self._life = {name: Life() for name in self.stations}
        self._is_refused = self._has_gap = False

    # --- promise 4: intents, outcomes, gaps -------------------------------------------

    def _take(self, batch: Batch) -> None:
        self._at_ms = batch.link["boot_ms"]
        gaps = [row for row in batch.rows if row.table == "gap"]
        self._has_gap = self._has_gap or any(not row["station"] for row in gaps)
        for gap in gaps:
            if gap["dropped_rows"] and gap["station"] in self._life:
                self._lost_rows(self._life[gap["station"]], gap)
        uncovered: Counter[str] = Counter()
        for row in batch.rows:
            name = row.cells.get("station")
            if name not in self._life:
                continue
            if row.table == "intent":
                self._life[name].open[row.id] = Intent(row)
            elif row.table == "outcome":
                mine = [gap for gap in gaps if gap["station"] == name]
                uncovered[name] += self._close(name, row, mine)
        for name, count in uncovered.items():
            counted = sum(gap["switchings"] for gap in gaps if gap["station"] == name)
            if counted < count:
                what = (
                    f"{count} switchings without a durable intent, gaps count {counted}"
                )
                self._break(4, f"{name}: {what}")
        for name, life in self._life.items():
            self._without_intent(name, life, batch.link["boot_ms"])

    def _lost_rows(self, life: Life, gap: Kept) -> None:
        """Memory was full while the disk refused: what is missing may be among it."""
        life.has_lost_rows = True
        life.open = {key: it for key, it in life.open.items() if key > gap.id}
        kept = (each for each in life.told if each.at_ms > gap["boot_ms"])
        life.told = deque(kept)

    def _close(self, name: str, outcome: Kept, gaps: list[Kept]) -> bool:
        """Take an outcome; return whether it was told without a durable intent."""
        self.checks[4] += 1
        life = self._life[name]
        intent = life.open.pop(outcome["intent"], None)
        if intent is None and not life.has_lost_rows:
            self._break(4, f"{name}: outcome {outcome.id} is of no intent that is open")
        told = life.told_until(intent, outcome["boot_ms"])
        if intent is None:
            return bool(told)
        life.closed = intent, outcome["boot_ms"]
        which = f"{name}: intent {intent.row.id} ({intent.supply})"
        if told and outcome["error"] == DROPPED:
            self._break(4, f"{which} was dropped by its outcome, yet {told[0]}")
        if not told and outcome["succeeded"]:
            self._break(6, f"{which} succeeded by its outcome, and nothing was told")
        if len(told) > MOST_CALLS:
            self._break(4, f"{which} was told {len(told)} times")
        if not told or told[0].durable_id >= intent.row.id:
            return False
        self._may_go_ahead(which, intent, told[0], gaps)
        return True

    def _may_go_ahead(
        self, which: str, intent: Intent, told: Told, gaps: list[Kept]
    ) -> None:
        """A log that is only slow lets an on wait 2 s, and ordinary offs not go."""
        is_slow = all(gap["why"] == "slow" for gap in gaps if gap["switchings"])
        if not gaps or not is_slow or intent.row["reason"] == PROVE:
            return
        if intent.row["supply"] == "off" and intent.row["reason"] != HEAT:
            self._break(4, f"{which} went ahead of a log that was only slow")
        waited_ms = told.at_ms - intent.row["boot_ms"]
        if intent.row["supply"] == "on" and waited_ms < ON_WAITS_MS - SLACK_MS:
            self._break(4, f"{which} waited only {waited_ms} ms for the log")

    def _without_intent(self, name: str, life: Life, link_ms: int) -> None:
        """Whatever was told before a commit began has its intent in the log now."""
        for told in [each for each in life.told if each.at_ms < link_ms]:
            if not life.asks_for(told):
                self._break(4, f"{name}: {told}, and no intent is of it")
                life.told.remove(told)

    def _is_complete(self, name: str, life: Life) -> None:
        self.checks[4] += 1
        for intent in life.open.values():
            row = intent.row
            self._break(4, f"{name}: intent {row.id} ({row['supply']}) has no outcome")
        for told in life.told:
            if life.open or not life.asks_for(told):
                self._break(4, f"{name}: {told}, and no outcome is of it")

    # --- promise 6: replay ------------------------------------------------------------

    def _replays(self) -> None:
        """`log replay` over all files agrees, and every intent counts in it."""
        if not self.files.standing or not self._log.is_file():
            return
        try:
            with opened_whole(self._log) as whole:
                results = replay_all(whole.rows(), self.stations)
        except LogError as error:
            self._break(6, f"cannot be replayed: {error}")
            return
        for result in results:
            self._agrees(result)

    def _agrees(self, result: ReplayResult) -> None:
        self.checks[6] += 1
        name = result.station
        if not result.ok:
            self._break(6, f"{name}: {result.first_mismatch}")
            return
        intents = sum(
            intent["station"] == name and intent["reason"] != PROVE
            for intent in self._rows("intent")
        )
        judged = result.switchings + result.unproven
        if judged != intents:
            self._break(6, f"{name}: replay judges {judged} of {intents} switchings")
        if result.unproven and not self._may_be_unproven(name):
            self._break(6, f"{name}: {result.unproven} unproven, and no row was lost")

    def _may_be_unproven(self, name: str) -> bool:
        hurt = len(self.files.standing) < len(self.files.files)
        return hurt or any(
            (gap["station"] == name and gap["dropped_rows"])
            or (not gap["station"] and gap["why"] in FRESH_FILE)
            for gap in self._rows("gap")
        )

    def _rows(self, table: str) -> list[dict[str, Any]]:
        return [
            dict(zip(file.columns[table], cells, strict=True))
            for file in self.files.tied
            if file.columns
            for cells in file.rows[table]
        ]


def _begins_a_life(batch: Batch) -> bool:
    return any(row.table == "run" and not row["continued"] for row in batch.rows)
