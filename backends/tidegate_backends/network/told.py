"""What a network socket was told last, for the refreshing of its own timer."""

from __future__ import annotations

from dataclasses import dataclass

from tidegate.core.reading import Supply


@dataclass(slots=True)
class Told:
    """The last command; nothing yet where ``supply`` is ``None``."""

    supply: Supply | None = None
    _runs_out_ms: int = 0

    def on(self) -> None:
        """Note an on, before it is sent: no refresh may follow one that failed."""
        self.supply = Supply.ON

    def off(self, *, sent_ms: int, timer_s: float | None) -> None:
        """Note an off that was taken, and when it was sent."""
        self.supply = Supply.OFF
        self._runs_out_ms = sent_ms + round((timer_s or 0) * 1_000)

    def keeps_off(self, now_ms: int) -> bool:
        """Whether the timer of an off still runs, as far as one that cannot tell."""
        return self.supply is Supply.OFF and now_ms < self._runs_out_ms
