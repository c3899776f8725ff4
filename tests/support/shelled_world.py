"""Half a day of the whole service from one number: faults, crashes, boots, a bad disk.

Service, stations, recorder and writer are the real ones; gauge and relay are the fakes
of ``shell_rig``. All numbers are invented.
"""

from __future__ import annotations

import asyncio
import random
from dataclasses import replace
from pathlib import Path
from typing import Any

from support.shell_rig import HANGS, OFF, ON, Mood, Rig, broken_log, lives
from tidegate.contract import Readback
from tidegate.core.events import OverridePlaced, OverrideReleased
from tidegate.errors import Malformed, Unavailable
from tidegate.virtual import VirtualClock

PARTS = 10


class _World:
    """What may happen to the service, each by a name."""

    def __init__(self, seed: int, folder: Path) -> None:
        self.dice = random.Random(seed)
        dice = self.dice
        self.rig = Rig(
            folder,
            names=("lobby", "hall"),
            clock=VirtualClock(boot_ms=600_000, wall_ms=self._begins()),
            relay_facts={"readback": dice.choice([Readback.NONE, Readback.LATCH])},
            gauge_facts={"needs_supply": dice.random() < 0.2},
            table={"limits": {"floor": dice.choice([20, 30])}},
        )
        self.boots = 1
        for device in self.rig.devices.values():
            device.soc_percent = dice.uniform(30, 80)
            device.load_percent_h = dice.uniform(5, 30)
            device.charge_percent_h = dice.uniform(10, 40)

    def _begins(self) -> int:
        # Every third world goes over the turn of a year.
        new_year_ms, other_ms = 1_798_750_000_000, 1_772_431_200_000
        return self.dice.choice([new_year_ms, other_ms, other_ms])

    # --- faults -------------------------------------------------------------------

    def _error(self) -> Exception:
        kind = self.dice.choice([Unavailable, Malformed])
        return kind("fails by order", target="fake", remedy="None.")

    def gauge_fails(self) -> None:
        times = self.dice.choice([1, 3, 20])
        self.rig.gauges["lobby"].order("read", Mood(error=self._error()), times)

    def gauge_hangs(self) -> None:
        self.rig.gauges["lobby"].order("read", HANGS, self.dice.choice([1, 4]))

    def gauge_lies(self) -> None:
        sample = self.rig.now("lobby").sample()
        lie = self.dice.choice([1536.0, 3.0, 97.0])
        answer = replace(sample, soc_percent=lie, raw="lie\t\\")
        times = self.dice.choice([1, 2, 5])
        self.rig.gauges["lobby"].order("read", Mood(answer=answer), times)

    def relay_fails(self) -> None:
        times = self.dice.choice([1, 3])
        self.rig.relays["lobby"].order("set", Mood(error=self._error()), times)

    def relay_hangs(self) -> None:
        self.rig.relays["lobby"].order("set", HANGS, 1)

    def relay_is_slow(self) -> None:
        mood = Mood(takes_s=self.dice.uniform(1, 8), outlives=True)
        self.rig.relays["lobby"].order("set", mood, 2)

    def relay_does_nothing(self) -> None:
        self.rig.relays["lobby"].order("set", Mood(answer=False), 3)

    def relay_is_gone(self) -> None:
        self.rig.relays["lobby"].order("get", Mood(error=self._error()), 2)

    def somebody_moves_it(self) -> None:
        device = self.rig.now("lobby")
        device.contact = ON if device.contact is OFF else OFF

    def mains_fail(self) -> None:
        device = self.rig.now("lobby")
        device.mains = not device.mains

    def it_is_hot(self) -> None:
        device = self.rig.now("lobby")
        device.temperature_c = 72.0 - device.temperature_c

    def it_sleeps(self) -> None:
        self.rig.clock.suspend(self.dice.randrange(1_000, 7_200_000))

    def the_clock_is_set(self) -> None:
        step_ms = self.dice.choice([-86_400_000, -5_000, 90_000])
        self.rig.clock.step_wall(step_ms)

    def the_disk_is_slow(self) -> None:
        self.rig.disk_takes_s = self.dice.choice([0.0, 0.5, 5.0])

    def somebody_orders(self) -> None:
        assert self.rig.service is not None
        station = self.rig.service.stations["lobby"]
        now_ms = station.now_ms()
        order = OverridePlaced(
            supply=self.dice.choice([ON, OFF]),
            until_ms=now_ms + self.dice.randrange(60_000, 3_600_000),
            because="inventory",
            by="A. Fitter",
        )
        event = self.dice.choice([order, order, OverrideReleased(by="A. Fitter")])
        station.feed(event, at_ms=now_ms)

    # --- ends and begins ----------------------------------------------------------

    async def crashes(self) -> None:
        await self.rig.crash()
        self.rig.disk_takes_s = 0.0
        await self._starts(reboots=self.dice.random() < 0.4)

    async def ends(self) -> None:
        await self.rig.end()
        if self.dice.random() < 0.5:
            low = self.dice.choice([45, 55])
            self.rig.table["window"] = {"low": low, "high": low + 12}
        await self._starts(reboots=self.dice.random() < 0.3)

    async def _starts(self, *, reboots: bool) -> None:
        clock = self.rig.clock
        if reboots:
            self.boots += 1
            clock.reboot(f"boot-{self.boots}", down_ms=60_000, boot_ms=30_000)
            for device in self.rig.devices.values():
                device.at_ms = clock.boot_ms()
        else:
            clock.advance(self.dice.randrange(0, 200_000))
        await self.rig.begin()
        await asyncio.sleep(10)

    async def the_log_is_away(self) -> None:
        mend = broken_log(self.rig.log)
        await asyncio.sleep(self.dice.uniform(10, 1_500))
        mend()
        await asyncio.sleep(60)

    async def live(self) -> None:
        dice, faults = self.dice, _faults(self)
        with self.rig.patched():
            await self.rig.begin()
            await asyncio.sleep(10)
            for _ in range(PARTS):
                await asyncio.sleep(dice.uniform(20, 4_500))
                kind = dice.random()
                if kind < 0.2:
                    await self.crashes()
                elif kind < 0.3:
                    await self.ends()
                elif kind < 0.4:
                    await self.the_log_is_away()
                else:
                    dice.choice(faults)()
            await self.crashes()
            await asyncio.sleep(600)
            await self.rig.end()


def _faults(world: _World) -> list[Any]:
    return [
        world.gauge_fails,
        world.gauge_hangs,
        world.gauge_lies,
        world.relay_fails,
        world.relay_hangs,
        world.relay_is_slow,
        world.relay_does_nothing,
        world.relay_is_gone,
        world.somebody_moves_it,
        world.mains_fail,
        world.it_is_hot,
        world.it_sleeps,
        world.the_clock_is_set,
        world.the_disk_is_slow,
        world.somebody_orders,
    ]


def shelled(seed: int, folder: Path) -> None:
    """Live half a day; leaves the log ``cycles.db``, stopped in good order."""
    world = _World(seed, folder)
    lives(world.rig, world.live)
