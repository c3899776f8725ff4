"""Fault 47: many devices on one host, some of which hang in their own call.

The whole service in virtual time, between fake backends that hang on order; and its
threads for real, because a thread that is taken cannot be had in virtual time.
"""

from __future__ import annotations

import asyncio
import threading
from collections import Counter
from pathlib import Path
from typing import Final

from support.shell_rig import HANGS, OFF, Device, Rig, lives
from tidegate.clock import SystemClock
from tidegate.host import Machine

COUNT: Final = 30
NAMES: Final = tuple(f"hall-{number:02}" for number in range(COUNT))
# Every tenth hangs: its gauge where it opens, or where it reads, or its relay.
HANG_AT: Final = dict(
    zip(NAMES[::10], ("gauge open", "gauge read", "relay set"), strict=True)
)
SOUND: Final = tuple(name for name in NAMES if name not in HANG_AT)


def a_crowd(folder: Path) -> None:
    """Some devices of many hang: no other is read, or decided on, any later."""
    asyncio.run(_threads())
    table = {"poll": "10s", "stale_after": "20s", "dwell": {"on": "5s", "off": "5s"}}
    rig = Rig(folder, names=(), apart=NAMES, table=table)
    rig.devices = {name: Device(at_ms=rig.clock.boot_ms()) for name in NAMES}
    rig.prepare = lambda: _hang(rig)
    start_ms = rig.clock.boot_ms()

    async def life() -> None:
        async with rig.living():
            await rig.live(5)
            late = [name for name in SOUND if not rig.notes("read", name)]
            assert not late, f"waited for one that hangs: {late[:3]}"
            _check_spread(rig, start_ms)
            await rig.live(60)
            for name in SOUND:
                rig.now(name).soc_percent = 66.0
            began_ms = rig.clock.boot_ms()
            await rig.live(15)
            for name in SOUND:
                told = [n.at_ms for n in rig.notes("told", name) if n.more is OFF]
                assert told, f"{name} was not switched off"
                assert told[-1] - began_ms <= 12_000, f"{name} was switched off late"
            for name, part in HANG_AT.items():
                code = "relay_failed" if part == "relay set" else "gauge_lost"
                assert _alarmed(rig, code, name), f"a {part} that hangs is not told"

    lives(rig, life)


def _alarmed(rig: Rig, code: str, name: str) -> bool:
    """Whether an alarm stands; none at a station that has not even begun."""
    assert rig.service is not None
    return rig.service.stations[name].state is not None and rig.alarmed(code, name)


def _hang(rig: Rig) -> None:
    for name, where in HANG_AT.items():
        part, call = where.split()
        made = (rig.gauges if part == "gauge" else rig.relays).get(name)
        if made is not None:
            made.order(call, HANGS)


def _check_spread(rig: Rig, start_ms: int) -> None:
    """First reads, and so all polls after them, do not fall on one instant."""
    firsts = [rig.notes("read", name)[0].at_ms - start_ms for name in SOUND]
    instant_ms, most = Counter(firsts).most_common(1)[0]
    assert most <= 2, f"{most} stations are read at one instant, after {instant_ms} ms"
    assert max(firsts) <= 5_000


async def _threads() -> None:
    """What one device's calls may take for ever is a thread of its own."""
    machine = Machine(SystemClock())
    try:
        used = set()
        for name in NAMES[:10]:
            host = machine.host(name, hint=lambda: None)
            used.add(await host.worker(f"gauge of {name}").call(threading.get_ident))
    finally:
        machine.workers.close()
    assert len(used) == 10, f"ten devices wait for {len(used)} thread"


CASES = {47: a_crowd}
