"""What is seen of a whole world from outside the daemon, and what was promised of it.

Shares nothing with the controller: it sees what the gauges answered, what the relays
were told, and the devices themselves. The lists of what excuses a device that goes low
are this file's own. Promises are numbered as in part 9 of the project's design; 0 is
that nothing fails by a fault of its own.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from support.core_promises import Limits, Notebook
from support.search.whole_stage import Actor

MINUTE_MS: Final = 60_000
HOUR_MS: Final = 3_600_000
# What the promise gives a device to be above its floor again, beside the charging.
RISES_WITHIN_MS: Final = 30 * MINUTE_MS
# A gauge shows whole points and lags; the truth may be that much lower.
UNSEEN_PERCENT: Final = 2.0
# From 60 °C on it is cut off, until 5 °C under that.
TOO_HOT_C: Final = 54.0
# A promise of the notebook, by a word of its sentence.
_NUMBERS: Final = {
    "floor": 1,
    "blind": 2,
    "trusted reading": 2,
    "older than the last on": 2,
    "dwell": 3,
    "budget": 3,
    "half of the day": 3,
    "stopped": 7,
}


@dataclass(slots=True)
class _Step:
    """One step of a station as the notebook wants it."""

    at_ms: int
    run: int
    event: object
    effects: tuple[object, ...]


class StationWitness:
    """Follows one station over all lives of the daemon."""

    def __init__(
        self,
        actor: Actor,
        *,
        broke: Callable[[int, str, str], None],
        checks: Counter[int],
        excuse: Callable[[], str],
    ) -> None:
        self.actor = actor
        self.notebook = Notebook(Limits())
        self.run = 0
        self.reasons: set[str] = set()
        self.alarms: set[str] = set()
        self._broke = broke
        self._checks = checks
        self._excuse = excuse
        self._told = 0
        # What was spent, and the last off, as far as the log has it.
        self._written: tuple[list[tuple[int, str]], int | None] = ([], None)
        # Since when it is under its floor with mains and without an excuse, and where
        # it was then.
        self._low: tuple[int, float] | None = None
        self._dark_ms: int | None = None

    def happened(self, state: Any, event: object, effects: tuple[object, ...]) -> None:
        """Take one event of the station."""
        name = type(event).__name__
        notebook = self.notebook
        if name == "Started":
            self.run += 1
            notebook.alarms = {alarm.value for alarm in state.alarms} - {
                effect.alarm.value  # type: ignore[attr-defined]
                for effect in effects
                if type(effect).__name__ == "RaiseAlarm"
            } | {
                effect.alarm.value  # type: ignore[attr-defined]
                for effect in effects
                if type(effect).__name__ == "ClearAlarm"
            }
            self._limits(state.policy)
        step = _Step(state.quiet.now_ms, self.run, event, effects)
        notebook.take(step)
        if name == "SettingsChanged":
            self._limits(state.policy)
        self.reasons.add(state.reason.value)
        if effects:
            self._note(effects)
        if notebook.supply == "off":
            self._checks[2] += 1
        if notebook.floor_at_ms is not None:
            self._checks[1] += 1
        if len(notebook.broken) > self._told:
            for sentence in notebook.broken[self._told :]:
                number = next((n for w, n in _NUMBERS.items() if w in sentence), 0)
                self._broke(number, self.actor.name, sentence)
            self._told = len(notebook.broken)
        if name in ("ReadingArrived", "GaugeFailed"):
            self.look()

    def written(self) -> None:
        """All that was commanded is in the log."""
        self._written = list(self.notebook.spent), self.notebook.last_off_ms

    def log_is_lost(self) -> None:
        """What was switched before is known to nobody any more."""
        self._written = [], None
        self.died()

    def died(self) -> None:
        """What was commanded and died with the daemon, unwritten, counts no more."""
        spent, self.notebook.last_off_ms = self._written
        self.notebook.spent = list(spent)

    def _limits(self, policy: Any) -> None:
        limits = self.notebook.limits
        for name in (
            "floor_percent",
            "dwell_on_ms",
            "dwell_off_ms",
            "poll_ms",
            "stale_after_ms",
            "heat_hold_ms",
            "per_hour",
            "per_day",
        ):
            setattr(limits, name, getattr(policy, name))
        limits.max_off_ms = policy.max_off_ms if policy.gauge_needs_supply else 0
        self.notebook.measures_only = policy.marks is None

    def _note(self, effects: tuple[object, ...]) -> None:
        for effect in effects:
            name = type(effect).__name__
            if name == "SwitchSupply":
                self.reasons.add(effect.reason.value)  # type: ignore[attr-defined]
                self._checks[3] += 1
            elif name == "RaiseAlarm":
                self.alarms.add(effect.alarm.value)  # type: ignore[attr-defined]

    def look(self) -> None:
        """Hold the device itself against the first promise."""
        stand, now_ms = self.actor.stand, self.actor.stage.true_ms()
        stand.advance(now_ms)
        is_excused = bool(self._excuse()) or self.actor.place.variant == "measure"
        if is_excused or not stand.mains or stand.temperature_c > TOO_HOT_C:
            self._low = self._dark_ms = None
            return
        if self.actor.place.variant == "coast" and not stand.is_fed and stand.is_alive:
            # Nobody can read it; how long that may last is the second promise.
            self._low = None
            return
        floor = self.notebook.limits.floor_percent - UNSEEN_PERCENT
        if not stand.is_alive:
            self._dark_ms = now_ms if self._dark_ms is None else self._dark_ms
            if now_ms - self._dark_ms > RISES_WITHIN_MS:
                self._broke(1, self.actor.name, "dark although there is mains")
        elif stand.soc_percent >= floor:
            self._low = self._dark_ms = None
        elif self._low is None:
            self._low = now_ms, stand.soc_percent
        else:
            self._checks[1] += 1
            since_ms, from_percent = self._low
            hours = (floor - from_percent) / max(0.1, stand.charge_percent_h)
            if now_ms - since_ms > RISES_WITHIN_MS + hours * HOUR_MS:
                self._broke(
                    1,
                    self.actor.name,
                    f"under its floor for {(now_ms - since_ms) / MINUTE_MS:.0f} min "
                    f"with mains, at {stand.soc_percent:.1f} % from "
                    f"{from_percent:.1f} %",
                )
