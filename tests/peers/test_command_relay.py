"""The `command` relay against real programs: small Python scripts in a folder."""

from __future__ import annotations

import asyncio
import json
import os
import stat
import sys
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from support.host import TestHost
from tidegate.contract import Readback
from tidegate.core.reading import Supply
from tidegate.errors import (
    BackendError,
    Malformed,
    Refused,
    Unavailable,
    Unsupported,
)
from tidegate_backends.relays.command import CommandRelay, Settings


class Programs:
    """Programs that write the supply to a file, as a real one would to a device."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.supply = folder / "supply"

    def script(self, name: str, text: str) -> list[str]:
        path = self.folder / f"{name}.py"
        path.write_text(text)
        return [sys.executable, "-S", "-E", str(path)]

    def shell(self, text: str) -> list[str]:
        return ["/bin/sh", "-c", text]

    def writes(self, supply: str) -> list[str]:
        return self.shell(f"echo {supply} > {self.supply}")

    def relay(self, **settings: Any) -> CommandRelay:
        given = {"on": self.writes("on"), "off": self.writes("off"), **settings}
        return CommandRelay(Settings.model_validate(given), TestHost())


@pytest.fixture
def programs(tmp_path: Path) -> Programs:
    return Programs(tmp_path)


def is_gone(pid: int) -> bool:
    """Whether a process ended, be it reaped or not."""
    try:
        return (
            Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
        )
    except FileNotFoundError:
        return True


async def wait_gone(pid: int) -> None:
    """Wait, bounded, until a killed process is gone: the kernel needs a moment."""
    descriptor = os.pidfd_open(pid) if not is_gone(pid) else None
    if descriptor is None:
        return
    gone = asyncio.Event()
    loop = asyncio.get_running_loop()
    loop.add_reader(descriptor, gone.set)
    try:
        async with asyncio.timeout(5):
            await gone.wait()
    finally:
        loop.remove_reader(descriptor)
        os.close(descriptor)


async def test_on_and_off_and_read(programs: Programs) -> None:
    async with programs.relay(read=["cat", str(programs.supply)]) as relay:
        assert relay.facts.readback is Readback.LATCH
        for supply in (Supply.OFF, Supply.ON, Supply.OFF):
            await relay.set(supply)
            assert programs.supply.read_text().strip() == supply
            assert await relay.get() is supply


async def test_without_read_it_cannot_tell(programs: Programs) -> None:
    async with programs.relay() as relay:
        assert relay.facts.readback is Readback.NONE
        await relay.set(Supply.OFF)
        assert await relay.get() is None


@pytest.mark.parametrize(
    ("contact", "fails_on"),
    [("normally-closed", True), ("normally-open", False), ("latching", False)],
)
async def test_wiring_decides_what_a_dead_daemon_leaves(
    programs: Programs, contact: str, fails_on: bool
) -> None:
    """The programs mean the supply whatever the contact: only this depends on it."""
    async with programs.relay(contact=contact) as relay:
        assert relay.facts.fails_on is fails_on
        await relay.set(Supply.OFF)
        assert programs.supply.read_text().strip() == "off"


@pytest.mark.parametrize("printed", ["on", "on\n", "  ON \r\n"])
async def test_read_takes_the_word_with_its_blanks(
    programs: Programs, printed: str
) -> None:
    programs.supply.write_text(printed)
    async with programs.relay(read=["cat", str(programs.supply)]) as relay:
        assert await relay.get() is Supply.ON


@pytest.mark.parametrize("printed", ["", "1", "on off", "onn", "\x00", "y" * 100_000])
async def test_read_that_prints_something_else(
    programs: Programs, printed: str
) -> None:
    programs.supply.write_text(printed)
    async with programs.relay(read=["cat", str(programs.supply)]) as relay:
        with pytest.raises(Malformed, match="on or off was expected") as caught:
            await relay.get()
        assert len(str(caught.value)) < 300


@pytest.mark.parametrize(
    ("text", "error", "said"),
    [
        ("echo >&2; echo 'port 3: busy' >&2; echo more >&2; exit 7", Refused, "exit 7"),
        ("echo; echo 'port 3: busy' >&2; exit 1", Refused, "port 3: busy"),
        ("exit 1", Refused, "nothing on stderr"),
        # As Python's reference has it, traceback.print_exc: the exception comes last.
        (
            "printf 'Traceback (most recent call last):\\n  File\\nOSError: no\\n' >&2; exit 1",
            Refused,
            "exit 1: OSError: no.",
        ),
        ("kill -TERM $$", Unavailable, "signal 15"),
    ],
)
async def test_program_that_ends_badly(
    programs: Programs, text: str, error: type[BackendError], said: str
) -> None:
    async with programs.relay(off=programs.shell(text)) as relay:
        with pytest.raises(error) as caught:
            await relay.set(Supply.OFF)
        assert said in str(caught.value)
        assert "more" not in str(caught.value)
        assert caught.value.target == "/bin/sh"


async def test_no_such_program(programs: Programs) -> None:
    relay = programs.relay(read=["/no/such/program"])
    with pytest.raises(Unsupported, match="/no/such/program") as caught:
        await relay.open()
    assert "full path" in caught.value.remedy


async def test_program_that_may_not_be_run(programs: Programs, tmp_path: Path) -> None:
    plain = tmp_path / "plain"
    plain.write_text("#!/bin/sh\n")
    plain.chmod(stat.S_IRUSR | stat.S_IWUSR)
    with pytest.raises(Unsupported):
        await programs.relay(off=[str(plain)]).open()


async def test_program_that_goes_missing_while_running(
    programs: Programs, tmp_path: Path
) -> None:
    tool = tmp_path / "tool"
    tool.write_text("#!/bin/sh\n")
    tool.chmod(0o700)
    async with programs.relay(off=[str(tool)]) as relay:
        await relay.set(Supply.OFF)
        tool.unlink()
        with pytest.raises(Unsupported):
            await relay.set(Supply.OFF)


async def test_file_that_is_no_program_for_this_machine(
    programs: Programs, tmp_path: Path
) -> None:
    tool = tmp_path / "tool"
    tool.write_bytes(b"\x7fELF but nothing else")
    tool.chmod(0o700)
    async with programs.relay(off=[str(tool)]) as relay:
        with pytest.raises(Unavailable, match="does not start"):
            await relay.set(Supply.OFF)


async def test_program_past_its_limit_is_killed_with_its_children(
    programs: Programs, tmp_path: Path
) -> None:
    pipe = tmp_path / "pids"
    os.mkfifo(pipe)
    hangs = programs.shell(f"sleep 600 & echo $$ $! > {pipe}; wait")
    async with programs.relay(off=hangs, limit="0.5s") as relay:
        call = asyncio.create_task(relay.set(Supply.OFF))
        pids = (await asyncio.to_thread(pipe.read_text)).split()
        with pytest.raises(Unavailable, match=r"did not end within 0\.5 s"):
            await call
    for pid in pids:
        await wait_gone(int(pid))


@pytest.mark.parametrize("how", ["cancel", "close"])
async def test_no_late_off(programs: Programs, tmp_path: Path, how: str) -> None:
    """A call that is given up, and a closed relay, leave no program behind."""
    pipe = tmp_path / "pids"
    os.mkfifo(pipe)
    slow_off = programs.shell(
        f"sleep 600 & echo $$ $! > {pipe}; wait; echo off > {programs.supply}"
    )
    async with programs.relay(off=slow_off) as relay:
        await relay.set(Supply.ON)
        call = asyncio.create_task(relay.set(Supply.OFF))
        pids = [int(pid) for pid in (await asyncio.to_thread(pipe.read_text)).split()]
        if how == "cancel":
            call.cancel()
            with pytest.raises(asyncio.CancelledError):
                await call
        else:
            await relay.close()
            with pytest.raises(Unavailable, match="signal 9"):
                await call
            await relay.open()
        for pid in pids:
            await wait_gone(pid)
        await relay.set(Supply.ON)
        assert programs.supply.read_text().strip() == "on"


async def test_closing_while_a_program_starts(
    programs: Programs, tmp_path: Path
) -> None:
    """Not yet running is no excuse: once close returned there is no program."""
    os.mkfifo(tmp_path / "never")
    waits = programs.shell(
        f"read line < {tmp_path}/never; echo off > {programs.supply}"
    )
    before = children()
    async with programs.relay(off=waits) as relay:
        call = asyncio.create_task(relay.set(Supply.OFF))
        await asyncio.sleep(0)
        await relay.close()
        assert not children() - before
        async with asyncio.timeout(5):
            with pytest.raises(Unavailable, match="signal 9"):
                await call
    assert not programs.supply.exists()


async def test_cancelling_while_a_program_starts(
    programs: Programs, tmp_path: Path
) -> None:
    os.mkfifo(tmp_path / "never")
    before = children()
    waits = programs.shell(
        f"read line < {tmp_path}/never; echo off > {programs.supply}"
    )
    async with programs.relay(off=waits) as relay:
        call = asyncio.create_task(relay.set(Supply.OFF))
        await asyncio.sleep(0)
        call.cancel()
        with pytest.raises(asyncio.CancelledError):
            await call
        assert not children() - before
        await relay.set(Supply.ON)
    assert programs.supply.read_text().strip() == "on"


def children() -> set[int]:
    """The living children of this process."""
    listed = (
        int(pid)
        for task in Path("/proc/self/task").iterdir()
        for pid in (task / "children").read_text().split()
    )
    return {pid for pid in listed if not is_gone(pid)}


async def test_what_a_program_leaves_behind_is_killed(
    programs: Programs, tmp_path: Path
) -> None:
    """A child in the background could move the contact when nobody expects it."""
    left = programs.shell(f"sleep 600 & echo $! > {tmp_path}/pid")
    async with programs.relay(off=left) as relay:
        await relay.set(Supply.OFF)
    await wait_gone(int((tmp_path / "pid").read_text()))


async def test_talkative_program_is_read_to_its_end(programs: Programs) -> None:
    """A full pipe must not block it, and no more than a little is kept."""
    talks = programs.script(
        "talks", "import sys\nsys.stdout.write('x' * 3_000_000)\nsys.exit(3)\n"
    )
    async with programs.relay(off=talks) as relay:
        with pytest.raises(Refused, match="exit 3"):
            await relay.set(Supply.OFF)


async def test_arguments_are_not_for_a_shell(
    programs: Programs, tmp_path: Path
) -> None:
    words = ["$HOME", "a b", "; touch x", "*", ""]
    dumps = programs.script(
        "dumps",
        "import json, pathlib, sys\n"
        f"pathlib.Path({str(tmp_path / 'words')!r}).write_text(json.dumps(sys.argv[1:]))",
    )
    async with programs.relay(off=[*dumps, *words]) as relay:
        await relay.set(Supply.OFF)
    assert json.loads((tmp_path / "words").read_text()) == words


async def test_closed_relay_runs_nothing(programs: Programs) -> None:
    relay = programs.relay()
    await relay.close()
    await relay.open()
    await relay.close()
    await relay.close()
    with pytest.raises(Unavailable, match="not open"):
        await relay.set(Supply.OFF)
    assert not programs.supply.exists()


def test_target_is_that_of_the_on_command() -> None:
    """The same on command is the same contact; another argument is another one."""

    def target(*on: str) -> str:
        return str(Settings(on=on, off=("false",)).target())

    assert target("usb", "1") == target("usb", "1")
    assert len({target("usb", "1"), target("usb", "2"), target("usb 1")}) == 3
    assert target("usb", "1").startswith("command:")


@pytest.mark.parametrize(
    "wrong",
    [
        {"on": []},
        {"on": "usb on"},
        {"off": ["usb", 1]},
        {"off": ["usb\0on"]},
        {"read": []},
        {"limit": "0s"},
        {"limit": "2min"},
        {"limit": 10},
        {"reed": ["cat"]},
    ],
)
def test_settings_refuse(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValidationError, match=next(iter(wrong))):
        Settings.model_validate({"on": ["true"], "off": ["false"], **wrong})
