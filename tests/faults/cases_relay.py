"""Faults 27 to 32, 36 and 37: a relay that is away, stuck, moved by others, or worn.

Where the list says "retry twice, then stop", the table of rules adds a trial off after
an hour (29); "re-assert at most n times an hour" is two offs and any number of ons (30).
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path

from faults.rigs import HOUR_S, MINUTE_S, Site, lives
from support.host import TestHost
from support.relay_board import RelayBoard
from tidegate.core.reading import Supply
from tidegate.cyclelog.rows import EffectRow, IntentRow, ReadingRow
from tidegate.errors import BackendError, Malformed
from tidegate_backends.relays.serial_frame import SerialFrameRelay, Settings
from tidegate_backends.wire.four_byte import FrameError


def a_missing_port(folder: Path) -> None:
    async def life(site: Site) -> None:
        site.board.unplug()
        async with site.living():
            await site.live(5 * MINUTE_S)
            assert site.alarmed("relay_failed"), "a missing relay was not told"
            assert site.cycles >= 10, "the station does not read"
            assert any("the port is missing" in m["error"] for m in site.said("relay"))
            site.board.plug_in()
            await site.until(lambda: site.ons > 0, 330, "told on, now that it is there")
            await site.live(60)
            assert not site.alarmed("relay_failed"), "the alarm did not end"
            await site.switched_off()
            assert site.state.drive.off_proven, "the effect was not verified"
        assert site.rows(ReadingRow)
        site.sound()

    lives(Site(folder), life)


def a_pulled_plug(folder: Path) -> None:
    async def life(site: Site) -> None:
        async with site.living():
            await site.live(200)
            for off in (False, True):
                if off:
                    await site.switched_off()
                site.board.unplug()
                await site.live(75)
                assert site.alarmed("relay_failed"), "an unplugged relay was not told"
                assert site.powered, "normally-closed: the pull itself is an on"
                site.board.forget()
                site.board.plug_in()
                told = (lambda: site.offs > 0) if off else (lambda: site.ons > 0)
                await site.until(told, HOUR_S + 60, "told again on return")
                await site.live(90)
                assert not site.alarmed("relay_failed"), "the alarm did not end"
            assert site.board.driven(), "off is commanded and was not set again"
        proven = [row.seen for row in site.rows(EffectRow) if row.supply == "off"]
        # Before the pull, and after the return.
        assert proven.count(True) == 2, f"the effect was not verified: {proven}"
        site.sound()

    lives(Site(folder), life)


def an_off_without_effect(folder: Path) -> None:
    async def life(site: Site) -> None:
        async with site.living():
            await site.reads(2)
            site.weld(welded=True)
            site.set(capacity=66)
            await site.until(
                lambda: site.alarmed("relay_no_effect"),
                20 * MINUTE_S,
                "an off without effect is sent three times, then told",
            )
            assert site.offs == 3, f"sent {site.offs} times, not three"
            alarmed_s = site.now_s
            await site.until(lambda: not site.board.driven(), 60, "on again")
            await site.live(50 * MINUTE_S)
            assert site.offs == 3, "offs did not stop"
            site.weld(welded=False)
            await site.until(site.board.driven, 15 * MINUTE_S, "a trial off")
            assert site.now_s - alarmed_s >= HOUR_S, "a trial too early"
            await site.until(
                lambda: not site.alarmed("relay_no_effect"), 120, "an effect ends it"
            )
        seen = [row.seen for row in site.rows(EffectRow) if row.supply == "off"]
        assert seen == [False, False, False, True], seen
        site.sound()

    lives(Site(folder), life)


def a_strangers_hand(folder: Path) -> None:
    async def life(site: Site) -> None:
        async with site.living():
            await site.switched_off()
            offs = site.offs
            for turn in range(5):
                site.board.hand(1, driven=False)
                site.set(capacity=66 - turn)
                await site.live(45)
                assert turn or site.told("relay_external_change"), (
                    "a stranger's hand was not told"
                )
                await site.live(5 * MINUTE_S)
            assert site.offs - offs == 2, f"fought the stranger: {site.offs - offs}"
            site.set(capacity=54)
            await site.until(
                lambda: site.state.reason.value == "at_low_mark", 60, "on by the table"
            )
            await site.live(60)
            assert not site.alarmed("relay_external_change"), "the alarm did not end"
            for _ in range(3):
                ons = site.ons
                site.board.hand(1, driven=True)
                await site.until(lambda: site.ons > ons, 330, "on is said again")  # noqa: B023
                assert not site.board.driven()
        site.sound()

    lives(Site(folder), life)


def a_stuck_contact(folder: Path) -> None:
    async def life(site: Site) -> None:
        async with site.living():
            await site.reads(2)
            site.weld(welded=True)
            site.set(capacity=70)
            await site.until(
                lambda: site.alarmed("overcharge_risk"),
                20 * MINUTE_S,
                "stuck closed above the window is overcharge_risk",
            )
            site.weld(welded=False)
            site.set(capacity=60)
            await site.until(
                lambda: not site.alarmed("overcharge_risk"), 60, "back in the window"
            )
            site.switch_mains(on=False)  # for the device: a contact stuck open
            for level in (55, 40, 24):
                site.set(capacity=level)
                await site.reads(3)
            await site.until(
                lambda: site.alarmed("device_will_die"),
                5 * MINUTE_S,
                "stuck open below the floor is device_will_die",
            )
            ons = site.ons
            await site.until(lambda: site.ons > ons, 330, "on is said again")
            site.switch_mains(on=True)
            await site.until(
                lambda: not site.alarmed("device_will_die"), 60, "power is back"
            )
        site.sound()

    lives(Site(folder), life)


def a_spoiled_answer(folder: Path) -> None:
    with RelayBoard(folder / "relay-port") as board:
        asyncio.run(_spoiled(board))


async def _spoiled(board: RelayBoard) -> None:
    relay = SerialFrameRelay(Settings(port=str(board.link), pause="0s"), TestHost())
    async with relay:
        for kind in ("bad-checksum", "wrong-channel", "stale", "echo", "cut"):
            board.forget()
            board.spoil(kind, 1)
            await _told(relay, Supply.OFF, f"one spoiled answer failed ({kind})")
            assert board.driven(), kind
            sent = len(board.heard())
            assert sent == 2, f"a spoiled answer was believed ({kind}): {sent} frames"
            await _told(relay, Supply.ON, "a fair answer failed")
        for kind in ("bad-checksum", "wrong-channel", "stale"):
            board.forget()
            board.spoil(kind)
            try:
                await relay.set(Supply.OFF)
            except Malformed:
                sent = len(board.heard())
                assert sent == 2, f"resent {sent - 1} times, not once"
            else:
                raise AssertionError(f"a spoiled answer was believed ({kind})")
            board.fair()
            await _told(relay, Supply.ON, "it did not recover")
        # What lay about from before, a sound answer of the wrong state, is dropped.
        board.forget()
        board.say(bytes.fromhex("A00100A1"))
        await _told(relay, Supply.OFF, "stale bytes failed the switching")
        assert len(board.heard()) == 1, "stale bytes were taken for the answer"


async def _told(relay: SerialFrameRelay, supply: Supply, else_: str) -> None:
    try:
        await relay.set(supply)
    except (BackendError, FrameError) as error:
        raise AssertionError(f"{else_}: {error}") from error


def a_worn_budget(folder: Path) -> None:
    async def life(site: Site) -> None:
        async with site.living():
            await site.switched_off()
            spent_s = site.now_s
            site.set(capacity=54)
            await site.until(lambda: not site.board.driven(), 300, "on, low mark")
            site.set(capacity=66)
            await site.until(
                lambda: site.alarmed("relay_budget") or site.board.driven(), 300, "full"
            )
            assert site.alarmed("relay_budget"), "the budget was not kept"
            assert not site.board.driven(), "held off"
        async with site.living():
            await site.until(
                lambda: site.alarmed("relay_budget") or site.board.driven(), 400, "full"
            )
            assert site.alarmed("relay_budget"), "a restart forgot the budget"
            await site.until(site.board.driven, HOUR_S, "the hour is over")
            assert site.now_s - spent_s >= HOUR_S - 120, "over before its time"
            await site.live(60)
            assert not site.alarmed("relay_budget"), "the alarm did not end"
        site.sound()

    lives(Site(folder, budget={"per_hour": 2, "per_day": 48}), life)


def a_relay_on_its_own_supply(folder: Path) -> None:
    async def life(site: Site) -> None:
        async with site.living():
            site.set(capacity=66)
            for _ in range(2):
                await site.until(site.board.driven, HOUR_S, "an off", step_s=0.1)
                await site.live(0.5)
                site.board.unplug()  # its power went with the supply
                await site.live(60)
                site.board.plug_in()
                await site.until(_at_rest(site), 2 * HOUR_S, "seen again")
            await site.until(
                lambda: site.alarmed("relay_fed_by_supply"),
                60,
                "a relay on its own supply is relay_fed_by_supply",
            )
            offs = site.offs
            await site.live(2 * HOUR_S)
            assert site.offs == offs, "offs did not stop"
            reasons = {row.reason for row in site.rows(IntentRow)}
            assert "relay_fed_by_supply" in reasons, reasons
        site.sound()

    lives(Site(folder), life)


def _at_rest(site: Site) -> Callable[[], bool]:
    return lambda: not site.alarmed("relay_failed")


CASES = {
    27: a_missing_port,
    28: a_pulled_plug,
    29: an_off_without_effect,
    30: a_strangers_hand,
    31: a_stuck_contact,
    32: a_spoiled_answer,
    36: a_worn_budget,
    37: a_relay_on_its_own_supply,
}
