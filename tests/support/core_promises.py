"""What the controller promised, checked from outside.

Nothing here asks the controller or shares code with it: events and effects are read
as a stranger with a notebook would, and the lists of codes are this file's own. Each
promise is a sentence of the project's design, parts 3.2, 3.3 and 9.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, Protocol

MINUTE_MS: Final = 60_000
HOUR_MS: Final = 3_600_000
DAY_MS: Final = 86_400_000

# Changes that spend budget, and those of them that wait for dwell; every other code
# is exempt.
DWELLING: Final = frozenset(
    {"at_low_mark", "at_high_mark", "battery_hot", "battery_cold"}
)
ORDINARY: Final = DWELLING | {"override"}
REFUSABLE: Final = frozenset({"at_high_mark", "override"})
HEAT: Final = "battery_critical_heat"


class Recorded(Protocol):
    """One step of a run, as the notebook has it."""

    at_ms: int
    run: int
    event: object
    effects: tuple[object, ...]


@dataclass(kw_only=True)
class Limits:
    """The numbers of the station, written down by the test that asks."""

    floor_percent: float = 25.0
    dwell_on_ms: int = 3 * MINUTE_MS
    dwell_off_ms: int = 3 * MINUTE_MS
    poll_ms: int = 30_000
    stale_after_ms: int = 3 * MINUTE_MS
    heat_hold_ms: int = 30 * MINUTE_MS
    max_off_ms: int = 0
    per_hour: int = 6
    per_day: int = 48


@dataclass
class Notebook:
    """Follows one station and writes down every broken promise."""

    limits: Limits
    broken: list[str] = field(default_factory=list)
    supply: str | None = None
    changed_at_ms: int = 0
    changed_before_ms: int = 0
    last_on_ms: int = 0
    off_for: str = ""
    off_changed: bool = False
    off_waits: bool = False
    trusted_at_ms: int = 0
    blind_from_ms: int = 0
    floor_at_ms: int | None = None
    lived_ms: int = 0
    now_ms: int = 0
    run: int = 0
    spent: list[tuple[int, str]] = field(default_factory=list)
    last_off_ms: int | None = None
    last_off_before_ms: int | None = None
    told: list[tuple[int, str]] = field(default_factory=list)
    alarms: set[str] = field(default_factory=set)
    stopped: bool = False
    last_command: str | None = None
    measures_only: bool = False

    def follow(self, steps: Sequence[Recorded]) -> list[str]:
        """Read a whole run and return what was broken."""
        for one in steps:
            self.take(one)
        if self.stopped and self.last_command != "on":
            self._break("stopped, and the supply was not told on")
        return self.broken

    def take(self, one: Recorded) -> None:
        """Read one step."""
        name = type(one.event).__name__
        self._clock(one, name)
        self._absorb(one, name)
        for effect in one.effects:
            self._effect(effect, one)
        self._standing()

    def _break(self, what: str) -> None:
        self.broken.append(f"{self.now_ms / 1000:.1f} s of run {self.run}: {what}")

    def _clock(self, one: Recorded, name: str) -> None:
        if name == "Started":
            self.run = one.run
            self.now_ms = self.changed_at_ms = self.changed_before_ms = one.at_ms
            self.blind_from_ms = self.trusted_at_ms = self.last_on_ms = one.at_ms
            self.supply = None
            self.floor_at_ms = None
            self.stopped = False
            return
        self.lived_ms += one.at_ms - self.now_ms
        self.now_ms = one.at_ms

    def _absorb(self, one: Recorded, name: str) -> None:
        event = one.event
        if name == "ReadingArrived":
            reading = event.reading  # type: ignore[attr-defined]
            if reading.why_not is None:
                self.trusted_at_ms = reading.at_ms
                low = reading.sample.soc_percent <= self.limits.floor_percent
                if not low:
                    self.floor_at_ms = None
                elif self.floor_at_ms is None:
                    self.floor_at_ms = one.at_ms
        elif name == "Resumed":
            self.blind_from_ms = one.at_ms
        elif name == "SettingsChanged":
            self._settings(event.policy)  # type: ignore[attr-defined]
        elif name == "SwitchingSucceeded":
            if event.supply.value == "on":  # type: ignore[attr-defined]
                self.last_on_ms = one.at_ms
            else:
                self.off_waits = False
        elif name == "SwitchingFailed":
            if event.supply.value == "off":  # type: ignore[attr-defined]
                self._off_failed()
        elif name == "Stopping":
            self.stopped = True

    def _settings(self, policy: object) -> None:
        names = ("floor_percent", "dwell_on_ms", "dwell_off_ms", "poll_ms")
        names += ("stale_after_ms", "heat_hold_ms", "per_hour", "per_day")
        for name in names:
            setattr(self.limits, name, getattr(policy, name))
        self.measures_only = policy.marks is None  # type: ignore[attr-defined]
        self.floor_at_ms = None

    def _off_failed(self) -> None:
        """An off that failed leaves the commanded state as it was."""
        if self.last_command == "off" and self.off_changed:
            self.off_changed = False
            self.supply = "on"
            self.changed_at_ms = self.changed_before_ms
            if self.spent and self.spent[-1][1] == self.off_for:
                self.spent.pop()
                self.last_off_ms = self.last_off_before_ms
        elif self.off_waits:
            # An on overtook it before it was told: it is spent, but it never was.
            self.last_off_ms = self.last_off_before_ms
        self.off_waits = False

    def _effect(self, effect: object, one: Recorded) -> None:
        name = type(effect).__name__
        if name == "SwitchSupply":
            self._command(effect, one)
        elif name == "RaiseAlarm":
            alarm = effect.alarm.value  # type: ignore[attr-defined]
            if alarm in self.alarms:
                self._break(f"{alarm} raised twice")
            self.alarms.add(alarm)
        elif name == "ClearAlarm":
            alarm = effect.alarm.value  # type: ignore[attr-defined]
            if alarm not in self.alarms:
                self._break(f"{alarm} cleared although it did not stand")
            self.alarms.discard(alarm)

    def _command(self, effect: object, one: Recorded) -> None:
        supply = effect.supply.value  # type: ignore[attr-defined]
        reason = effect.reason.value  # type: ignore[attr-defined]
        kind = effect.kind.value  # type: ignore[attr-defined]
        self.last_command = supply
        if supply == "off":
            self._off(reason, kind, one)
        else:
            self.floor_at_ms = None
        ordinary = kind == "change" and reason in ORDINARY
        if supply == "off" or ordinary:
            self.told.append((self.lived_ms, reason))
        keeps_on = kind == "trial" and reason == "supply_absent"
        self.off_changed = supply == "off" and self.supply != "off" and not keeps_on
        if supply != self.supply and not keeps_on:
            if ordinary and self.supply is not None:
                if reason in DWELLING:
                    self._dwell(supply, reason)
                self._budget(supply, reason)
            self.changed_before_ms = self.changed_at_ms
            self.changed_at_ms = self.now_ms
            self.supply = supply
        if supply == "on":
            self.last_on_ms = self.now_ms

    def _off(self, reason: str, kind: str, one: Recorded) -> None:
        self.off_for = reason
        # A short trial where no supply has come anyway takes nothing from the device.
        tries_wiring = kind == "trial" and reason == "supply_absent"
        heat = reason == HEAT or HEAT in self.alarms
        if self.floor_at_ms is not None and not heat and not tries_wiring:
            self._break(f"off for {reason} at the floor")
        if reason == HEAT:
            return
        reading = getattr(one.event, "reading", None)
        if reading is None or reading.why_not is not None:
            self._break(f"off for {reason} ({kind}) without a trusted reading")
        elif reading.at_ms <= self.last_on_ms:
            self._break(f"off for {reason} on a reading older than the last on")

    def _dwell(self, supply: str, reason: str) -> None:
        limits = self.limits
        least = limits.dwell_off_ms if supply == "on" else limits.dwell_on_ms
        if self.now_ms - self.changed_at_ms < least:
            self._break(f"{supply} for {reason} inside the dwell")

    def _budget(self, supply: str, reason: str) -> None:
        crowded = 2 * sum(self.lived_ms - at < DAY_MS for at, _ in self.spent)
        apart_ms = 2 * DAY_MS // self.limits.per_day
        if (
            supply == "off"
            and reason in REFUSABLE
            and crowded > self.limits.per_day
            and self.last_off_ms is not None
            and self.lived_ms - self.last_off_ms < apart_ms
        ):
            self._break(f"off for {reason} although half of the day is used")
        if supply == "off":
            self.off_waits = True
            self.last_off_before_ms = self.last_off_ms
            self.last_off_ms = self.lived_ms
        self.spent.append((self.lived_ms, reason))
        day = [at for at, _ in self.spent if self.lived_ms - at < DAY_MS]
        hour = [at for at in day if self.lived_ms - at < HOUR_MS]
        if supply == "off" and reason in REFUSABLE:
            if len(hour) > self.limits.per_hour - 1:
                self._break(f"off for {reason} leaves no on in the hour's budget")
            if len(day) > self.limits.per_day - 1:
                self._break(f"off for {reason} leaves no on in the day's budget")

    def _standing(self) -> None:
        """What must hold between steps, while off is commanded."""
        limits = self.limits
        if self.supply != "off" or self.stopped or self.measures_only:
            return
        late_ms = limits.poll_ms + 5_000
        heat = self.off_for == HEAT or HEAT in self.alarms
        if (
            self.floor_at_ms is not None
            and not heat
            and self.now_ms - self.floor_at_ms > late_ms
        ):
            self._break("the floor was read, and the supply stayed off")
        blind_ms = self.now_ms - max(self.trusted_at_ms, self.blind_from_ms)
        allowed_ms = limits.stale_after_ms + 3 * limits.poll_ms
        if heat:
            allowed_ms = max(allowed_ms, limits.heat_hold_ms + limits.poll_ms)
        if limits.max_off_ms:
            # The box begins with the first failed read; two may be rejected before.
            allowed_ms = max(allowed_ms, limits.max_off_ms + 4 * limits.poll_ms)
        if blind_ms > allowed_ms:
            self._break(f"off and blind for {blind_ms / 1000:.0f} s")

    def most_in(self, hours: int) -> int:
        """The most commands in any stretch of so many hours lived, forced ons apart."""
        times = [at for at, _ in self.told]
        span_ms = hours * HOUR_MS
        return max(
            (
                sum(1 for other in times if start <= other < start + span_ms)
                for start in times
            ),
            default=0,
        )


def kept(steps: Sequence[Recorded], **limits: float) -> None:
    """Assert that every promise was kept, and that no chatter was sustained.

    At most 4 commands an hour, forced ons apart, over any twelve hours: one hour may
    hold more (an off without effect is sent three times, and 6 are in its budget).
    """
    notebook = Notebook(Limits(**limits))  # type: ignore[arg-type]
    assert notebook.follow(steps) == []
    assert notebook.most_in(12) <= 48
