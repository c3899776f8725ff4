"""A control socket whose file is taken away under it, by every kind of slip.

Real sockets and files; the clock alone is turned on by hand. Sources: unix(7), a socket
that was unlinked cannot be connected to, and one where nobody listens refuses with
ECONNREFUSED; getrlimit(2), EMFILE; write(2), ENOSPC.
"""

from __future__ import annotations

import asyncio
import io
import os
import resource
import shutil
import socket
import stat
import tempfile
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from unittest import mock

import pytest

from support.control_rig import ControlRig
from support.cyclelog_faults import crowded, filled, small_disk
from tidegate import notice
from tidegate.clock import SystemClock
from tidegate.control.keeping import AGAIN_APART_MS, LOOK_APART_MS, Keeper
from tidegate.control.place import answers
from tidegate.errors import Busy

OTHERS = 4801
as_root = pytest.mark.skipif(
    os.getuid() != 0, reason="only root may give files away; CI is root"
)


class TurnedClock(SystemClock):
    """The clock of the system, put on by a test."""

    ahead_ms = 0

    def boot_ms(self) -> int:
        return super().boot_ms() + self.ahead_ms


class KeptRig(ControlRig):
    """A server and its keeper in a folder of their own, as in /run."""

    def __init__(self, folder: Path, **settings: Any) -> None:
        folder.mkdir(exist_ok=True)
        super().__init__(folder / "control.sock", **settings)
        self.clock = TurnedClock()
        self.keeper = Keeper(self.server, self.clock)

    def look(self, later_ms: int = LOOK_APART_MS) -> None:
        self.clock.ahead_ms += later_ms
        self.keeper.look()

    async def answers(self) -> bool:
        try:
            async with self.peer() as peer:
                return await peer.ask("echo", x=1) == {"answer": {"x": 1}}
        except OSError:
            return False

    def rights(self) -> tuple[int, int]:
        found = self.path.lstat()
        return stat.S_IMODE(found.st_mode), found.st_gid


@pytest.fixture
def messages() -> io.StringIO:
    stream = io.StringIO()
    notice.configure(stream=stream)
    return stream


@pytest.fixture
async def rig(tmp_path: Path, messages: io.StringIO) -> AsyncIterator[KeptRig]:
    rig = KeptRig(tmp_path / "run", mode="0600")
    async with rig.serving():
        yield rig


