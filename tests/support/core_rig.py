"""A bench for one station's controller: events in by one short line, effects out.

The rig keeps the boot clock, a contact that follows each command the relay carried
out, and the list of all commands. A reading that says nothing of power and status
says what the contact means: on is charging with power, off is discharging without
(under a hold: not charging, with power).
Every step checks that alarms are raised once, cleared once and told in full.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

from tidegate.core.controller import step
from tidegate.core.effects import (
    Alarm,
    ClearAlarm,
    Effect,
    EffectSeen,
    RaiseAlarm,
    ReadSoon,
    Reason,
    RefreshDeadMan,
    SwitchSupply,
    WakeAt,
)
from tidegate.core.events import (
    Event,
    GaugeFailed,
    NeighbourSwitched,
    OverridePlaced,
    OverrideReleased,
    PlanChanged,
    ReadingArrived,
    RelayReported,
    RelaySaid,
    SettingsChanged,
    Started,
    Stopping,
    SwitchingFailed,
    SwitchingSucceeded,
    TimePassed,
)
from tidegate.core.policy import DAY_MS, Marks, Policy, Proof
from tidegate.core.reading import (
    BatteryStatus,
    ExternalPower,
    Reading,
    Sample,
    Supply,
    WhyNot,
)
from tidegate.core.state import State, fresh

ON: Final = Supply.ON
OFF: Final = Supply.OFF
YES: Final = ExternalPower.YES
NO: Final = ExternalPower.NO
UNKNOWN: Final = ExternalPower.UNKNOWN
CHARGING: Final = BatteryStatus.CHARGING
DISCHARGING: Final = BatteryStatus.DISCHARGING
NOT_CHARGING: Final = BatteryStatus.NOT_CHARGING
FULL: Final = BatteryStatus.FULL
STATUS_UNKNOWN: Final = BatteryStatus.UNKNOWN
MINUTE_S: Final = 60
HOUR_S: Final = 3_600
DAY_S: Final = 24 * HOUR_S
WALL_MS: Final = 1_767_225_600_000  # 2026-01-01 UTC; the core never looks at it

# 55 to 65 %, floor 25 %, hot 45, critical 60, cold 0 °C, dwell 3 min, poll 30 s.
POLICY: Final = Policy(marks=Marks(low_percent=55.0, high_percent=65.0))
HOLD: Final = Policy(
    marks=Marks(low_percent=58.0, high_percent=60.0), hold=True, proof=Proof.CHARGING
)
# A gauge on a separate host that is reached over the switched cable.
REMOTE: Final = replace(POLICY, gauge_needs_supply=True, host_is_device=False)

_SAME: Any = object()


class Rig:
    """One station on the bench, at its own boot clock.

    ``obeys``: the relay carries each command out at once, as if ``done`` followed.
    Further keywords replace fields of the policy.
    """

    def __init__(
        self,
        policy: Policy = POLICY,
        *,
        obeys: bool = False,
        at_s: float = 100_000.0,
        state: State | None = None,
        **fields: Any,
    ) -> None:
        self.state = state or fresh(replace(policy, **fields))
        self.now_ms = round(at_s * 1_000)
        self.obeys = obeys
        self.contact: Supply | None = None
        self.commands: list[SwitchSupply] = []
        self.effects: tuple[Effect, ...] = ()
        self.told: list[RaiseAlarm | ClearAlarm] = []
        self.soc = 60.0

    def taught(self, rate: float = 1.0, *, days: int = 7) -> Rig:
        """Let it have seen so many %/h on each of so many days, this one the last."""
        today = self.state.quiet.lived_ms // DAY_MS
        slopes = tuple((day, rate) for day in range(today - days + 1, today + 1))
        watch = replace(self.state.watch, slope_days=slopes)
        self.state = replace(self.state, watch=watch)
        return self

    # --- looking ----------------------------------------------------------------

    @property
    def alarms(self) -> frozenset[Alarm]:
        """The alarms that stand."""
        return self.state.alarms

    @property
    def reason(self) -> Reason:
        """The reason code of the rule that won last."""
        return self.state.reason

    @property
    def supply(self) -> Supply | None:
        """The last commanded supply."""
        return self.state.drive.commanded

    @property
    def now_s(self) -> float:
        """The boot clock in seconds."""
        return self.now_ms / 1_000

    @property
    def last(self) -> SwitchSupply:
        """The last command of all."""
        return self.commands[-1]

    @property
    def switched(self) -> tuple[tuple[Supply, Reason], ...]:
        """What the last event made the station command, at most one."""
        return tuple(
            (effect.supply, effect.reason)
            for effect in self.effects
            if isinstance(effect, SwitchSupply)
        )

    @property
    def verdicts(self) -> tuple[bool | None, ...]:
        """The verdicts on switchings that the last event gave."""
        return tuple(e.seen for e in self.effects if isinstance(e, EffectSeen))

    @property
    def wake_in_s(self) -> float | None:
        """How far off the wake-up is that the last event asked for."""
        at = [e.at_ms for e in self.effects if isinstance(e, WakeAt)]
        return (at[0] - self.now_ms) / 1_000 if at else None

    @property
    def soon_in_s(self) -> float | None:
        """How far off the extra reading is that the last event asked for."""
        at = [e.at_ms for e in self.effects if isinstance(e, ReadSoon)]
        return (at[0] - self.now_ms) / 1_000 if at else None

    @property
    def refreshed(self) -> bool:
        """Whether the last event refreshed the dead-man timer."""
        return any(isinstance(effect, RefreshDeadMan) for effect in self.effects)

    # --- events -----------------------------------------------------------------

    def send(self, event: Event, *, after_s: float = 0.0) -> Rig:
        """Let time pass, feed one event, keep its effects."""
        self.now_ms += round(after_s * 1_000)
        before = self.state.alarms
        self.state, self.effects = step(self.state, event, self.now_ms)
        self._check_alarms(before)
        switches = [e for e in self.effects if isinstance(e, SwitchSupply)]
        assert len(switches) <= 1, "one step gives at most one command"
        self.commands += switches
        if self.obeys and switches:
            kept = self.effects
            self.done()
            self.effects = kept + self.effects
        return self

    def _check_alarms(self, before: frozenset[Alarm]) -> None:
        raised = [e.alarm for e in self.effects if isinstance(e, RaiseAlarm)]
        cleared = [e.alarm for e in self.effects if isinstance(e, ClearAlarm)]
        self.told += [e for e in self.effects if isinstance(e, RaiseAlarm | ClearAlarm)]
        assert len(set(raised)) == len(raised)
        assert len(set(cleared)) == len(cleared)
        assert not before & set(raised)
        assert before >= set(cleared)
        assert (before | set(raised)) - set(cleared) == self.state.alarms

    def start(
        self,
        *,
        same_boot: bool = False,
        was_closed: bool = True,
        relay: Supply | None = None,
        after_s: float = 0.0,
    ) -> Rig:
        """Start a run of the daemon."""
        event = Started(same_boot=same_boot, was_closed=was_closed, relay=relay)
        return self.send(event, after_s=after_s)

    def reboot(self, *, was_closed: bool = True, relay: Supply | None = None) -> Rig:
        """Start a run in another boot, its clock near nought again."""
        self.now_ms = 20_000
        return self.start(was_closed=was_closed, relay=relay)

    def reading(
        self,
        soc: float | None,
        *,
        temp: float | None = 25.0,
        status: BatteryStatus = _SAME,
        power: ExternalPower = _SAME,
        present: bool = True,
        volts: float | None = 3.8,
        why_not: WhyNot | None = None,
        uptime_s: int | None = None,
        **sample: Any,
    ) -> Reading:
        """Return a reading of now; unsaid power and status follow the contact."""
        on = self.contact is not OFF
        holds = self.state.policy.proof is Proof.CHARGING
        off_status, off_power = (NOT_CHARGING, YES) if holds else (DISCHARGING, NO)
        if not present and why_not is None:
            why_not = WhyNot.NOT_PRESENT
        return Reading(
            sample=Sample(
                soc_percent=soc,
                temperature_c=temp,
                battery_status=(CHARGING if on else off_status)
                if status is _SAME
                else status,
                external_power=(YES if on else off_power) if power is _SAME else power,
                present=present,
                voltage_v=volts,
                uptime_s=uptime_s,
                **sample,
            ),
            at_ms=self.now_ms,
            wall_ms=WALL_MS + self.now_ms,
            why_not=why_not,
        )

    def read(
        self, soc: float | None = None, *, after_s: float = 30.0, **says: Any
    ) -> Rig:
        """Feed a reading; without ``soc`` the level stays that of the last one."""
        self.now_ms += round(after_s * 1_000)
        if soc is not None:
            self.soc = soc
        return self.send(ReadingArrived(reading=self.reading(self.soc, **says)))

    def reads(
        self,
        count: int,
        soc: float | None = None,
        *,
        every_s: float = 30.0,
        **says: Any,
    ) -> Rig:
        """Feed several equal readings; ``effects`` are those of the last."""
        for _ in range(count):
            self.read(soc, after_s=every_s, **says)
        return self

    def steady(self, for_s: float, *, every_s: float = 30.0, **says: Any) -> Rig:
        """Feed readings of the same level for a while."""
        return self.reads(round(for_s / every_s), every_s=every_s, **says)

    def slide(
        self, to: float, *, over_s: float, every_s: float = 30.0, **says: Any
    ) -> Rig:
        """Feed readings along a straight line to another level."""
        count, start = max(1, round(over_s / every_s)), self.soc
        for done in range(1, count + 1):
            level = round(start + (to - start) * done / count, 2)
            self.read(level, after_s=every_s, **says)
        return self

    def reject(
        self,
        why_not: WhyNot = WhyNot.OUT_OF_RANGE,
        *,
        after_s: float = 30.0,
        **says: Any,
    ) -> Rig:
        """Feed a reading that plausibility had turned down."""
        self.now_ms += round(after_s * 1_000)
        reading = self.reading(self.soc, why_not=why_not, **says)
        return self.send(ReadingArrived(reading=reading))

    def fail(self, *, after_s: float = 30.0, kind: str = "unavailable") -> Rig:
        """Let a read bring nothing."""
        return self.send(GaugeFailed(kind=kind), after_s=after_s)

    def fails(self, count: int, *, every_s: float = 30.0) -> Rig:
        """Let several reads bring nothing."""
        for _ in range(count):
            self.fail(after_s=every_s)
        return self

    def done(self, *, after_s: float = 0.0) -> Rig:
        """Answer the last command: the relay carried it out."""
        self.contact = self.last.supply
        return self.send(SwitchingSucceeded(supply=self.last.supply), after_s=after_s)

    def refuse(self, *, after_s: float = 0.0, kind: str = "unavailable") -> Rig:
        """Answer the last command: it did not reach the relay."""
        event = SwitchingFailed(supply=self.last.supply, kind=kind)
        return self.send(event, after_s=after_s)

    def said(self, word: str, *, after_s: float = 0.0) -> Rig:
        """Let the relay tell ``on``, ``off`` or ``unknown`` outside a switching."""
        return self.send(RelayReported(said=RelaySaid(word)), after_s=after_s)

    def neighbour(self, *, after_s: float = 0.0) -> Rig:
        """Let another station have a call on the same link."""
        return self.send(NeighbourSwitched(), after_s=after_s)

    def override(
        self, supply: Supply, *, for_s: float = HOUR_S, after_s: float = 0.0
    ) -> Rig:
        """Place an operator's order."""
        self.now_ms += round(after_s * 1_000)
        until_ms = self.now_ms + round(for_s * 1_000)
        return self.send(
            OverridePlaced(
                supply=supply, until_ms=until_ms, because="photo", by="operator"
            )
        )

    def release(self, *, after_s: float = 0.0) -> Rig:
        """Withdraw the override."""
        return self.send(OverrideReleased(by="operator"), after_s=after_s)

    def plan(self, marks: tuple[float, float] | None, *, after_s: float = 0.0) -> Rig:
        """Put other marks in force, or those of the settings again."""
        values = Marks(low_percent=marks[0], high_percent=marks[1]) if marks else None
        return self.send(PlanChanged(marks=values), after_s=after_s)

    def settings(
        self, *, relay_changed: bool = False, after_s: float = 0.0, **fields: Any
    ) -> Rig:
        """Change fields of the policy in force."""
        policy = replace(self.state.policy, **fields)
        event = SettingsChanged(policy=policy, relay_changed=relay_changed)
        return self.send(event, after_s=after_s)

    def wait(self, for_s: float) -> Rig:
        """Let time pass and wake the core once at its end."""
        return self.send(TimePassed(), after_s=for_s)

    def stop(self, *, after_s: float = 0.0) -> Rig:
        """End the run in good order."""
        return self.send(Stopping(), after_s=after_s)


def running(
    soc: float = 60.0, policy: Policy = POLICY, *, obeys: bool = False, **fields: Any
) -> Rig:
    """Return a rig whose start is over: on commanded, carried out, dwell run out."""
    rig = Rig(policy, obeys=True, **fields)
    rig.start().read(soc, after_s=1).steady(3 * MINUTE_S)
    rig.obeys = obeys
    return rig


def switched_off(
    soc: float = 65.0, policy: Policy = POLICY, *, obeys: bool = False, **fields: Any
) -> Rig:
    """Return a rig where rule 13 switched off, was proven, and dwell ran out."""
    rig = running(60.0, policy, **fields)
    rig.read(soc, after_s=121).done().steady(3 * MINUTE_S)
    rig.obeys = obeys
    return rig
