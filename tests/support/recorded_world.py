"""A core world whose station writes a real cycle log, as the shell does.

Recorder, writer, reader and rebuild are the real ones; battery, contact and weather
are those of ``core_world``. The daemon may be stopped, killed with what was not
durable yet, and started again from its log; the disk may refuse for a while. All
numbers are invented.
"""

from __future__ import annotations

import random
import sqlite3
from collections import deque
from collections.abc import Callable, Coroutine
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from support import cyclelog_rows as make
from support.core_world import HOUR_MS, START_MS, Site, World, policy
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
    LogBack,
    LogLost,
    OverridePlaced,
    OverrideReleased,
    PlanChanged,
    ReadingArrived,
    SettingsChanged,
    Stopping,
    SwitchingFailed,
    SwitchingSucceeded,
)
from tidegate.core.policy import Marks, PlanReason, Policy
from tidegate.core.reading import Sample, Supply
from tidegate.core.state import evidence, fresh
from tidegate.cyclelog.backlog import LIMIT
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.replay import rebuild
from tidegate.cyclelog.writer import Writer
from tidegate.errors import LogEmpty, LogError
from tidegate.station.recorder import Recorder, tells

STATION: Final = "lobby"
DAY_MS: Final = 24 * HOUR_MS
Deed = Callable[[], None]


class _Clock:
    """The clocks of the daemon's host."""

    def __init__(self, world: RecordedWorld) -> None:
        self._world = world

    def boot_ms(self) -> int:
        return self._world.now_ms

    def wall_ms(self) -> int:
        return self._world.wall_ms

    def boot_id(self) -> str:
        return f"boot-{self._world.boots}"

    def synchronised(self) -> bool:
        return True


