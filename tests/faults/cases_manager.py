"""Fault 39: a loop that stalls, seen by whoever supervises the daemon.

The supervisor is played here: it does what systemd.service(5) says of ``WatchdogSec=``.
A real systemd does it in ``tests/packaging/test_booted_service.py``.
"""

from __future__ import annotations

import asyncio
import contextlib
import signal
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path

from faults.program import started
from faults.rigs import STATION, wrapped, write_battery
from support.managed_rig import WATCHDOG_US, ManagedRig
from support.manager_socket import ManagerSocket
from support.shell_rig import lives
from tidegate import notice, settings
from tidegate.cli.daemon import run as run_daemon
from tidegate.clock import SystemClock
from tidegate.core.reading import Sample
from tidegate.service import Service
from tidegate.service.parts import parts_of
from tidegate.testing import FaultyGauge

STARVED_S = 2.0


def a_stalled_loop(folder: Path) -> None:
    for name in ("blocked", "stalled", "storm"):
        (folder / name).mkdir()
    _blocked(folder / "blocked")
    _one_of_two_stalls(ManagedRig(folder / "stalled", names=("hall", "lobby")))
    _a_storm(ManagedRig(folder / "storm"))


class BlockingGauge(FaultyGauge):
    """Blocks the whole loop while there is a file ``block``, as no backend may."""

    folder: Path

    async def read(self) -> Sample:
        if (self.folder / "block").exists():
            threading.Event().wait()
        return await super().read()


def run_blocking(folder: Path) -> int:
    """Run the daemon of a station that only measures, until it is told to end."""
    write_battery(folder / "sys/class/power_supply/BAT0", {"capacity": 61})
    gauge = {"kind": "sysfs", "root": str(folder / "sys")}
    of_site = settings.from_tables(
        {
            "log": {"path": str(folder / "cycles.db")},
            "station": {STATION: {"gauge": gauge, "poll": "1s"}},
        }
    )
    BlockingGauge.folder = folder
    notice.configure()
    with wrapped("gauge", BlockingGauge):
        service = Service(of_site, clock=SystemClock(), parts=parts_of(of_site))
        asyncio.run(run_daemon(service))
    return int(service.broken)


def _blocked(folder: Path) -> None:
    """Play the service manager: no ping in time is SIGABRT, and another start."""
    with ManagerSocket(folder / "notify") as manager:
        with _supervised(folder, manager) as daemon:
            assert manager.wait(lambda told: told.count("WATCHDOG=1") > 1, within_s=20)
            (folder / "block").touch()
            starved = any(not _next_ping(manager) for _ in range(4))
            assert starved, "a blocked loop was fed all the same"
            daemon.send_signal(signal.SIGABRT)
            assert daemon.wait(10) == -signal.SIGABRT
        (folder / "block").unlink()
        manager.told.clear()
        with _supervised(folder, manager) as daemon:
            daemon.send_signal(signal.SIGTERM)
            assert daemon.wait(20) == 0
            told = [line for line in manager.hear() if "restarted once" in line]
            assert told, "the restarts are not told"


@contextlib.contextmanager
def _supervised(
    folder: Path, manager: ManagerSocket
) -> Iterator[subprocess.Popen[str]]:
    environ = {
        "NOTIFY_SOCKET": manager.name,
        "WATCHDOG_USEC": str(int(STARVED_S * 1e6)),
    }
    daemon = started("faults.cases_manager:run_blocking", folder, **environ)
    try:
        assert manager.wait(lambda told: "READY=1" in told, within_s=30), "not ready"
        yield daemon
    finally:
        daemon.kill()
        daemon.communicate()


def _next_ping(manager: ManagerSocket) -> bool:
    before = manager.pings
    return manager.wait(
        lambda told: told.count("WATCHDOG=1") > before, within_s=STARVED_S
    )


def _one_of_two_stalls(rig: ManagedRig) -> None:
    """The other station goes on, and so do the timers of the loop."""

    async def life() -> None:
        async with rig.living():
            await rig.live(60)
            assert rig.service is not None
            async with rig.service.stations["hall"].gauge._reading:
                await rig.live(45)  # what was under way may still count
                before = len(rig.said_at_s("WATCHDOG=1"))
                await rig.live(WATCHDOG_US / 1e6)
                after = len(rig.said_at_s("WATCHDOG=1"))
                assert after == before, "a station stalled and the watchdog was fed"
            await rig.live(31)
            assert len(rig.said_at_s("WATCHDOG=1")) > after, "it does not come back"

    with rig.manager:
        lives(rig, life)


def _a_storm(rig: ManagedRig) -> None:
    async def life() -> None:
        with rig.patched():
            for _ in range(3):
                await rig.begin()
                await rig.live(40)
                await rig.crash()
            await rig.begin()
            await rig.live(40)
            told = rig.manager.status
            assert "restarted 3 times" in told, f"the restarts are not told: {told}"
            await rig.end()

    with rig.manager:
        lives(rig, life)


CASES = {39: a_stalled_loop}
