"""What one station writes to the cycle log, in the order in which it happened."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from tidegate.clock import Clock
from tidegate.core.controller import RULES_VERSION
from tidegate.core.effects import (
    ClearAlarm,
    Effect,
    EffectSeen,
    RaiseAlarm,
    SwitchSupply,
)
from tidegate.core.events import (
    Event,
    GaugeFailed,
    ReadingArrived,
    SwitchingFailed,
    SwitchingSucceeded,
    TimePassed,
)
from tidegate.core.policy import DAY_MS, Policy
from tidegate.core.reading import WhyNot
from tidegate.core.state import State
from tidegate.core.watch import was_jump
from tidegate.cyclelog.plain import canonical, to_plain
from tidegate.cyclelog.record import event_row, evidence_digest
from tidegate.cyclelog.rows import (
    AlarmRow,
    EffectRow,
    IntentRow,
    OutcomeRow,
    Row,
    SettingsRow,
    StateRow,
)
from tidegate.cyclelog.runs import ReadingRuns
from tidegate.cyclelog.writer import Writer

# Their rows are written before they are fed: an outcome is a row and then an event.
_SELF_RECORDED: Final = (SwitchingSucceeded, SwitchingFailed)
# Worth a row only where something comes of them.
_ONLY_IF_TELLING: Final = (TimePassed,)


class Recorder:
    """Rows of one station; ``append`` never waits, commits are the shell's."""

    def __init__(self, station: str, *, clock: Clock, writer: Writer) -> None:
        self._station = station
        self._clock = clock
        self._writer = writer
        self._runs = ReadingRuns(station)
        self._intent: int | None = None
        self._state_row_lived_ms = 0

    def begin(self, state: State) -> None:
        """Count the day to the next state row from here."""
        self._state_row_lived_ms = state.quiet.lived_ms

    def append(self, row: Row) -> int:
        """Write a row after everything that came before it; return its id."""
        self.flush()
        return self._writer.append(row)

    def flush(self) -> None:
        """Close the run of equal readings, as every other row and commit must."""
        self._append_all(self._runs.flush())

    def due(self, now_ms: int) -> bool:
        """Return whether readings have waited for the log long enough."""
        return self._runs.due(now_ms)

    def state_is_due(self, state: State) -> bool:
        """Return whether a day was lived since the last state row."""
        return state.quiet.lived_ms - self._state_row_lived_ms >= DAY_MS

    def event(
        self,
        event: Event,
        after: State,
        *,
        now_ms: int,
        apart: bool,
        trigger: int | None,
        error: str,
    ) -> int | None:
        """Write an event down; return the row that stands for it alone, if any.

        ``after`` is the state with the event in it, ``apart`` whether it is evidence,
        ``trigger`` the row it has already, ``error`` what a failed read said.
        """
        if isinstance(event, ReadingArrived):
            return self._reading(event, after, apart=apart)
        if isinstance(event, GaugeFailed):
            rows = self._runs.offer_failure(
                event,
                at_ms=now_ms,
                wall_ms=self._clock.wall_ms(),
                apart=apart,
                text=error,
            )
            return self._append_all(rows)
        if isinstance(event, _SELF_RECORDED):
            return trigger
        if isinstance(event, _ONLY_IF_TELLING) and not apart:
            return None
        wall_ms = self._clock.wall_ms()
        return self.append(
            event_row(event, station=self._station, boot_ms=now_ms, wall_ms=wall_ms)
        )

    def _reading(
        self, event: ReadingArrived, after: State, *, apart: bool
    ) -> int | None:
        reading = event.reading
        if reading.trusted and was_jump(after, reading):
            reading = replace(reading, why_not=WhyNot.JUMP)
        return self._append_all(
            self._runs.offer(
                reading,
                apart=apart,
                same_reads=after.quiet.same_reads,
                same_since_ms=after.quiet.same_since_ms,
            )
        )

    def intent(
        self, before: State, effect: SwitchSupply, *, at_ms: int, trigger: int | None
    ) -> int:
        """Write down what the relay is about to be told, as ordered at ``at_ms``."""
        self._intent = self.append(
            IntentRow(
                boot_ms=at_ms,
                wall_ms=self._clock.wall_ms(),
                station=self._station,
                supply=effect.supply,
                reason=effect.reason,
                kind=effect.kind,
                swapped=effect.swapped,
                trigger=trigger,
                state_digest=evidence_digest(before),
            )
        )
        return self._intent

    def telling(self, intent: int) -> None:
        """Take note that the relay hears of an intent now."""
        self._writer.telling(intent)

    def outcome(
        self, intent: int, *, now_ms: int, error: str | None, took_ms: int | None
    ) -> int:
        """Write down what the relay made of an intent."""
        return self.append(
            OutcomeRow(
                boot_ms=now_ms,
                wall_ms=self._clock.wall_ms(),
                station=self._station,
                intent=intent,
                succeeded=error is None,
                error=error,
                took_ms=took_ms,
            )
        )

    def effect(self, effect: EffectSeen) -> None:
        """Write down what the gauge shows of the last switching."""
        self.append(
            EffectRow(
                boot_ms=self._clock.boot_ms(),
                wall_ms=self._clock.wall_ms(),
                station=self._station,
                intent=self._intent,
                supply=effect.supply,
                seen=effect.seen,
            )
        )

    def alarm(self, effect: RaiseAlarm | ClearAlarm) -> None:
        """Write down that an alarm came or went."""
        self.append(
            AlarmRow(
                boot_ms=self._clock.boot_ms(),
                wall_ms=self._clock.wall_ms(),
                station=self._station,
                code=effect.alarm,
                raised=isinstance(effect, RaiseAlarm),
            )
        )

    def settings(self, policy: Policy, given: str) -> None:
        """Write down the settings in force from here on."""
        self.append(
            SettingsRow(
                boot_ms=self._clock.boot_ms(),
                wall_ms=self._clock.wall_ms(),
                station=self._station,
                policy=canonical(to_plain(policy)),
                given=given,
            )
        )

    def state(self, state: State) -> None:
        """Write down the whole state, so that a start need not replay further back."""
        self._state_row_lived_ms = state.quiet.lived_ms
        self.append(
            StateRow(
                boot_ms=self._clock.boot_ms(),
                wall_ms=self._clock.wall_ms(),
                station=self._station,
                rules_version=RULES_VERSION,
                state=canonical(to_plain(state)),
            )
        )

    def _append_all(self, rows: Sequence[Row]) -> int | None:
        last = None
        for row in rows:
            last = self._writer.append(row)
        return last


def tells(effects: tuple[Effect, ...]) -> bool:
    """Whether any effect needs the event that caused it as evidence."""
    return any(
        isinstance(effect, SwitchSupply | EffectSeen | RaiseAlarm | ClearAlarm)
        for effect in effects
    )