class RecordedWorld(World):
    """A world with a log. ``deed`` is to an hour what ``at`` is to an event."""

    def __init__(
        self, site: Site, rules: Policy, path: Path, *, limit: int = LIMIT
    ) -> None:
        self.path = path
        self.rules = rules
        self.boots = 1
        self.disk_is_broken = False
        self._limit = limit
        self._writer: Writer | None = None
        self._log_lost = False
        self._asked: deque[tuple[int, int]] = deque()
        super().__init__(site, rules)

    # --- life of the daemon -----------------------------------------------------------

    def start(self, *, same_boot: bool = True, was_closed: bool = True) -> None:
        if self._writer is not None:
            self._vanish()
        self.boots += not same_boot
        clock = _Clock(self)
        self._writer = Writer.open(
            self.path, clock=clock, threaded=False, limit=self._limit
        )
        self._record = Recorder(STATION, clock=clock, writer=self._writer)
        self._log_lost = False
        self.state = replace(self._known() or fresh(self.rules), policy=self.rules)
        times = {"boot_ms": self.now_ms, "wall_ms": self.wall_ms}
        self._writer.append(replace(make.run(), **times, boot_id=clock.boot_id()))
        self._record.settings(self.rules, "{}")
        self._record.begin(self.state)
        self._asked.clear()
        super().start(same_boot=same_boot, was_closed=was_closed)

    def _known(self) -> Any:
        with suppress(LogEmpty), Reader(self.path) as reader:
            return rebuild(reader, STATION)
        return None

    def _vanish(self) -> None:
        """Let go of the file as a killed process does: what waits is lost."""
        assert self._writer is not None
        self._writer._file.close()
        self._writer = None

    def kill(self, *, reboots: bool) -> None:
        """Kill the daemon, or its whole host, and start it again."""
        if not self.alive and self.state.policy.host_is_device:
            return
        self.disk_is_broken = False
        self._vanish()
        if reboots:
            self.boot_ms = self.true_ms - START_MS
        self.start(same_boot=not reboots, was_closed=not reboots)

    def restart(self, rules: Policy | None = None) -> None:
        """Stop the daemon in good order and start it, perhaps with other settings."""
        if not self.alive and self.state.policy.host_is_device:
            return
        self.stop()
        self.rules = rules or self.rules
        self.start()

    def stop(self) -> None:
        """Stop the daemon in good order; its last command is carried out."""
        assert self._writer is not None
        self.disk_is_broken = False
        self.send(Stopping())
        while self._call_ends_ms is not None:
            self._advance(self._call_ends_ms)
            self._end_call()
        self._record.state(self.state)
        times = {"boot_ms": self.now_ms, "wall_ms": self.wall_ms}
        self._record.append(replace(make.run_end(), **times))
        _now(self._writer.close())
        self._writer = None

    # --- what happens -----------------------------------------------------------------

    def deed(self, hour: float, deed: Deed) -> None:
        """Do something at this hour."""
        self.at(hour, deed)  # type: ignore[arg-type]

    def settings(self, rules: Policy, *, relay_changed: bool = False) -> None:
        """Put other settings in force while the daemon runs."""
        self.rules = rules
        self._record.settings(rules, "{}")
        self.send(SettingsChanged(policy=rules, relay_changed=relay_changed))

    def send(self, event: Event) -> tuple[Effect, ...]:
        if callable(event):
            event()
            return ()
        if not self.alive and self.state.policy.host_is_device:
            return ()
        row = None
        if isinstance(event, SwitchingSucceeded | SwitchingFailed):
            intent, told_at_ms = self._asked.popleft()
            event = replace(event, told_at_ms=told_at_ms)
            error = event.kind if isinstance(event, SwitchingFailed) else None
            row = self._record.outcome(
                intent, now_ms=self.now_ms, error=error, took_ms=12
            )
        before = self.state
        effects = super().send(event)
        self._note(event, before, effects, row)
        return effects

    def _note(
        self, event: Event, before: Any, effects: tuple[Effect, ...], row: int | None
    ) -> None:
        record, after = self._record, self.state
        changed = evidence(before) != evidence(after)
        own = record.event(
            event,
            after,
            now_ms=self.now_ms,
            apart=tells(effects) or changed,
            trigger=row,
            error="no such device",
        )
        for effect in effects:
            match effect:
                case SwitchSupply():
                    at_ms = after.quiet.now_ms
                    asked = record.intent(before, effect, at_ms=at_ms, trigger=own)
                    self._asked.append((asked, at_ms))
                case EffectSeen():
                    record.effect(effect)
                case RaiseAlarm() | ClearAlarm():
                    record.alarm(effect)
        is_read = isinstance(event, ReadingArrived | GaugeFailed)
        if is_read and record.state_is_due(after):
            record.state(after)
            self._commit()
        elif tells(effects) or record.due(self.now_ms) or (is_read and self._log_lost):
            self._commit()

    def _commit(self) -> None:
        assert self._writer is not None
        self._record.flush()
        file = self._writer._file
        if self.disk_is_broken:
            file.write = self._refuse  # type: ignore[method-assign]
        else:
            file.__dict__.pop("write", None)
        with suppress(LogError):
            _now(self._writer.commit())
        lost = not self._writer.healthy
        if lost is not self._log_lost:
            self._log_lost = lost
            self.send(LogLost() if lost else LogBack())
            if not lost:
                self._record.state(self.state)

    def _refuse(self, *_: object, **__: object) -> None:
        raise LogError("the disk is full") from sqlite3.OperationalError("full")


def _now(work: Coroutine[Any, Any, None]) -> None:
    """Run what never waits, because the writer has no thread."""
    with suppress(StopIteration):
        work.send(None)
        raise AssertionError("the writer waits")


# --- whole lives from one number ------------------------------------------------------


def lived(seed: int, path: Path, *, hours: float = 12.0) -> RecordedWorld:
    """Return a world that lived so long, with everything that this seed holds.

    Its log ends in good order, or as a kill leaves it.
    """
    dice = random.Random(seed)
    site = _site(dice, hours)
    rules = _rules(dice)
    limit = dice.choice((LIMIT, LIMIT, 12, 40))
    world = RecordedWorld(site, rules, path, limit=limit)
    for _ in range(dice.randrange(2, 9)):
        _plan(world, dice, dice.uniform(0.2, hours))
    world.run(hours)
    if dice.random() < 0.7 and (world.alive or not rules.host_is_device):
        world.stop()
    else:
        world._vanish()
    return world


