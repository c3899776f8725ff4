"""A hold in the whole daemon: the kernel relay keeps a battery at 60 %, for days.

Service, station, cycle log, sysfs gauge and kernel relay are the real ones, in
virtual time; the driver's two ends and the battery behind them are played.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from faults.rigs import MINUTE_S, lives
from faults.rigs_kernel import INHIBITS, THRESHOLDS, Held
from tidegate.core.effects import Alarm
from tidegate.cyclelog.rows import EffectRow, IntentRow
from tidegate.virtual import VirtualClock
from tidegate.words import alarm_text

OFFERS = [
    pytest.param(INHIBITS, id="behaviour"),
    pytest.param(THRESHOLDS, id="thresholds"),
]


def reasons(site: Held, supply: str) -> list[str]:
    return [row.reason for row in site.rows(IntentRow) if row.supply == supply]


@pytest.mark.parametrize("offers", OFFERS)
def test_it_charges_to_the_mark_and_stays_there(tmp_path: Path, offers: dict) -> None:
    async def life(site: Held) -> None:
        async with site.living():
            await site.hours(0.5)
            assert not site.holds
            await site.hours(8, step_s=300)
            assert site.holds
            assert 59 <= site.driver.level <= 61
            assert site.alarms == set(), "no dead-lock, no missing effect"
            assert site.state.drive.off_proven
            assert site.mains, "external power never left"
            assert site.state.quiet.seen.power == "yes"
        assert site.driver.allows, "after a stop it charges again"
        offs = reasons(site, "off")
        assert offs == ["at_high_mark"], "one off, not a cycle"
        proven = [row.seen for row in site.rows(EffectRow) if row.supply == "off"]
        assert proven == [True], "charging stopped, and the gauge saw it"
        site.sound()

    lives(Held(tmp_path, level=50, offers=offers), life)


def test_an_outage_is_refilled_to_the_mark(tmp_path: Path) -> None:
    async def life(site: Held) -> None:
        async with site.living():
            await site.hours(2)
            assert site.holds
            site.switch_mains(on=False)
            await site.hours(1)
            assert site.driver.level < 50
            assert not site.holds, "on at the low mark, so that power finds it open"
            assert not site.alarmed("relay_external_change")
            assert site.alarmed("supply_absent")
            site.switch_mains(on=True)
            await site.hours(4)
            assert site.holds
            assert 59 <= site.driver.level <= 61
            assert site.alarms == set()
        assert reasons(site, "off").count("at_high_mark") == 2
        site.sound()

    lives(Held(tmp_path, level=58), life)


def test_a_new_boot_begins_with_on_and_holds_again(tmp_path: Path) -> None:
    first = Held(tmp_path, level=58)

    async def before(site: Held) -> None:
        async with site.living():
            await site.hours(2)
            assert site.holds

    async def after(site: Held) -> None:
        async with site.living():
            await site.reads(1)
            assert reasons(site, "on")[-1] == "start"
            await site.hours(1)
            assert site.holds
            assert site.alarms == set()
        site.sound()

    lives(first, before)
    first.driver.reset()
    second = Held(
        tmp_path,
        driver=first.driver,
        clock=VirtualClock(boot_ms=20_000, boot_id="virtual-boot-2"),
    )
    lives(second, after)


def test_it_is_said_again_after_a_resume_that_forgot_it(tmp_path: Path) -> None:
    async def life(site: Held) -> None:
        async with site.living():
            await site.hours(2)
            assert site.holds
            site.driver.reset()  # firmware forgets in its sleep
            site.clock.suspend(3 * 3_600_000)
            await site.until(lambda: site.holds, 2 * MINUTE_S, "said again")
            assert site.told("relay_external_change")[0] is True
            await site.live(2 * MINUTE_S)
            assert site.alarms == set()
        site.sound()

    lives(Held(tmp_path, level=58), life)


def test_above_the_window_it_says_what_to_do(tmp_path: Path) -> None:
    async def life(site: Held) -> None:
        async with site.living():
            await site.hours(23, step_s=900)
            assert not site.alarmed("above_window")
            await site.hours(2, step_s=900)
            assert site.alarmed("above_window")
            assert site.holds, "at least it is not charged further"
            assert site.driver.level >= 88
            assert all(word != "force-discharge" for _, word in site.driver.stored)
            assert "unplug the device once" in alarm_text(Alarm.ABOVE_WINDOW)
            site.switch_mains(on=False)
            await site.hours(2)
            site.switch_mains(on=True)
            await site.hours(0.2)
            assert not site.alarmed("above_window")
        site.sound()

    lives(Held(tmp_path, level=92, poll="2min"), life)


def test_the_floor_beats_a_hold_that_an_operator_never_wanted(tmp_path: Path) -> None:
    """A weak supply: the level falls although there is power, and on comes in time."""

    async def life(site: Held) -> None:
        async with site.living():
            await site.hours(1)
            assert site.holds
            site.set_level(24)
            await site.until(lambda: not site.holds, 60, "on at the floor")
            assert reasons(site, "on")[-1] in ("below_floor", "at_low_mark")
        site.sound()

    lives(Held(tmp_path, level=60), life)
