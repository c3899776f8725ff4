"""Two lives of a station whose logs are worth forging: all that decides is in them.

One is a day of an operator, heat, silence and other marks; in the other the relay and
the daemon fail, over two boots and a commissioning of new settings. All is invented.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from support import cyclelog_rows as make
from support.cyclelog_life import POLICY, Life
from tidegate.core.effects import SwitchSupply
from tidegate.core.events import (
    OverridePlaced,
    OverrideReleased,
    SettingsChanged,
    SwitchingFailed,
)
from tidegate.core.policy import Marks, Policy
from tidegate.core.reading import ExternalPower, Supply
from tidegate.cyclelog.plain import canonical, to_plain
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.replay import rebuild
from tidegate.cyclelog.rows import OutcomeRow


class Fallible(Life):
    """A life whose relay refuses the next ``refusals`` commands."""

    refusals = 0

    async def _switch(self, intent: int, effect: SwitchSupply) -> None:
        if not self.refusals:
            await super()._switch(intent, effect)
            return
        self.refusals -= 1
        self._pass(1_000)
        row = self.append(
            OutcomeRow(
                **self._times(),
                station="lobby",
                intent=intent,
                succeeded=False,
                error="unavailable",
                took_ms=12,
            )
        )
        event = SwitchingFailed(supply=effect.supply, kind="unavailable")
        await self.feed(event, trigger=row)


async def changed(life: Life, policy: Policy) -> None:
    """Put other settings in force while the daemon runs."""
    text = canonical(to_plain(policy))
    life.append(replace(make.settings(policy=text), **life._times()))
    await life.feed(SettingsChanged(policy=policy, relay_changed=False))


async def _outing(life: Fallible) -> None:
    """What both lives have: jump, silence, heat, an operator, a relay that refuses."""
    await life.live(150)
    await life.read(soc_percent=20.0)
    await life.live(20)
    await life.live(3, soc_percent=1536.0, raw="1536")
    await life.live(30)
    await life.fail(12)
    await life.live(45)
    await life.live(8, temperature_c=47.0)
    await life.live(60)
    until_ms = life.clock.boot_ms() + 3_600_000
    order = OverridePlaced(
        supply=Supply.OFF, until_ms=until_ms, because="inventory", by="A. Fitter"
    )
    await life.feed(order)
    await life.live(20)
    await life.feed(OverrideReleased(by="A. Fitter"))
    life.refusals = 1
    await life.live(90)
    # The contact is told off and sticks for two minutes: an off without its effect.
    while life.contact is Supply.ON:
        await life.live(1)
    await life.live(2, external_power=ExternalPower.YES)
    await life.live(30)
    life.write_state()


async def of_a_day(path: Path) -> None:
    """A run of a day, with other marks towards its end."""
    life = Fallible(path, make.clock())
    await life.start()
    await _outing(life)
    await changed(life, replace(POLICY, marks=Marks(low_percent=50.0, high_percent=60)))
    await life.live(150)
    await life.stop()


async def of_two_boots(path: Path) -> None:
    """A run that is killed, and one after a reboot with a higher floor."""
    clock = make.clock()
    policy = Policy(
        marks=Marks(low_percent=45.0, high_percent=58.0),
        floor_percent=30.0,
        dwell_off_ms=300_000,
    )
    load = {"load_percent_h": 17.0, "charge_percent_h": 26.0}
    life = Fallible(path, clock, policy=policy, **load)  # type: ignore[arg-type]
    await life.start()
    await _outing(life)
    await changed(life, replace(policy, marks=Marks(low_percent=44, high_percent=56.0)))
    await life.live(60)
    await life.writer.commit()
    life.die()
    clock.reboot("boot-2", down_ms=60_000, boot_ms=30_000)
    with Reader(path) as reader:
        state = rebuild(reader, "lobby")
    policy = replace(policy, floor_percent=32.0)
    life = Fallible(path, clock, policy=policy, state=state, **load)  # type: ignore[arg-type]
    life.soc = 57.0
    await life.start(same_boot=False, was_closed=False)
    await life.live(150)
    await life.stop()
