"""Fault 33: Bluetooth in all its moods.

In real time, because bleak and its D-Bus are real. That a station decides while a call
is under way or the radio is dead is shown with the whole daemon in
``tests/peers/test_ble_run.py``.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path

from support.bluez import FakeBluez, FakePeer, digital
from support.host import TestHost
from tidegate.core.reading import Supply
from tidegate.errors import BackendError, Unavailable
from tidegate_backends.relays.ble import BleRelay, Settings

ADDRESS = "00:00:5E:00:53:20"
# The limit of a call here, and what nobody can call late any more.
LIMIT_S = 0.2
NO_END_S = 2.0


def a_radio_in_all_its_moods(folder: Path) -> None:
    peer = FakePeer(ADDRESS, characteristics=[digital(1)])
    with FakeBluez(folder, peer).as_system_bus() as bluez:
        asyncio.run(_without_an_end(bluez, peer))
        asyncio.run(_refused_at_once(bluez, peer))
        asyncio.run(_believed_to_be_there(bluez, peer))
        asyncio.run(_restarted(bluez, peer))


def _relay(limit_s: float = 8.0) -> BleRelay:
    return BleRelay(
        Settings.model_validate({"address": ADDRESS, "limit": f"{limit_s:g}s"}),
        TestHost(),
    )


async def _works(peer: FakePeer, else_: str) -> None:
    """Switch once each way, as a station does after the fault is over."""
    (one,) = [each for each in peer.characteristics if each.number_of_digitals]
    one.taken.clear()
    async with _relay(1.0) as relay:
        for supply, octets in ((Supply.OFF, b"\xfd"), (Supply.ON, b"\xfc")):
            try:
                await relay.set(supply)
            except BackendError as error:
                raise AssertionError(f"{else_}: {error}") from error
            assert one.taken and one.taken[-1] == octets, else_  # noqa: PT018


async def _without_an_end(bluez: FakeBluez, peer: FakePeer) -> None:
    (one,) = peer.characteristics
    hanging: dict[str, Callable[[], None]] = {
        "a write that is never answered": lambda: vars(one).update(mood="hang"),
        "in progress for ever": lambda: vars(one).update(mood="in-progress"),
        "a connection that does not come": lambda: vars(peer).update(connects="hang"),
        "services that do not come": lambda: vars(peer).update(connects="unresolved"),
    }
    for name, begin in hanging.items():
        begin()
        async with _relay(LIMIT_S) as relay:
            call = asyncio.ensure_future(relay.set(Supply.OFF))
            await asyncio.wait({call}, timeout=NO_END_S)
            assert call.done(), f"a call had no end: {name}"
            assert isinstance(call.exception(), Unavailable), name
        one.mood = peer.connects = "sound"
    await _works(peer, "what was given up stands in the way")


async def _refused_at_once(bluez: FakeBluez, peer: FakePeer) -> None:
    async with _relay() as relay:
        for connects in ("fail", "abort", "in-progress"):
            peer.connects = connects
            try:
                await relay.set(Supply.OFF)
            except Unavailable:
                continue
            raise AssertionError(f"{connects} was taken for a success")
        peer.connects = "sound"
        bluez.change(lambda: vars(bluez).update(powered=False))
        try:
            await relay.set(Supply.OFF)
        except Unavailable:
            pass
        else:
            raise AssertionError("an adapter that is off was taken for one that is on")
        bluez.change(lambda: vars(bluez).update(powered=True))
    await _works(peer, "the adapter is on again")


async def _believed_to_be_there(bluez: FakeBluez, peer: FakePeer) -> None:
    bluez.change(lambda: vars(peer).update(connected=True, stale=True))
    await _works(peer, "a dead connection was used")


async def _restarted(bluez: FakeBluez, peer: FakePeer) -> None:
    (one,) = peer.characteristics
    async with _relay() as relay:
        # Still connected when it dies, so that there is something to remember.
        peer.disconnect_hangs = 1
        await relay.set(Supply.ON)
        bluez.vanish()
        try:
            await relay.set(Supply.OFF)
        except Unavailable:
            pass
        else:
            raise AssertionError("a bluetoothd that is gone was believed")
        # Meanwhile the device got new firmware, with its contact at another handle.
        peer.first_handle, peer.disconnect_hangs = 0x40, 0
        bluez.come_back()
        one.taken.clear()
        try:
            await relay.set(Supply.OFF)
        except BackendError as error:
            raise AssertionError(f"what bleak remembers was believed: {error}") from (
                error
            )
        assert one.taken == [b"\xfd"], "what bleak remembers was believed"
    await _works(peer, "bluetoothd is back")


CASES = {33: a_radio_in_all_its_moods}