def _rules(dice: random.Random) -> Policy:
    low = float(dice.choice((45, 55, 60)))
    return policy(
        marks=Marks(low_percent=low, high_percent=low + dice.choice((4, 10, 20))),
        host_is_device=dice.random() < 0.3,
        gauge_needs_supply=dice.random() < 0.2,
        can_read_back=dice.random() < 0.5,
        floor_percent=dice.choice((15.0, 25.0)),
        poll_ms=dice.choice((15_000, 30_000, 60_000)),
    )


def _site(dice: random.Random, hours: float) -> Site:
    def times(chance: float) -> list[float]:
        return [dice.uniform(0, hours) for _ in range(3) if dice.random() < chance]

    silent, nonsense, leaps, hot, dark = (times(0.4) for _ in range(5))
    noise = dice.random() < 0.5
    wrong = dice.choice(("ok", "ok", "fail", "lies", "moves"))
    relay_off = dice.uniform(0, hours)

    def near(hour: float, begins: list[float], lasts: float) -> bool:
        return any(begin <= hour < begin + lasts for begin in begins)

    def gauge(hour: float, sample: Sample) -> Sample | None:
        if near(hour, silent, 0.2) or dice.random() < 0.002:
            return None
        if near(hour, nonsense, 0.03):
            return replace(sample, soc_percent=1536.0, raw="1536\t\n")
        if near(hour, leaps, 0.02):
            return replace(sample, soc_percent=max(0.0, sample.soc_percent - 20))
        if noise:
            volts = round(sample.voltage_v + dice.randrange(-30, 31) / 1_000, 3)
            return replace(sample, voltage_v=volts)
        return sample

    def relay(hour: float, supply: Supply) -> str:
        del supply
        return wrong if relay_off <= hour < relay_off + 1 else "ok"

    return Site(
        soc_percent=dice.uniform(20, 95),
        load=dice.uniform(4, 25),
        net_charge=dice.uniform(8, 40),
        resolution_percent=dice.choice((1.0, 1.0, 0.1)),
        phase_ms=dice.randrange(0, 900),
        mains=lambda hour: not near(hour, dark, 0.5),
        temperature_c=lambda hour: 48.0 if near(hour, hot, 0.7) else 24.0,
        gauge=gauge,
        relay=relay,
        relay_takes_ms=dice.choice((20, 120, 4_000)),
        reversed_wiring=dice.random() < 0.1,
        fed_by_supply=dice.random() < 0.1,
        hand=tuple((hour, dice.random() < 0.5) for hour in times(0.2)),
        suspends=tuple((hour, dice.uniform(0.01, 1.5)) for hour in times(0.3)),
        wall_steps=tuple(
            (hour, dice.choice((-3_600_000, 5_000, 200 * DAY_MS)))
            for hour in times(0.3)
        ),
    )


def _plan(world: RecordedWorld, dice: random.Random, hour: float) -> None:
    """Put one thing that people or machines do into the world."""
    rules = _rules(dice)
    rules = replace(rules, host_is_device=world.rules.host_is_device)
    moved = dice.random() < 0.5

    def order() -> None:
        until_ms = world.now_ms + dice.randrange(60_000, 7_200_000)
        supply = dice.choice((Supply.ON, Supply.OFF))
        by = "A. Fitter"
        world.send(
            OverridePlaced(supply=supply, until_ms=until_ms, because="inventory", by=by)
        )

    def plan() -> None:
        marks = Marks(low_percent=70.0, high_percent=80.0) if moved else None
        why = PlanReason.RELEARN if moved else PlanReason.RELEARN_BROKEN_OFF
        world.send(PlanChanged(marks=marks, why=why, because="stocktaking"))

    def broken() -> None:
        world.disk_is_broken = True

    def mended() -> None:
        world.disk_is_broken = False

    def disk() -> None:
        broken()
        world.deed(world.hour + dice.uniform(0.1, 1.0), mended)

    deeds: tuple[Deed, ...] = (
        order,
        lambda: world.send(OverrideReleased(by="A. Fitter")) and None,
        plan,
        lambda: world.settings(rules, relay_changed=moved),
        lambda: world.kill(reboots=moved),
        lambda: world.restart(rules if moved else None),
        disk,
    )
    world.deed(hour, dice.choice(deeds))
