"""Faults 19 to 26: a device behind an adb server that goes, hangs, lies or locks us out.

Source of the list: field reports of device farms and of adb's own threads. Where a
sentence differs from the table of rules, the table is right: three rejected readings in
a row count, not a time (22), and the supply that is on stays on (19, 25, 26).
"""

from __future__ import annotations

import asyncio
import os
from pathlib import Path

from faults.adb_rig import AdbSite, adb_server, lives
from faults.rigs import HOUR_S, MINUTE_S
from support.adbd import Adbd
from support.dumps import dump
from support.host import TestHost
from support.peers import need
from tidegate.cyclelog.rows import FailureRow, IntentRow
from tidegate.errors import Unavailable
from tidegate_backends.gauges.adb import AdbGauge, AdbSettings

DAY_S = 24 * HOUR_S


def a_device_that_cannot_be_asked(folder: Path) -> None:
    async def life(site: AdbSite) -> None:
        async with site.living():
            await site.switched_off()
            await site.until(
                lambda: not site.board.driven(),
                site_max_off_s + 5 * MINUTE_S,
                "supply on at the end of the box",
            )
            assert {row.reason for row in site.rows(IntentRow)} >= {"coast_over"}
            await site.until(lambda: site.is_attached, 120, "the device is back")
            await site.reads(1)
            assert site.said("gauge is back")
            site.device.authorised = False
            site.device.drop()
            site.adb_server.until(site.device.serial, "unauthorized")
            await site.until(lambda: site.alarmed("gauge_lost"), 600, "alarm, blind")
            site.is_blind = False  # from here on it goes and comes by hand
            site.leave()
            await site.reads(3)
            assert not site.board.driven(), "blind, and the supply was switched off"
            lines = [line for line in site.said("gauge") if line.get("count") == 1]
            firsts = [line["error"] for line in lines]
            assert len(firsts) == 3, f"not one message a change of state: {firsts}"
            for said, words in zip(
                firsts,
                (("not attached", "cable"), ("not authorised", "dialog")) * 2,
                strict=False,
            ):
                assert all(word in said for word in words), f"no remedy: {said}"
            site.device.authorised = True
            site.join()
            await site.until(lambda: not site.alarmed("gauge_lost"), 300, "it is back")
        site.sound()

    site_max_off_s = 15 * MINUTE_S
    lives(AdbSite(folder, over="usb-switched", max_off="15min"), life)


def a_shell_without_a_dump(folder: Path) -> None:
    texts = (
        "Can't find service: battery\n",
        "Permission Denial: can't dump BatteryService from pid=7, uid=2000\n",
        "*** SERVICE 'battery' DUMP TIMEOUT (10000ms) EXPIRED ***\n",
    )

    async def life(site: AdbSite) -> None:
        async with site.living():
            await site.switched_off()
            told = site.moves
            for text in texts:
                site.say(text)
                await site.reads(1)
                site.say()
                await site.reads(1)
            assert site.moves == told, "a missed sample switched the supply"
            assert site.board.driven()
        kinds = [row.kind for row in site.rows(FailureRow)]
        assert sorted(kinds) == ["refused", "unavailable", "unavailable"], kinds
        assert len(set(site.errors())) == 3, site.errors()
        site.sound()

    lives(AdbSite(folder), life)


def an_answer_that_is_not_clean(folder: Path) -> None:
    echoed = "* daemon started successfully\r\nguide:/ $ dumpsys battery\r\n"
    tail = "  mVendorValue1: false\n[Log]\n  level: 3\n  voltage: 5000\n"

    async def life(site: AdbSite) -> None:
        async with site.living():
            await site.switched_off()
            told = site.moves
            seen = site.state.quiet.seen
            assert seen is not None
            whole = dump(level=64, status=3, USB_powered=False)
            for text in (
                (echoed + whole).replace("\n", "\r\n"),
                whole + tail,
                whole + "guide:/ $ \n",
            ):
                site.say(text)
                await site.reads(1)
                seen = site.state.quiet.seen
                assert seen is not None
                assert (seen.soc_percent, seen.voltage_v) == (64.0, 3.812), (
                    f"a tail or an echo was believed: {seen}"
                )
                assert site.moves == told, "a tail or an echo was believed: switched"
            site.device.uptime_s = None  # nothing behind the dump shows its end
            for lines in (9, 10, 11):
                site.say("\n".join(whole.split("\n")[:lines])[:-1])
                at_ms = site.state.quiet.seen.at_ms
                await site.reads(1)
                assert site.state.quiet.seen.at_ms == at_ms, "a cut dump was believed"
                site.say(whole)
                await site.reads(1)
            assert site.moves == told, "an answer that is not clean switched"
        assert {row.kind for row in site.rows(FailureRow)} == {"malformed"}
        site.sound()

    lives(AdbSite(folder), life)


def a_frozen_service(folder: Path) -> None:
    async def life(site: AdbSite) -> None:
        async with site.living():
            await site.switched_off()
            told = site.moves
            site.say(stopped=True, level=60)
            await site.reads(2)
            assert site.moves == told, "two frozen samples switched the supply"
            await site.until(
                lambda: not site.board.driven(), 120, "supply on under a frozen service"
            )
            assert site.alarmed("gauge_implausible")
            notes = [each for each in site.notes() if "somebody froze" in each]
            assert len(notes) == 1, f"it was not told once: {notes}"
            assert "dumpsys battery reset" in notes[0]
            assert all("reset" not in command for command in site.device.heard)
            site.say()
            await site.until(lambda: not site.alarms, 300, "it is back")
        site.sound()

    lives(AdbSite(folder), life)


