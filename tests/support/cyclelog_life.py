"""A station that lives and writes its log as the shell does, without the shell.

The battery is synthetic: load and charge currents are constant, the contact follows
each command after a second.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from support import cyclelog_rows as make
from tidegate.core.controller import RULES_VERSION, step
from tidegate.core.effects import (
    ClearAlarm,
    EffectSeen,
    RaiseAlarm,
    ReadSoon,
    SwitchSupply,
)
from tidegate.core.events import (
    Event,
    GaugeFailed,
    ReadingArrived,
    Started,
    Stopping,
    SwitchingFailed,
    SwitchingSucceeded,
    TimePassed,
)
from tidegate.core.plausibility import judge
from tidegate.core.policy import Marks, Policy
from tidegate.core.reading import (
    BatteryStatus,
    ExternalPower,
    Reading,
    Sample,
    Supply,
    WhyNot,
)
from tidegate.core.state import State, evidence, fresh
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
from tidegate.virtual import VirtualClock

POLICY = Policy(marks=Marks(low_percent=55.0, high_percent=65.0))
POLL_MS = 30_000


class Life:
    """One station, its battery and its writer. ``whole_percent`` rounds the SoC."""

    def __init__(
        self,
        path: Path,
        clock: VirtualClock,
        *,
        policy: Policy = POLICY,
        state: State | None = None,
        load_percent_h: float = 12.0,
        charge_percent_h: float = 20.0,
        threaded: bool = False,
        poll_ms: int = POLL_MS,
    ) -> None:
        self.clock = clock
        self.poll_ms = poll_ms
        self.writer = Writer.open(path, clock=clock, threaded=threaded)
        self.state = replace(state or fresh(policy), policy=policy)
        self.soc = 60.0
        self.contact = Supply.ON
        self.volts = 3.8
        self.commands = 0
        self._load, self._charge = load_percent_h, charge_percent_h
        self._runs = ReadingRuns("lobby")
        self._intent: int | None = None
        self._orders: list[tuple[int, SwitchSupply]] = []
        self._soon_ms: int | None = None

    async def start(self, **fields: object) -> None:
        self.append(replace(make.run(), **self._times()))
        self.append(
            SettingsRow(
                **self._times(),
                station="lobby",
                policy=canonical(to_plain(self.state.policy)),
            )
        )
        await self.writer.commit()
        await self.feed(Started(**fields))  # type: ignore[arg-type]

    async def live(self, minutes: float, **fields: object) -> None:
        """Let time pass, poll by poll; ``fields`` replace those of each sample."""
        end_ms = self.clock.boot_ms() + round(minutes * 60_000)
        while self.clock.boot_ms() < end_ms:
            self._pass(self.poll_ms)
            await self.read(**fields)
            if self._soon_ms is not None:
                self._soon_ms = None
                self._pass(6_000)
                await self.read(**fields)

    async def read(self, *, raw: str = "", **fields: object) -> None:
        on = self.contact is Supply.ON
        sample = Sample(
            soc_percent=float(int(self.soc)),
            battery_status=BatteryStatus.CHARGING if on else BatteryStatus.DISCHARGING,
            external_power=ExternalPower.YES if on else ExternalPower.NO,
            voltage_v=round(3.4 + self.soc / 150 + (0.05 if on else -0.02), 3),
            current_a=0.9 if on else -0.5,
            current_sign_trusted=True,
            temperature_c=25.0 + self.clock.boot_ms() // 3_600_000 % 5 / 10,
            full_charge_ah=6.5,
            design_charge_ah=7.0,
            health="good",
            took_s=0.004,
            raw=raw,
        )
        sample = replace(sample, **fields)  # type: ignore[arg-type]
        now_ms = self.clock.boot_ms()
        reading = judge(sample, at_ms=now_ms, wall_ms=self.clock.wall_ms())
        await self.feed(ReadingArrived(reading=reading))

    async def fail(self, minutes: float, kind: str = "unavailable") -> None:
        end_ms = self.clock.boot_ms() + round(minutes * 60_000)
        while self.clock.boot_ms() < end_ms:
            self._pass(self.poll_ms)
            await self.feed(GaugeFailed(kind=kind))

    async def stop(self) -> None:
        await self.feed(Stopping())
        self.write_state()
        self.append(replace(make.run_end(), **self._times()))
        await self.writer.close()

    def die(self) -> None:
        """Vanish without a word, as a killed process does."""
        self.writer._file.close()

    async def feed(self, event: Event, *, trigger: int | None = None) -> None:
        now_ms, before = self.clock.boot_ms(), self.state
        self.state, effects = step(before, event, now_ms)
        told = any(
            isinstance(each, SwitchSupply | EffectSeen | RaiseAlarm | ClearAlarm)
            for each in effects
        )
        apart = told or evidence(before) != evidence(self.state)
        own = self._record(event, apart=apart)
        trigger = own if own is not None else trigger
        for effect in effects:
            self._carry_out(before, effect, trigger)
        if told or self._runs.due(now_ms):
            self._keep(self._runs.flush())
            await self.writer.commit()
        while self._orders:
            await self._switch(*self._orders.pop(0))

    def append(self, row: Row) -> int:
        self._keep(self._runs.flush())
        return self.writer.append(row)

    def write_state(self) -> None:
        self.append(
            StateRow(
                **self._times(),
                station="lobby",
                rules_version=RULES_VERSION,
                state=canonical(to_plain(self.state)),
            )
        )

    def _pass(self, by_ms: int) -> None:
        rate = self._charge if self.contact is Supply.ON else -self._load
        self.soc += rate * by_ms / 3_600_000
        self.clock.advance(by_ms)

    def _record(self, event: Event, *, apart: bool) -> int | None:
        if isinstance(event, ReadingArrived):
            return self._keep(self._offered(event.reading, apart=apart))
        if isinstance(event, GaugeFailed):
            return self._keep(
                self._runs.offer_failure(
                    event,
                    at_ms=self.clock.boot_ms(),
                    wall_ms=self.clock.wall_ms(),
                    apart=apart,
                    text="no such device",
                )
            )
        if isinstance(event, SwitchingSucceeded | SwitchingFailed):
            return None
        if isinstance(event, TimePassed) and not apart:
            return None
        return self.append(event_row(event, station="lobby", **self._times()))

    def _offered(self, reading: Reading, *, apart: bool) -> object:
        if reading.trusted and was_jump(self.state, reading):
            reading = replace(reading, why_not=WhyNot.JUMP)
        quiet = self.state.quiet
        return self._runs.offer(
            reading,
            apart=apart,
            same_reads=quiet.same_reads,
            same_since_ms=quiet.same_since_ms,
        )

    def _carry_out(self, before: State, effect: object, trigger: int | None) -> None:
        match effect:
            case SwitchSupply():
                self.commands += 1
                self._intent = self.append(
                    IntentRow(
                        **self._times(),
                        station="lobby",
                        supply=effect.supply,
                        reason=effect.reason,
                        kind=effect.kind,
                        swapped=effect.swapped,
                        trigger=trigger,
                        state_digest=evidence_digest(before),
                    )
                )
                self._orders.append((self._intent, effect))
            case EffectSeen():
                self.append(
                    EffectRow(
                        **self._times(),
                        station="lobby",
                        intent=self._intent,
                        supply=effect.supply,
                        seen=effect.seen,
                    )
                )
            case RaiseAlarm() | ClearAlarm():
                raised = isinstance(effect, RaiseAlarm)
                code = effect.alarm
                self.append(
                    AlarmRow(**self._times(), station="lobby", code=code, raised=raised)
                )
            case ReadSoon():
                self._soon_ms = effect.at_ms

    async def _switch(self, intent: int, effect: SwitchSupply) -> None:
        self._pass(1_000)
        self.contact = effect.supply
        row = self.append(
            OutcomeRow(
                **self._times(),
                station="lobby",
                intent=intent,
                succeeded=True,
                took_ms=12,
            )
        )
        await self.feed(SwitchingSucceeded(supply=effect.supply), trigger=row)
        await self.writer.commit()

    def _keep(self, rows: object) -> int | None:
        last = None
        for row in rows:  # type: ignore[attr-defined]
            last = self.writer.append(row)
        return last

    def _times(self) -> dict[str, int]:
        return {"boot_ms": self.clock.boot_ms(), "wall_ms": self.clock.wall_ms()}
