"""The contact in a twin's supply: its coil, its wiring and what keeps it from moving."""

from __future__ import annotations

from dataclasses import dataclass

from tidegate.contract import Contact as Wiring


@dataclass(slots=True)
class Contact:
    """A contact in series with the supply; closed lets the supply through.

    ``driven`` is the coil (or the latch), ``closed`` the contact itself; they differ
    while it is stuck or welded. Before ``wire`` there is no relay and the cable runs
    straight through.
    """

    driven: bool = False
    closed: bool = True
    wiring: Wiring | None = None
    stuck: bool = False
    operations: int = 0
    dead_man_ms: int | None = None
    _weld_ms: int | None = None
    _frees_at_ms: int | None = None
    _lets_go_at_ms: int | None = None

    @property
    def armature(self) -> bool:
        """Whether the armature is where a driven coil pulls it."""
        return self.closed != (self.wiring == "normally-closed")

    def wire(self, wiring: Wiring, dead_man_ms: int | None = None) -> None:
        """Put the relay into the supply, coil at rest; later calls change nothing."""
        if self.wiring is None:
            self.wiring, self.dead_man_ms = wiring, dead_man_ms
            self._move(at_ms=0)

    def drive(self, driven: bool, at_ms: int) -> None:
        """Drive or release the coil; the contact follows if it can."""
        self.driven = driven
        self._move(at_ms)
        self.refresh(at_ms)

    def refresh(self, at_ms: int) -> None:
        """Start the relay's own timer afresh."""
        if self.dead_man_ms is not None:
            self._lets_go_at_ms = at_ms + self.dead_man_ms

    def reset(self, at_ms: int) -> None:
        """Lose the relay's power for a moment: a coil falls back, a latch stays."""
        if self.wiring != "latching":
            self.driven = False
            self._move(at_ms)

    def hold_still(self, stuck: bool, at_ms: int) -> None:
        """Begin or end a time in which the contact does not move."""
        if self.stuck != stuck:
            self.stuck = stuck
            self._move(at_ms)

    def weld(self, for_ms: int) -> None:
        """Weld the contact; it frees itself so long after the first try to open it."""
        self._weld_ms = for_ms

    @property
    def next_change_ms(self) -> int | None:
        """When the contact may move by itself."""
        frees_at_ms, lets_go_at_ms = self._frees_at_ms, self._lets_go_at_ms
        if frees_at_ms is None or lets_go_at_ms is None:
            return lets_go_at_ms if frees_at_ms is None else frees_at_ms
        return min(frees_at_ms, lets_go_at_ms)

    def pass_time(self, now_ms: int) -> None:
        """Let happen what was due by now."""
        if self._frees_at_ms is not None and self._frees_at_ms <= now_ms:
            self._frees_at_ms = self._weld_ms = None
            self._move(now_ms)
        if self._lets_go_at_ms is not None and self._lets_go_at_ms <= now_ms:
            # A dead-man timer returns the supply to on, whatever the wiring.
            self._lets_go_at_ms = None
            self.driven = self.wiring != "normally-closed"
            self._move(now_ms)

    def _move(self, at_ms: int) -> None:
        if self.wiring is None:
            return
        wanted = self.driven != (self.wiring == "normally-closed")
        if wanted == self.closed or self.stuck:
            return
        if not wanted and self._weld_ms is not None:
            if self._frees_at_ms is None:
                self._frees_at_ms = at_ms + self._weld_ms
            return
        self.closed = wanted
        self.operations += 1
