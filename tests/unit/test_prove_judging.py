"""What one reading proves of an off or an on: both sides of each fact."""

from __future__ import annotations

import asyncio

import pytest

from tidegate.core.policy import Policy, Proof
from tidegate.core.reading import BatteryStatus, ExternalPower, Reading, Sample
from tidegate.prove.ending import Ended, Ending
from tidegate.prove.judging import (
    could_show_off,
    shows_off,
    shows_on,
    why_not_begin,
    why_not_go_on,
)
from tidegate.prove.result import Verdict, spread

YES, NO, UNKNOWN = ExternalPower.YES, ExternalPower.NO, ExternalPower.UNKNOWN
CHARGING, DISCHARGING = BatteryStatus.CHARGING, BatteryStatus.DISCHARGING
IDLE, FULL, SILENT = (
    BatteryStatus.NOT_CHARGING,
    BatteryStatus.FULL,
    BatteryStatus.UNKNOWN,
)
CONTACT = Policy()
BLIND = Policy(gauge_needs_supply=True)
HOLD = Policy(proof=Proof.CHARGING)


def sample(
    power: ExternalPower,
    status: BatteryStatus,
    soc_percent: float = 60.0,
    celsius: float | None = 25.0,
) -> Sample:
    return Sample(
        external_power=power,
        battery_status=status,
        soc_percent=soc_percent,
        temperature_c=celsius,
    )


def reading(soc_percent: float, celsius: float | None = 25.0) -> Reading:
    return Reading(
        sample=sample(YES, CHARGING, soc_percent, celsius), at_ms=1, wall_ms=1
    )


@pytest.mark.parametrize(
    ("before", "now", "policy", "shown"),
    [
        (sample(YES, CHARGING), sample(NO, DISCHARGING), CONTACT, True),
        (sample(YES, FULL), sample(NO, FULL), CONTACT, True),
        (sample(YES, CHARGING), sample(YES, CHARGING), CONTACT, False),
        (sample(YES, CHARGING), sample(YES, FULL), CONTACT, False),
        (sample(YES, CHARGING), sample(UNKNOWN, CHARGING), CONTACT, False),
        (sample(UNKNOWN, CHARGING), sample(UNKNOWN, DISCHARGING), CONTACT, True),
        (sample(UNKNOWN, SILENT), sample(UNKNOWN, DISCHARGING), CONTACT, False),
        # What was not there cannot leave.
        (sample(NO, CHARGING), sample(NO, DISCHARGING), CONTACT, False),
        (sample(NO, DISCHARGING, 60), sample(NO, DISCHARGING, 50), CONTACT, False),
        # Two points of charge are a proof of their own.
        (sample(UNKNOWN, SILENT, 60), sample(UNKNOWN, SILENT, 58), CONTACT, True),
        (sample(UNKNOWN, SILENT, 60), sample(UNKNOWN, SILENT, 58.01), CONTACT, False),
        (sample(YES, CHARGING), sample(YES, IDLE), HOLD, True),
        (sample(YES, CHARGING), sample(YES, CHARGING), HOLD, False),
        (sample(YES, FULL), sample(YES, IDLE), HOLD, False),
    ],
)
def test_what_shows_an_off(
    before: Sample, now: Sample, policy: Policy, shown: bool
) -> None:
    assert shows_off(before, now, policy) is shown


@pytest.mark.parametrize(
    ("now", "policy", "was_lost", "shown"),
    [
        (sample(YES, DISCHARGING), CONTACT, False, True),
        (sample(NO, CHARGING), CONTACT, False, False),
        (sample(NO, CHARGING), CONTACT, True, False),
        (sample(UNKNOWN, CHARGING), CONTACT, False, True),
        (sample(UNKNOWN, FULL), CONTACT, False, True),
        (sample(UNKNOWN, DISCHARGING), CONTACT, False, False),
        (sample(UNKNOWN, SILENT), CONTACT, False, None),
        (sample(UNKNOWN, SILENT), BLIND, True, True),
        (sample(YES, CHARGING), HOLD, False, True),
        (sample(YES, IDLE), HOLD, False, False),
    ],
)
def test_what_shows_an_on(
    now: Sample, policy: Policy, was_lost: bool, shown: bool | None
) -> None:
    assert shows_on(now, policy, was_lost=was_lost) is shown


@pytest.mark.parametrize(
    ("now", "policy", "could"),
    [
        (sample(YES, SILENT), CONTACT, True),
        (sample(NO, CHARGING), CONTACT, False),
        (sample(UNKNOWN, IDLE), CONTACT, True),
        (sample(UNKNOWN, DISCHARGING), CONTACT, False),
        (sample(UNKNOWN, SILENT), BLIND, True),
        (sample(NO, SILENT), BLIND, False),
        (sample(YES, CHARGING), HOLD, True),
        (sample(YES, FULL), HOLD, False),
    ],
)
def test_whether_an_off_could_show(now: Sample, policy: Policy, could: bool) -> None:
    assert could_show_off(now, policy) is could


@pytest.mark.parametrize(
    ("given", "begins", "goes_on"),
    [
        (reading(35.0), True, True),
        (reading(34.99), False, True),
        (reading(30.0), False, True),
        (reading(29.99), False, False),
        (reading(60.0, 44.999), True, True),
        (reading(60.0, 45.0), False, True),
        (reading(60.0, 59.999), False, True),
        (reading(60.0, 60.0), False, False),
        (reading(60.0, None), True, True),
    ],
)
def test_when_it_may_begin_and_go_on(
    given: Reading, begins: bool, goes_on: bool
) -> None:
    """The floor is 25 %, hot is 45 °C, critical 60 °C: the defaults."""
    assert (why_not_begin(given, CONTACT) is None) is begins
    assert (why_not_go_on(given, CONTACT) is None) is goes_on


def test_the_spread_of_latencies() -> None:
    assert spread([]) is None
    assert spread([1_200]) == {"min_ms": 1_200, "median_ms": 1_200, "max_ms": 1_200}
    assert spread([3, 1, 10]) == {"min_ms": 1, "median_ms": 3, "max_ms": 10}


async def test_an_end_that_comes_gives_work_up() -> None:
    ending = Ending()
    loop = asyncio.get_running_loop()
    loop.call_soon(ending.end, "first")
    loop.call_soon(ending.end, "second")
    with pytest.raises(Ended) as caught:
        await ending.unless(asyncio.sleep(1e6))
    assert (caught.value.verdict, caught.value.why) == (Verdict.ABORTED, "first")
    with pytest.raises(Ended):
        await ending.pause(1e6)


async def test_work_that_ends_is_passed_on() -> None:
    async def work() -> int:
        return 7

    async def fault() -> int:
        raise ValueError("its own")

    ending = Ending()
    assert await ending.unless(work()) == 7
    with pytest.raises(ValueError, match="its own"):
        await ending.unless(fault())
    await ending.pause(0.0)