def a_call_that_hangs(folder: Path) -> None:
    _hangs_in_virtual_time(folder / "plain", restart=False)
    _hangs_in_virtual_time(folder / "restarts", restart=True)
    asyncio.run(_no_process_is_left(folder / "processes"))


def _hangs_in_virtual_time(folder: Path, *, restart: bool) -> None:
    folder.mkdir()

    async def life(site: AdbSite) -> None:
        async with site.living():
            await site.switched_off()
            site.device.behave("hangs")
            hung = site.runs.lasted_s
            await site.until(lambda: len(hung) == 4, 20 * MINUTE_S, "four hangs")
            assert max(hung) <= 10.0, f"a call lasted longer than its limit: {hung}"
            assert site.runs.steps() == []
            began_s = site.now_s
            await site.until(lambda: len(hung) == 6, 20 * MINUTE_S, "two more")
            assert site.now_s - began_s >= 200, "a device that hangs is asked as often"
            assert site.runs.steps() == [("reconnect", "offline")], (
                "the server was not told to connect anew"
            )
            assert not site.board.driven(), "the supply is not on, blind"
            assert site.alarmed("gauge_lost")
            await site.until(
                lambda: len(hung) == 11 or ("kill-server",) in site.runs.told,
                40 * MINUTE_S,
                "five more",
            )
            assert site.runs.told.count(("kill-server",)) == int(restart), (
                "the server was not ended as the settings say"
            )
            site.device.behave("fair")
            if restart:
                site.adb_server.connect(site.device)
            await site.until(lambda: not site.alarmed("gauge_lost"), 600, "it is back")
        site.sound()

    lives(AdbSite(folder, gauge={"restart_server": restart}), life)


async def _no_process_is_left(folder: Path) -> None:
    """In real time: a call that hangs is killed and reaped, and none piles up."""
    host = TestHost(now_ms=1_000_000)
    with adb_server(need("adb"), folder) as server, Adbd(dump()) as device:
        server.connect(device)
        device.behave("hangs")
        gauge = AdbGauge(
            AdbSettings(
                serial=device.serial,
                server_port=server.port,
                program=server.program,
                home=str(server.home),
                limit="0.5s",
            ),
            host,
        )
        before = set(_children())
        async with gauge:
            for count in (1, 2):
                try:
                    await gauge.read()
                except Unavailable:
                    assert len(device.heard) <= count
                left = set(_children()) - before
                assert left == set(), f"processes were left behind: {left}"
                host.now_ms = (host.now_ms or 0) + 130_000


def _children() -> list[int]:
    tasks = Path(f"/proc/{os.getpid()}/task").iterdir()
    texts = [(task / "children").read_text() for task in tasks]
    return [int(number) for text in texts for number in text.split()]


def a_supply_that_takes_adb_along(folder: Path) -> None:
    async def life(site: AdbSite) -> None:
        site.returns_after_s = 50
        async with site.living():
            await site.switched_off()
            alarms: set[str] = set()

            def goes_on() -> bool:
                alarms.update(site.alarms - {"not_fail_on"})
                return not site.board.driven()

            await site.until(goes_on, 20 * MINUTE_S, "supply on after the coast")
            await site.until(
                lambda: goes_on() and site.is_attached, 120, "the device is back"
            )
            await site.reads(1)
            goes_on()
            assert alarms == set(), f"an expected loss was an alarm: {alarms}"
            errors = site.errors()
            assert errors, "nobody was told at all"
            assert all("as expected while its supply is off" in e for e in errors), (
                errors
            )
        reasons = [row.reason for row in site.rows(IntentRow)]
        assert "gauge_lost" not in reasons
        site.sound()

    lives(
        AdbSite(
            folder, over="usb-switched", max_off="10min", poll="10s", stale_after="30s"
        ),
        life,
    )


def more_than_one_device(folder: Path) -> None:
    async def life(site: AdbSite) -> None:
        with Adbd(dump(level=90)) as other:
            async with site.living():
                await site.reads(2)
                told = site.moves
                site.adb_server.connect(other)
                await site.reads(2)
                seen = site.state.quiet.seen
                assert seen is not None
                assert seen.soc_percent == 60.0, "another device was believed"
                (error,) = site.errors()
                assert site.device.serial in error
                assert other.serial in error
                assert 'serial = "..."' in error
                assert {row.kind for row in site.rows(FailureRow)} <= {"refused"}
                assert site.moves == told
                site.adb_server.adb("disconnect", other.serial)
                await site.reads(1)
                assert site.said("gauge is back")
            assert other.heard == [], "another device was asked"
        site.sound()

    lives(AdbSite(folder, gauge={"serial": None}), life)


def a_key_about_to_expire(folder: Path) -> None:
    async def life(site: AdbSite) -> None:
        async with site.living():
            await site.live(5 * MINUTE_S)
            site.leave()
            # The first answers are adb's own; the rest of three days repeats them.
            await site.live(5 * MINUTE_S)
            site.runs.repeats = True
            await site.live(3 * DAY_S - 10 * MINUTE_S)
            assert not site.alarmed("gauge_silent"), "alarm before its time"
            await site.until(
                lambda: site.alarmed("gauge_silent"),
                20 * MINUTE_S,
                "an alarm before the key is forgotten",
            )
            site.runs.repeats = False
            site.join()
            await site.until(lambda: not site.alarmed("gauge_silent"), 600, "back")
        assert site.told("gauge_silent") == [True, False]
        site.sound()

    lives(AdbSite(folder, poll="2min"), life)


CASES = {
    19: a_device_that_cannot_be_asked,
    20: a_shell_without_a_dump,
    21: an_answer_that_is_not_clean,
    22: a_frozen_service,
    23: a_call_that_hangs,
    24: a_supply_that_takes_adb_along,
    25: more_than_one_device,
    26: a_key_about_to_expire,
}
