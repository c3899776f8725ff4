"""Kernel and usb-port under ``tidegate run``, in real time; run by its test file."""

from __future__ import annotations

from pathlib import Path

from support.evidence import effects, intents, rows, sound
from support.kernel_world import KernelWorld
from support.live_world import Daemon
from support.umockdev_testbed import Testbed
from tidegate.cyclelog.rows import AlarmRow

PORTS = ("1-1-port2", "2-1-port2")


def _alarmed(world: KernelWorld, code: str) -> bool:
    return any(
        isinstance(entry.row, AlarmRow) and entry.row.code == code and entry.row.raised
        for entry in rows(world.log, "bat0")
    )


def _off_proven(world: KernelWorld) -> bool:
    entries = rows(world.log, "bat0")
    offs = [row_id for row_id, row in intents(entries) if row.supply == "off"]
    proven = effects(entries)
    return any(True in proven.get(row_id, []) for row_id in offs)


def test_a_held_battery_whose_driver_goes_and_comes_back(tmp_path: Path) -> None:
    """Held, lost, back with charging allowed, held again, and on at the end."""
    table = '{ kind = "kernel" }'
    with (
        Testbed() as bed,
        KernelWorld(
            tmp_path, bed, relay=table, window="{ hold = 60 }", soc_percent=55.0
        ) as world,
        Daemon(world, {}) as daemon,
    ):

        def is_held() -> bool:
            return world.behaviour == "inhibit-charge"

        world.wait_until(is_held, 60, f"held at the mark, {daemon.said}")
        world.pull_battery()
        world.wait_until(
            lambda: _alarmed(world, "relay_failed"), 60, f"an alarm, {daemon.said}"
        )
        assert "it is gone" in daemon.said or "no system battery" in daemon.said
        world.fit_battery()
        assert world.behaviour == "auto"
        world.wait_until(is_held, 90, f"held again, {daemon.said}")
        world.wait_until(
            lambda: _off_proven(world), 60, f"charging stopped and shows, {daemon.said}"
        )
        assert daemon.process.poll() is None
        assert daemon.stop() == 0, daemon.said
        assert world.behaviour == "auto", "after a stop it charges"
    sound(world.log, "bat0")


def test_a_port_whose_hub_goes_and_comes_back(tmp_path: Path) -> None:
    """Off, unplugged, back with its ports on, off again, and on at the end."""
    table = '{ kind = "usb-port", name = "1-1-port2", accept_dead_lock = true }'
    with (
        Testbed() as bed,
        KernelWorld(
            tmp_path,
            bed,
            relay=table,
            window="{ low = 55, high = 65 }",
            soc_percent=62.0,
            fed_by=PORTS,
        ) as world,
        Daemon(world, {}) as daemon,
    ):
        world.wait_until(lambda: not world.powered, 60, f"off, {daemon.said}")
        world.unplug_hub()
        world.wait_until(
            lambda: _alarmed(world, "relay_failed"), 60, f"an alarm, {daemon.said}"
        )
        assert "it is gone" in daemon.said or "there is no port" in daemon.said
        world.plug_hub_back()
        world.wait_until(lambda: world.powered, 10, "a hub that starts anew is on")
        world.wait_until(lambda: not world.powered, 90, f"off again, {daemon.said}")
        assert daemon.process.poll() is None
        assert daemon.stop() == 0, daemon.said
        assert world.powered, "after a stop the port is on"
    sound(world.log, "bat0")
