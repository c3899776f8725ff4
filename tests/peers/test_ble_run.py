"""The daemon as a process of its own, with a relay on Bluetooth, in real time.

bluetoothd dies and comes back, and the relay loses its power, while it runs.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from support.bluez import FakeBluez, FakePeer, digital
from support.evidence import effects, intents, outcomes, rows, sound
from support.live_world import Battery, LiveWorld
from tidegate.cyclelog.rows import AlarmRow

pytestmark = [pytest.mark.peer, pytest.mark.slow, pytest.mark.timeout(400)]

ADDRESS = "00:00:5E:00:53:20"
STATION = "bat0"


class BleWorld(LiveWorld):
    """A battery whose supply runs over the contact of a Bluetooth relay."""

    def __init__(self, folder: Path, battery: Battery) -> None:
        super().__init__(folder, battery)
        self.contact = digital(2)
        self.relay = FakePeer(ADDRESS, characteristics=[self.contact])
        self.has_power = True

    def driven(self) -> bool:
        """Whether the coil of signal 1 is; without power no coil is."""
        return self.has_power and self.contact.value[0] >> 2 & 3 == 1

    def powered(self, battery: Battery) -> bool:
        return battery.mains and not self.driven()

    def cut_power(self, bluez: FakeBluez) -> None:
        """Let the relay lose its own power; BlueZ does not notice."""
        self.has_power = False
        self.contact.value = b"\x00"
        self.relay.connects = "hang"
        bluez.change(lambda: vars(self.relay).update(connected=True, stale=True))

    def give_power(self) -> None:
        self.has_power = True
        self.relay.connects = "sound"

    def settings(self, extra: str = "") -> Path:
        path = super().settings(extra)
        text = path.read_text(encoding="utf-8")
        head, _, _ = text.rpartition("relay =")
        relay = f'{{ kind = "ble", address = "{ADDRESS}", signal = 1, limit = "2s" }}'
        path.write_text(f"{head}relay = {relay}\n", encoding="utf-8")
        return path

    def alarmed(self, code: str) -> list[bool]:
        found = [each.row for each in rows(self.log, STATION)]
        return [
            row.raised
            for row in found
            if isinstance(row, AlarmRow) and row.code == code
        ]

    def reasons(self) -> list[str]:
        return [row.reason for _, row in intents(rows(self.log, STATION))]


def test_bluetoothd_and_the_relay_come_and_go(tmp_path: Path) -> None:
    battery = Battery("BAT0", soc_percent=63.0)
    world = BleWorld(tmp_path, battery)
    (tmp_path / "dbus").mkdir()
    with (
        FakeBluez(tmp_path / "dbus", world.relay) as bluez,
        world,
        world.daemon(env={"DBUS_SYSTEM_BUS_ADDRESS": bluez.at}) as daemon,
    ):
        world.wait_until(world.driven, 60, "off at the high mark")

        bluez.vanish()
        # The decision to switch on is made and durable, though nothing can carry it
        # out; it is said again until something does.
        world.wait_until(
            lambda: "at_low_mark" in world.reasons(), 60, "on, at the low mark"
        )
        assert world.driven(), "who told it?"
        world.wait_until(
            lambda: "below_floor" in world.reasons() or battery.soc_percent < 25,
            60,
            "under the floor",
        )
        assert True in world.alarmed("relay_failed"), daemon.said
        bluez.come_back()
        world.wait_until(lambda: not world.driven(), 120, "on, once it can be told")

        world.wait_until(world.driven, 120, "control goes on: off again")
        world.cut_power(bluez)
        assert world.powered(battery), "normally-closed: the loss itself is an on"
        world.wait_until(
            lambda: world.alarmed("relay_failed").count(True) >= 2, 60, "an alarm"
        )
        world.give_power()
        world.wait_until(
            lambda: world.alarmed("relay_failed")[-1] is False, 120, "the alarm ends"
        )
        assert daemon.stop() == 0, daemon.said
        assert not world.driven(), "the supply is on at the end"
        said = daemon.said
    assert "Traceback" not in said, said
    assert "bluetoothd is not running" in said
    assert "could not connect to the device within 2 s" in said
    entries = sound(world.log, STATION)
    failed = [row for row in outcomes(entries).values() if row.error is not None]
    assert any(row.error == "unavailable" for row in failed)
    assert any(True in seen for seen in effects(entries).values())
