"""The end of a run when the daemon itself stops: seconds are left, and on comes first.

All limits together stay below what a stop waits for a station that is out.
"""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from typing import Any, Final, TypeVar

from tidegate.core.effects import Kind
from tidegate.core.reading import Supply
from tidegate.prove.device import Device, Told
from tidegate.prove.ending import Ending
from tidegate.prove.findings import Finding
from tidegate.prove.homing import is_on
from tidegate.prove.judging import shows_on
from tidegate.station.bounded import bounded, leave

T = TypeVar("T")

# Since the stop, the time for what was under way with it; and the least, in any case.
TELL_LIMIT_S: Final = 5.0
TELL_LEAST_S: Final = 1.0
LOOK_LIMIT_S: Final = 1.0
AGAIN_S: Final = 0.25


async def unless_in_haste(
    work: Coroutine[Any, Any, T], device: Device, ending: Ending
) -> T | None:
    """Return what the work yields; ``None`` where it was given up for a stop."""
    loop = asyncio.get_running_loop()
    doing, hurry = loop.create_task(work), loop.create_task(ending.haste.wait())
    try:
        await asyncio.wait({doing, hurry}, return_when=asyncio.FIRST_COMPLETED)
        if not doing.done():
            await device.interrupt(doing)
        if doing.done() and not doing.cancelled():
            return doing.result()
        return None
    finally:
        hurry.cancel()
        if not doing.done():
            doing.cancel()
        leave(doing)


async def on_in_haste(device: Device, ending: Ending) -> None:
    """Command on once more unless it is known to be on; what is seen goes to ``seen``."""
    if is_on(device):
        device.seen.is_on = True
        return
    device.say("Supply on, as the daemon stops.")
    try:
        limit_s = ending.left_s(TELL_LIMIT_S, least_s=TELL_LEAST_S)
        told = await bounded(_taken(device), limit_s=limit_s)
    except TimeoutError:
        device.say("The relay does not take the on in time.")
        device.seen.find(Finding.STILL_DARK)
        return
    try:
        device.seen.is_on = await bounded(_shown(device), limit_s=LOOK_LIMIT_S)
    except TimeoutError:
        device.seen.is_on = None  # the gauge may be slow; nobody waits for it any more
    if device.seen.is_on:
        await device.proven(told)
    else:
        await device.unproven(told, seen=None)


async def _taken(device: Device) -> Told:
    told = await device.tell(Supply.ON)
    while told.error is not None:
        await asyncio.sleep(AGAIN_S)
        told = await device.tell(Supply.ON, kind=Kind.REPEAT)
    return told


async def _shown(device: Device) -> bool:
    """Return as soon as the gauge shows the supply."""
    while True:
        reading = await device.read()
        sample = reading.sample if reading is not None and reading.trusted else None
        if sample is not None and shows_on(sample, device.policy):
            return True
        await asyncio.sleep(AGAIN_S)