def dead_socket(path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as dead:
        dead.bind(str(path))


def removed(path: Path) -> None:
    path.unlink()


def moved(path: Path) -> None:
    path.rename(path.with_name("old.sock"))


def replaced_by_a_dead_socket(path: Path) -> None:
    path.unlink()
    dead_socket(path)


def emptied(path: Path) -> None:
    """As a cleaner of /run does: the lock's file goes too."""
    for each in path.parent.iterdir():
        each.unlink()


def folder_removed(path: Path) -> None:
    shutil.rmtree(path.parent)


def folder_made_again(path: Path) -> None:
    shutil.rmtree(path.parent)
    path.parent.mkdir()


SLIPS = [
    removed,
    moved,
    replaced_by_a_dead_socket,
    emptied,
    folder_removed,
    folder_made_again,
]


@pytest.mark.parametrize("slip", SLIPS)
async def test_it_listens_again_at_the_same_place_with_the_same_rights(
    rig: KeptRig, slip: Callable[[Path], None], messages: io.StringIO
) -> None:
    rights, folder = rig.rights(), stat.S_IMODE(rig.path.parent.stat().st_mode)
    async with rig.peer() as connected:
        assert await connected.ask("echo", x=0) == {"answer": {"x": 0}}
        slip(rig.path)
        assert not await rig.answers()
        rig.look()
        assert await rig.answers()
        # Who was connected stays connected.
        assert await connected.ask("echo", x=2) == {"answer": {"x": 2}}
    assert rig.rights() == rights
    assert stat.S_IMODE(rig.path.parent.stat().st_mode) == folder
    with pytest.raises(Busy):  # the lock is held again
        await rig.made().begin()
    assert messages.getvalue().count("listens again") == 1
    left = {each.suffix for each in rig.path.parent.iterdir()}
    assert left == {".sock", ".lock"}
    # Nobody waits for ever at the one before.
    assert not answers(rig.path.with_name("old.sock"))


@pytest.mark.parametrize("slip", SLIPS)
async def test_its_end_takes_the_new_file_away(
    tmp_path: Path, slip: Callable[[Path], None]
) -> None:
    rig = KeptRig(tmp_path / "run")
    async with rig.serving():
        slip(rig.path)
        rig.look()
        assert rig.path.is_socket()
    assert not rig.path.exists()


@as_root
async def test_who_could_come_in_before_can_do_so_again(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    rig = KeptRig(folder, group=str(OTHERS))
    os.chown(folder, -1, OTHERS)
    folder.chmod(0o750)
    async with rig.serving():
        assert rig.rights() == (0o660, OTHERS)
        shutil.rmtree(folder)
        with mock.patch.object(rig.server, "_settings"):  # nothing is looked up anew
            rig.look()
        assert rig.rights() == (0o660, OTHERS)
        found = folder.stat()
        assert (stat.S_IMODE(found.st_mode), found.st_gid) == (0o750, OTHERS)


# --- what is not ours -----------------------------------------------------------------


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that others than root can reach, as tmp_path is not."""
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o755)
        yield Path(name)


@as_root
async def test_a_folder_that_is_not_ours_to_make_is_said_with_what_helps(
    open_folder: Path, messages: io.StringIO
) -> None:
    """As in the hardened service, whose run folder only root can make."""
    rig = KeptRig(open_folder / "run")
    async with rig.serving():
        shutil.rmtree(rig.path.parent)
        os.seteuid(OTHERS)
        try:
            for _ in range(5):
                rig.look()
        finally:
            os.seteuid(0)
        rig.look()
        assert await rig.answers()
    said = messages.getvalue()
    assert said.count("nobody can connect") == 1
    assert "is gone and cannot be made again (Permission denied)" in said
    assert "as a restart of its service does" in said
    assert "must be root or in the group" not in said


def a_file(path: Path) -> None:
    path.write_text("keep me")


def a_folder(path: Path) -> None:
    path.mkdir()


def a_link(path: Path) -> None:
    path.symlink_to("nowhere")


@pytest.mark.parametrize("puts", [a_file, a_folder, a_link])
async def test_what_is_no_socket_is_left_and_told_once(
    rig: KeptRig, puts: Callable[[Path], None], messages: io.StringIO
) -> None:
    rig.path.unlink()
    puts(rig.path)
    before = rig.path.lstat()
    for _ in range(50):
        rig.look()
    assert rig.path.lstat() == before
    assert messages.getvalue().count("no socket lies there") == 1
    rig.look(AGAIN_APART_MS)
    assert messages.getvalue().count("no socket lies there") == 2
    rig.path.rmdir() if puts is a_folder else rig.path.unlink()
    with pytest.raises(Busy):  # the place is kept all the time
        await rig.made().begin()
    rig.look()
    assert await rig.answers()
    assert messages.getvalue().count("listens again") == 1


@contextmanager
def another_program(path: Path) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX) as other:
        other.bind(str(path))
        other.listen()
        yield other


async def test_where_another_program_listens_it_waits_until_that_ends(
    rig: KeptRig, messages: io.StringIO
) -> None:
    rig.path.unlink()
    with another_program(rig.path):
        before = rig.path.lstat().st_ino
        for _ in range(5):
            rig.look()
        assert rig.path.lstat().st_ino == before
    assert messages.getvalue().count("another program listens there") == 1
    rig.look()
    assert await rig.answers()


async def test_another_daemon_that_came_meanwhile_keeps_its_place(
    rig: KeptRig, messages: io.StringIO
) -> None:
    emptied(rig.path)
    other = KeptRig(rig.path.parent)
    async with other.serving():
        rig.look()
        assert rig.path.lstat().st_ino == other.server._file._id[1]  # type: ignore[union-attr]
        # Even if its file goes as well: it has the lock, and looks after it.
        rig.path.unlink()
        rig.look()
        assert not rig.path.exists()
        other.look()
        assert await other.answers()
    assert "in use by" in messages.getvalue()
    rig.look()
    assert await rig.answers()


@pytest.mark.parametrize("puts", [a_file, a_folder, dead_socket])
async def test_its_end_leaves_what_came_in_its_place(
    tmp_path: Path, puts: Callable[[Path], None]
) -> None:
    rig = KeptRig(tmp_path / "run")
    async with rig.serving():
        rig.path.unlink()
        puts(rig.path)
    assert [each.name for each in rig.path.parent.glob("*.sock")] == [rig.path.name]


# --- what it costs --------------------------------------------------------------------


async def test_a_look_is_one_stat_and_no_timer(rig: KeptRig) -> None:
    with mock.patch.object(
        Path, "lstat", autospec=True, side_effect=Path.lstat
    ) as seen:
        for _ in range(1_000):
            rig.keeper.look()
        assert seen.call_count == 0
        for _ in range(10):
            rig.look()
            rig.keeper.look()
        assert seen.call_count == 10
    loop = asyncio.get_running_loop()
    assert [e for e in loop._scheduled if not e.cancelled()] == []  # type: ignore[attr-defined]
    mine = asyncio.current_task()
    assert [task for task in asyncio.all_tasks() if task is not mine] == []


# --- what cannot be done now ----------------------------------------------------------


async def test_a_full_disk_at_the_start_is_waited_for(
    tmp_path: Path, messages: io.StringIO
) -> None:
    with small_disk(tmp_path / "run", size_kib=64, files=8) as folder:
        rig = KeptRig(folder)
        with crowded(folder):
            rig.keeper.begin()
            for _ in range(5):
                rig.look()
        assert messages.getvalue().count("Make room on the disk") == 1
        rig.look()
        try:
            assert await rig.answers()
            with filled(folder):
                # The lock's file is there, and a socket takes no block.
                rig.path.unlink()
                rig.look()
                assert await rig.answers()
        finally:
            await rig.server.end()
        left = {each.suffix for each in await asyncio.to_thread(list, folder.iterdir())}
        assert left == {".lock"}


async def test_without_another_file_descriptor_nothing_is_left_half_made(
    rig: KeptRig, messages: io.StringIO
) -> None:
    rig.path.unlink()
    before = resource.getrlimit(resource.RLIMIT_NOFILE)
    free = os.open(os.devnull, os.O_RDONLY)
    os.close(free)
    # The lock is taken anew with the descriptor that it had, and that was the last one.
    resource.setrlimit(resource.RLIMIT_NOFILE, (free, before[1]))
    try:
        rig.look()
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, before)
    assert messages.getvalue().count("(Too many open files)") == 1
    assert [each.suffix for each in rig.path.parent.iterdir()] == [".lock"]
    rig.look()
    assert await rig.answers()


async def test_at_the_start_who_was_first_keeps_the_place_for_good(
    rig: KeptRig,
) -> None:
    """Else a second daemon would have it from the first one's restart on."""
    second = KeptRig(rig.path.parent)
    with pytest.raises(Busy):
        second.keeper.begin()
