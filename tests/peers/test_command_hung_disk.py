"""Programs on a disk that hangs: one station waits for them, and the others go on.

The disk is real (a file system whose server never answers), and the wait is that of
execve(2) for the interpreter that a script names: until a kill, for ever.
"""

from __future__ import annotations

import asyncio
import subprocess
import threading
from collections.abc import Callable, Coroutine, Iterator
from pathlib import Path
from typing import Any

import pytest

from support.alarm_rig import until
from support.host import TestHost
from support.hung_disk import hung_disk
from tidegate.core.reading import Supply
from tidegate.errors import Unavailable
from tidegate_backends.gauges.adb import AdbGauge, AdbSettings
from tidegate_backends.gauges.command import CommandGauge, CommandSettings
from tidegate_backends.relays.command import CommandRelay, Settings

pytestmark = [pytest.mark.peer, pytest.mark.slow]

LIMIT = "0.5s"
# Of the loop, while a call hangs. A loop that is held has none, however long it lasts.
TURNS = 1_000
# Then the disk is taken away, so that a test that hangs fails.
PATIENCE_S = 20.0


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    with hung_disk(tmp_path / "disk") as disk:
        give_up = ["umount", "-f", "-l", str(disk)]
        timer = threading.Timer(PATIENCE_S, subprocess.run, [give_up])
        timer.start()
        yield disk
        timer.cancel()


@pytest.fixture
def script(disk: Path, tmp_path: Path) -> Callable[[], Path]:
    """Return what makes a program whose interpreter lies on the disk that hangs."""

    def make() -> Path:
        path = tmp_path / "program"
        path.write_text(f"#!{disk}/sh\n")
        path.chmod(0o755)
        return path

    return make


def children() -> set[str]:
    """The processes that this one has started, ended or not, and not waited for."""
    return {
        pid
        for task in Path("/proc/self/task").iterdir()
        for pid in (task / "children").read_text().split()
    }


def starters() -> int:
    return sum(each.name == "tidegate program" for each in threading.enumerate())


async def hangs(call: asyncio.Future[Any], before: set[str]) -> None:
    """Wait until its process is there, and see the loop turn beside it."""
    while not children() - before:
        assert not call.done(), "it did not hang"
        await asyncio.sleep(0)
    for _ in range(TURNS):
        await asyncio.sleep(0)
    assert not call.done(), "it did not hang"


async def goes_on_beside(call: Coroutine[Any, Any, object], *, ends: str) -> None:
    """Begin a call that hangs and see the loop turn; then it ends by its limit.

    Nothing is left of it then.
    """
    before = children()
    task = asyncio.ensure_future(call)
    await hangs(task, before)
    with pytest.raises(Unavailable, match=ends) as caught:
        await task
    assert caught.value.remedy
    assert children() == before
    await asyncio.to_thread(until, lambda: starters() == 0, "its thread ended")


async def test_command_gauge(script: Callable[[], Path]) -> None:
    settings = CommandSettings(run=(str(script()),), limit=LIMIT)
    async with CommandGauge(settings, TestHost()) as gauge:
        for _ in range(2):
            await goes_on_beside(gauge.read(), ends=r"no answer within 0\.5 s")


def relay(off: str, limit: str = LIMIT) -> CommandRelay:
    table = {"on": ["true"], "off": [off], "limit": limit}
    return CommandRelay(Settings.model_validate(table), TestHost())


async def test_command_relay(script: Callable[[], Path]) -> None:
    async with relay(str(script())) as waits:
        await goes_on_beside(waits.set(Supply.OFF), ends=r"did not end within 0\.5 s")
        await waits.set(Supply.ON)


async def test_command_relay_that_is_closed(script: Callable[[], Path]) -> None:
    """No off that hung may come after that, whatever becomes of the disk."""
    before = children()
    async with relay(str(script()), limit="1min") as waits:
        call = asyncio.ensure_future(waits.set(Supply.OFF))
        await hangs(call, before)
        await waits.close()
        assert children() == before
        with pytest.raises(Unavailable, match="signal 9"):
            await call


async def test_command_relay_that_is_looked_for(disk: Path) -> None:
    """Nor is it opened in the loop's thread; and threads do not pile up."""
    waits = relay(str(disk / "program"))
    for _ in range(3):
        opening = asyncio.ensure_future(waits.open())
        for _ in range(TURNS):
            await asyncio.sleep(0)
        assert not opening.done()
        assert starters() == 1
        opening.cancel()
        await asyncio.wait([opening])
    await waits.close()


async def test_adb(script: Callable[[], Path]) -> None:
    table = {"serial": "GUIDE7", "program": str(script()), "limit": LIMIT}
    gauge = AdbGauge(AdbSettings.model_validate(table), TestHost())
    for _ in range(2):
        await goes_on_beside(gauge.open(), ends="did not even tell its version")


async def test_adb_that_is_looked_for(disk: Path) -> None:
    table = {"serial": "GUIDE7", "program": str(disk / "adb"), "limit": LIMIT}
    gauge = AdbGauge(AdbSettings.model_validate(table), TestHost())
    await goes_on_beside(gauge.open(), ends="did not even tell its version")
