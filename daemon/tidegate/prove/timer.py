"""The relay's own timer: off, nobody refreshes, does the supply come back by itself?"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Final

from tidegate.core.policy import HOUR_MS, MS, Policy
from tidegate.prove.device import Device, Told
from tidegate.prove.ending import Ending
from tidegate.prove.findings import Finding
from tidegate.prove.looks import BACK_MS, Looks
from tidegate.prove.offs import Offs
from tidegate.prove.result import Timer

# A timer is as exact as a cheap oscillator, and the gauge shows it ``settle`` later.
MARGIN: Final = 1.1
# Nobody there is no yes.
ASK_LIMIT_S: Final = 300.0
# The steepest loss that is reckoned with while nobody sees it, as for a coast.
BLIND_SLOPE_PERCENT_H: Final = 5.0

# Answers true or false, or None where there is nobody to ask.
Ask = Callable[[str], Awaitable[bool | None]]


async def try_timer(looks: Looks, offs: Offs, ending: Ending, *, ask: Ask) -> None:
    """Let the timer return the supply, if the relay has one and a person agrees.

    May raise Ended; the supply may then be off.
    """
    device = looks.device
    seen, timer_s = device.seen, device.relay.facts.dead_man_s
    if timer_s is None:
        return
    seen.timer = Timer.NOT_TESTED
    if timer_s * MS <= 2 * device.policy.poll_ms:
        seen.find(Finding.TIMER_TOO_SHORT)
    longest_ms = round(timer_s * MARGIN * MS) + device.policy.settle_ms
    why_not = _why_not(device, longest_ms)
    agreed = None
    if why_not is None:
        agreed = await ending.unless(_asked(ask, longest_ms))
    if not agreed:
        device.say(why_not or "The relay's timer is not tested.")
        seen.find(Finding.TIMER_NOT_TESTED)
        return
    device.say(
        f"Supply off, and nobody refreshes the timer of {timer_s:g} s. "
        f"Waiting {longest_ms / MS:.0f} s at most."
    )
    told, _ = await offs.go_off(refreshes=False)
    returned_ms = await _returned(looks, told, longest_ms)
    await _take_in(device, returned_ms)


async def _asked(ask: Ask, longest_ms: int) -> bool | None:
    try:
        async with asyncio.timeout(ASK_LIMIT_S):
            return await ask(
                "Test the relay's timer? The device goes without supply, and nothing "
                f"but the timer returns it, for up to {longest_ms / MS:.0f} s."
            )
    except TimeoutError:
        return None


def _why_not(device: Device, longest_ms: int) -> str | None:
    """Return why this battery must not be left alone so long."""
    last, policy = device.last, device.policy
    assert last is not None
    allowed_ms = _alone_ms(last.soc_percent, policy)
    if longest_ms <= allowed_ms:
        return None
    return (
        f"The timer is not tested: it takes up to {longest_ms / MS:.0f} s, and this "
        f"battery may go {allowed_ms / MS:.0f} s without supply."
    )


def _alone_ms(soc_percent: float, policy: Policy) -> int:
    """Return how long the device may go unwatched: half of what is over the floor."""
    spare_percent = max(0.0, soc_percent - policy.floor_percent)
    half_ms = spare_percent / 2 / BLIND_SLOPE_PERCENT_H * HOUR_MS
    return min(policy.max_off_ms, round(half_ms))


async def _returned(looks: Looks, told: Told, longest_ms: int) -> int | None:
    """Return how long after the off the gauge shows the supply, there to stay again."""
    grace_ms = BACK_MS if looks.device.policy.gauge_needs_supply else 0
    until_ms = told.done_ms + longest_ms + grace_ms
    await looks.pause()
    came = await looks.returned(until_ms, hold_ms=looks.hold_ms)
    return None if came.first is None else came.first.at_ms - told.done_ms


async def _take_in(device: Device, returned_ms: int | None) -> None:
    seen = device.seen
    if returned_ms is None:
        seen.timer = Timer.FAILED
        raise device.found(
            Finding.TIMER_FAILED, "the relay's timer did not return the supply"
        )
    seen.timer, seen.timer_returned_ms = Timer.RETURNED, returned_ms
    device.let_go()
    if returned_ms <= 2 * device.policy.poll_ms:
        seen.find(Finding.TIMER_TOO_SHORT)
    device.say(f"The timer returned the supply after {returned_ms / MS:.1f} s.")
