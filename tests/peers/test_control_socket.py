"""The control socket's server against peers that are polite, slow, silent or hostile.

Real sockets, real time, no daemon around it. Sources: unix(7) for the socket and its
file, RFC 8259 for what is said over it.
"""

from __future__ import annotations

import asyncio
import errno
import io
import json
import os
import socket
import stat
import struct
from collections.abc import AsyncIterator
from contextlib import suppress
from pathlib import Path
from typing import Any
from unittest import mock

import pytest

from support.control_rig import ControlRig, Raw
from tidegate import notice
from tidegate.control import server, talking
from tidegate.control.client import Client
from tidegate.control.peer import Peer, peer_of
from tidegate.errors import (
    Busy,
    DaemonAbsent,
    Malformed,
    NotPermitted,
    OrderRefused,
    TidegateError,
    Unavailable,
    Unsupported,
)


@pytest.fixture
def messages() -> io.StringIO:
    stream = io.StringIO()
    notice.configure(stream=stream)
    return stream


@pytest.fixture
async def rig(tmp_path: Path, messages: io.StringIO) -> AsyncIterator[ControlRig]:
    rig = ControlRig(tmp_path / "control.sock")
    async with rig.serving():
        yield rig


async def still_answers(rig: ControlRig) -> None:
    async with rig.peer() as peer:
        assert await peer.ask("echo", x=1) == {"answer": {"x": 1}}


# --- answers --------------------------------------------------------------------------


async def test_questions_are_answered_one_after_another(rig: ControlRig) -> None:
    async with rig.peer() as peer:
        assert await peer.ask("echo", x="Übung") == {"answer": {"x": "Übung"}}
        assert await peer.ask("no") == {
            "error": {
                "kind": "OrderRefused",
                "says": "the museum is closed",
                "remedy": "Come at ten",
            }
        }
        assert await peer.ask("echo") == {"answer": {}}


async def test_a_stream_comes_line_by_line_and_ends_with_its_answer(
    rig: ControlRig,
) -> None:
    def asked() -> tuple[list[int], object]:
        with Client.connect(rig.path) as client:
            numbers = [line["number"] for line in client.stream("count", to=500)]
            return numbers, client.answer

    assert await rig.in_thread(asked) == (list(range(500)), {"counted": 500})


async def test_a_handler_can_talk_with_its_peer(rig: ControlRig) -> None:
    def asked() -> object:
        with Client.connect(rig.path) as client:
            for line in client.stream("chat"):
                assert line == {"say": "your name?"}
                client.tell({"name": "ana"})
            return client.answer

    assert await rig.in_thread(asked) == {"hello": "ana"}


async def test_the_kernel_says_who_asks(rig: ControlRig) -> None:
    async with rig.peer() as peer:
        who = (await peer.ask("who"))["answer"]
    assert (who["uid"], who["gid"], who["pid"]) == (
        os.getuid(),
        os.getgid(),
        os.getpid(),
    )
    assert set(who["groups"]) == set(os.getgroups())
    assert who["name"].startswith(f"uid {os.getuid()}")


async def test_errors_are_raised_again_as_their_own_classes(rig: ControlRig) -> None:
    def asked(name: str) -> TidegateError | None:
        with Client.connect(rig.path) as client:
            try:
                client.ask(name)
            except TidegateError as error:
                return error
        return None

    refused = await rig.in_thread(lambda: asked("no"))
    assert type(refused) is OrderRefused
    assert str(refused) == "the museum is closed. Come at ten"
    unknown = await rig.in_thread(lambda: asked("tomorrow"))
    assert type(unknown) is Unsupported
    assert "echo" in str(unknown)


async def test_a_fault_of_a_handler_is_said_once_with_its_traceback(
    rig: ControlRig, messages: io.StringIO
) -> None:
    async with rig.peer() as peer:
        for _ in range(5):
            error = (await peer.ask("bug"))["error"]
            assert error["kind"] == "TidegateError"
            assert "fault in tidegate (ZeroDivisionError)" in error["says"]
        assert "error" in await peer.ask("unsayable")
        assert await peer.ask("echo") == {"answer": {}}
    said = messages.getvalue()
    assert said.count("Traceback") == 2  # of two faults


async def test_who_asks_another_version_is_told_so(rig: ControlRig) -> None:
    async with rig.peer() as peer:
        await peer.send(b'{"tidegate": 2, "ask": "echo"}\n')
        error = (await peer.hear())["error"]
        assert error["kind"] == "Unsupported"
        assert "version 2" in error["says"]
        assert "version 1" in error["says"]
        assert await peer.rest() == b""


async def test_a_client_understands_a_daemon_of_another_version(tmp_path: Path) -> None:
    path = tmp_path / "other.sock"

    async def other(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readline()
        writer.write(b'{"tidegate": 7, "answer": {}}\n')
        await writer.drain()
        writer.close()

    def asked() -> str:
        with Client.connect(path) as client:
            with pytest.raises(Unsupported) as caught:
                client.ask("status")
            return str(caught.value)

    async with await asyncio.start_unix_server(other, str(path)):
        assert "version 7" in await asyncio.to_thread(asked)


# --- who may order --------------------------------------------------------------------


def peer(uid: int, gid: int, *groups: int) -> Peer:
    return Peer(uid=uid, gid=gid, groups=groups, pid=1, name=f"uid {uid}")


@pytest.mark.parametrize(
    ("who", "may"),
    [
        (peer(0, 0), True),
        (peer(1000, 1000), True),  # the daemon's own
        (peer(1001, 60), True),
        (peer(1001, 1001, 7, 60), True),
        (peer(1001, 1001, 7), False),
        (peer(1001, 0), False),  # the group of root is no root
        (peer(65534, 65534), False),
    ],
    ids=str,
)
async def test_who_may_order(tmp_path: Path, who: Peer, *, may: bool) -> None:
    rig = ControlRig(tmp_path / "control.sock", operators="60")
    rig.own_uid = 1000
    rig.server = rig.made()
    async with rig.serving():
        if may:
            rig.server._check_operator(who)
            return
        with pytest.raises(NotPermitted, match=r"usermod -aG"):
            rig.server._check_operator(who)


class FakeSocket:
    """One whose kernel does not know SO_PEERGROUPS; a user of ours with a group."""

    def getsockopt(self, level: int, option: int, room: int) -> bytes:
        assert level == socket.SOL_SOCKET
        if option == socket.SO_PEERCRED:
            return struct.pack("iII", 7, 1001, 60)[:room]
        raise OSError(errno.ENOPROTOOPT, "Protocol not available")


def test_before_linux_4_13_only_the_primary_group_counts() -> None:
    """Source: socket(7), getsockopt(2): ENOPROTOOPT, the option is unknown."""
    old: Any = FakeSocket()
    found = peer_of(old)
    assert (found.uid, found.gid, found.pid) == (1001, 60, 7)
    assert found.groups == ()
    assert found.gids == {60}


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can have any groups")
def test_more_groups_than_one_call_has_room_for() -> None:
    """Source: unix(7), SO_PEERGROUPS in include/uapi/asm-generic/socket.h."""
    groups = list(range(70_000, 70_600))
    here, there = socket.socketpair()
    with here, there:
        known = os.getgroups()
        os.setgroups(groups)
        try:
            ours, theirs = socket.socketpair()
        finally:
            os.setgroups(known)
        with ours, theirs:
            assert sorted(peer_of(ours).groups) == groups


async def test_an_order_is_done_with_the_name_of_who_gave_it(rig: ControlRig) -> None:
    async with rig.peer() as peer:
        asked = await peer.ask("order", by="uid 0 (somebody else)")
    assert asked == {"answer": {"done": True}}
    (by,) = rig.questions.done
    assert by.startswith(f"uid {os.getuid()} (")


# --- the file -------------------------------------------------------------------------


@pytest.mark.parametrize("mode", ["0600", "0660", "0666"])
async def test_the_file_has_its_mode_from_its_first_moment(
    tmp_path: Path, mode: str
) -> None:
    rig = ControlRig(tmp_path / "control.sock", mode=mode)
    seen: list[int] = []
    replace = Path.replace

    def seen_at(self: Path, target: Path) -> Path:
        seen.append(stat.S_IMODE(self.lstat().st_mode))
        assert stat.S_IMODE(self.parent.stat().st_mode) == 0o700
        return replace(self, target)

    with mock.patch.object(Path, "replace", seen_at):
        async with rig.serving():
            assert stat.S_IMODE(rig.path.lstat().st_mode) == int(mode, 8)
    assert seen == [int(mode, 8)]
    assert not rig.path.exists()
    assert await asyncio.to_thread(left_in, tmp_path) == []


def left_in(folder: Path) -> list[str]:
    """Return what is there beside locks, which always stay."""
    return [each.name for each in folder.iterdir() if each.suffix != ".lock"]


async def test_a_dead_daemons_file_is_replaced(rig: ControlRig, tmp_path: Path) -> None:
    left = tmp_path / "left.sock"
    with socket.socket(socket.AF_UNIX) as dead:
        dead.bind(str(left))
    other = ControlRig(left)
    async with other.serving():
        await still_answers(other)


async def test_a_living_daemons_file_is_never_replaced(rig: ControlRig) -> None:
    with pytest.raises(Busy, match="in use by"):
        await rig.made().begin()
    await still_answers(rig)


async def test_another_programs_socket_is_never_replaced(tmp_path: Path) -> None:
    path = tmp_path / "other.sock"
    with socket.socket(socket.AF_UNIX) as other:
        other.bind(str(path))
        other.listen()
        with pytest.raises(Busy, match="another program listens"):
            await ControlRig(path).made().begin()


async def test_a_file_that_is_no_socket_is_never_replaced(tmp_path: Path) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("keep me")
    with pytest.raises(Unavailable, match="no socket"):
        await ControlRig(path).made().begin()
    assert path.read_text() == "keep me"


async def test_after_a_failed_begin_nothing_is_held(tmp_path: Path) -> None:
    path = tmp_path / "control.sock"
    for wrong in ({"group": "nobody-has-this"}, {"operators": "nobody-has-this"}):
        with pytest.raises(Unavailable, match="groupadd"):
            await ControlRig(path, **wrong).made().begin()
        assert not path.exists()
    rig = ControlRig(path)
    async with rig.serving():
        await still_answers(rig)


async def test_a_folder_that_cannot_be_made_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(Unavailable, match="no socket can be made there") as caught:
        await ControlRig(tmp_path / "file" / "control.sock").made().begin()
    assert "[control]" in caught.value.remedy


async def test_the_end_leaves_a_successors_file_alone(tmp_path: Path) -> None:
    rig = ControlRig(tmp_path / "control.sock")
    async with rig.serving():
        rig.path.unlink()
        rig.path.write_text("of somebody else")
    assert rig.path.read_text() == "of somebody else"


# --- clients without a daemon ---------------------------------------------------------


def test_no_daemon_is_said_with_how_to_start_one(tmp_path: Path) -> None:
    path = tmp_path / "control.sock"
    with pytest.raises(DaemonAbsent, match="systemctl start tidegate") as caught:
        Client.connect(path)
    assert str(path) in str(caught.value)
    with socket.socket(socket.AF_UNIX) as dead:
        dead.bind(str(path))
    with pytest.raises(DaemonAbsent, match="refused"):
        Client.connect(path)


async def test_a_daemon_that_ends_hangs_up_in_order(tmp_path: Path) -> None:
    rig = ControlRig(tmp_path / "control.sock")
    async with rig.serving():

        def asked() -> None:
            with Client.connect(rig.path) as client, pytest.raises(DaemonAbsent):
                client.ask("wait")

        asking = asyncio.create_task(rig.in_thread(asked))
        await rig.soon(rig.questions.begun.wait())
    await rig.soon(asking)
    assert rig.questions.done == ["cancelled"]


# --- hostile peers --------------------------------------------------------------------


@pytest.mark.parametrize(
    "garbage",
    [
        b"GET / HTTP/1.1\r\nHost: x\r\n\r\n",
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03\n",
        os.urandom(2_000).replace(b"\n", b"") + b"\n",
        b"[" * 60_000 + b"\n",
        b"\n",
        b"\0" * 5_000 + b"\n",
        b"x" * 70_000,
        b'{"tidegate": 1, "ask": ["echo"]}\n',
    ],
    ids=["http", "tls", "random", "brackets", "empty", "zeros", "long", "list"],
)
async def test_garbage_is_answered_once_and_closed(
    rig: ControlRig, garbage: bytes, messages: io.StringIO
) -> None:
    async with rig.peer() as peer:
        with suppress(ConnectionError):  # hung up on while still sending
            await peer.send(garbage + b'{"tidegate": 1, "ask": "order"}\n' * 3)
        lines = (await peer.rest()).splitlines()
    assert [json.loads(line)["error"]["kind"] for line in lines[:1]] in (
        ["Malformed"],
        [],  # a reset overtook it: more was sent than was read
    )
    assert len(lines) <= 1
    assert rig.questions.done == []
    await still_answers(rig)
    assert messages.getvalue().count("not understood") == 1


async def test_much_garbage_is_written_down_seldom(
    rig: ControlRig, messages: io.StringIO
) -> None:
    for _ in range(25):
        async with rig.peer() as peer:
            await peer.send(b"x\n")
            await peer.rest()
    assert messages.getvalue().count("not understood") == 3  # 1, 10, 20


async def test_however_much_garbage_comes_little_is_written_down(
    rig: ControlRig, messages: io.StringIO
) -> None:
    """A day of it must not fill a disk with messages; each has the count so far."""
    for _ in range(10_000):
        rig.server._seldom("not understood", by="uid 1000")
    said = messages.getvalue().splitlines()
    assert len(said) == server.SAYINGS_AT_ONCE
    later = rig.server._clock.boot_ms() + 61_000
    with mock.patch.object(rig.server._clock, "boot_ms", return_value=later):
        for _ in range(10):
            rig.server._seldom("not understood", by="uid 1000")
    (last,) = messages.getvalue().splitlines()[server.SAYINGS_AT_ONCE :]
    assert json.loads(last)["count"] == 10_010


async def test_who_says_nothing_is_dropped(
    rig: ControlRig, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server, "IDLE_LIMIT_S", 0.05)
    async with rig.peer() as silent, rig.peer() as halfway:
        await halfway.send(b'{"tidegate": 1, "ask"')
        assert await silent.rest() == b""
        assert await halfway.rest() == b""
    await rig.until(lambda: not rig.server._talks, "both are forgotten")


async def test_who_never_reads_is_dropped(
    rig: ControlRig, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(talking, "SEND_LIMIT_S", 0.05)
    async with rig.peer() as peer:
        peer.reader._transport.pause_reading()  # type: ignore[attr-defined]
        await peer.send(b'{"tidegate": 1, "ask": "much"}\n')
        await rig.soon(rig.questions.over.wait())
        await rig.until(lambda: not rig.server._talks, "it is forgotten")
    await still_answers(rig)


@pytest.mark.parametrize(
    ("line", "held"),
    [
        (b'{"tidegate": 1, "ask": "echo", "x": "' + b"y" * 60_000 + b'"}', 1),
        (b'{"tidegate": 1, "ask": "echo"}', 44),  # each counts for 64 bytes more
        (b"", 65),
    ],
    ids=["long", "short", "empty"],
)
async def test_who_sends_ahead_is_read_no_further_than_a_little(
    rig: ControlRig, line: bytes, held: int
) -> None:
    async with rig.peer() as peer:
        await peer.send(b'{"tidegate": 1, "ask": "wait"}\n')
        await rig.soon(rig.questions.begun.wait())
        much = 4_000_000
        peer.writer.write((line + b"\n") * (much // (len(line) + 1)))
        (talk,) = rig.server._talks.values()
        await rig.until(lambda: not talk._room.is_set(), "it is read no further")
        assert len(talk._came) == held
        assert peer.writer.transport.get_write_buffer_size() > much * 0.8
        rig.questions.go_on.set()
        assert await peer.hear() == {"answer": {}}
        assert set(await peer.hear()) == {"answer" if line else "error"}
        peer.writer.transport.abort()


async def test_a_question_ends_with_its_peer(rig: ControlRig) -> None:
    async with rig.peer() as peer:
        await peer.send(b'{"tidegate": 1, "ask": "wait"}\n')
        await rig.soon(rig.questions.begun.wait())
    await rig.soon(rig.questions.over.wait())
    assert rig.questions.done == ["cancelled"]


async def test_an_order_does_not_end_with_its_peer(rig: ControlRig) -> None:
    async with rig.peer() as peer:
        await peer.send(b'{"tidegate": 1, "ask": "long_order"}\n')
        await rig.soon(rig.questions.begun.wait())
    await still_answers(rig)
    assert not rig.questions.over.is_set()
    rig.questions.go_on.set()
    await rig.soon(rig.questions.over.wait())
    assert rig.questions.done == ["to its end"]


async def test_who_has_said_all_may_still_listen(rig: ControlRig) -> None:
    async with rig.peer() as peer:
        await peer.send(b'{"tidegate": 1, "ask": "wait"}\n')
        peer.half_close()
        await rig.soon(rig.questions.begun.wait())
        rig.questions.go_on.set()
        assert await peer.hear() == {"answer": {}}
        assert await peer.rest() == b""
    assert rig.questions.done == ["to its end"]


async def test_one_user_cannot_hold_more_than_a_few_connections(
    rig: ControlRig, messages: io.StringIO
) -> None:
    held: list[Raw] = []
    for _ in range(server.PEERS_OF_A_USER):
        held.append(Raw(*await asyncio.open_unix_connection(str(rig.path))))
    await rig.until(lambda: len(rig.server._talks) == len(held), "all are accepted")
    async with rig.peer() as one_more:
        error = (await one_more.hear())["error"]
        assert error["kind"] == "Busy"
        assert await one_more.rest() == b""
    for each in held:
        await each.close()
    await rig.until(lambda: not rig.server._talks, "all are forgotten")
    await still_answers(rig)
    assert messages.getvalue().count("too many connections") == 1


@pytest.mark.parametrize(("uid", "is_out"), [(1000, True), (0, False)])
async def test_strangers_do_not_keep_root_out(
    rig: ControlRig, uid: int, *, is_out: bool
) -> None:
    others = {
        mock.Mock(): mock.Mock(peer=peer(2_000 + number, 2_000))
        for number in range(server.PEERS_MOST)
    }
    with mock.patch.object(rig.server, "_talks", others):
        rig.server._own_uids = frozenset((0,))
        assert rig.server._is_crowded(uid) is is_out


async def test_a_flood_of_connections_is_left_to_the_kernel(
    rig: ControlRig, monkeypatch: pytest.MonkeyPatch
) -> None:
    accepted = 0
    welcome = rig.server._welcome

    def counted(connected: socket.socket) -> None:
        nonlocal accepted
        accepted += 1
        welcome(connected)

    monkeypatch.setattr(rig.server, "_welcome", counted)
    loop = asyncio.get_running_loop()
    began_s = loop.time()
    for _ in range(server.ACCEPTS_AT_ONCE * 3):
        flood = socket.socket(socket.AF_UNIX)
        flood.setblocking(False)  # noqa: FBT003
        with flood:
            try:
                flood.connect(str(rig.path))
            except BlockingIOError:
                await asyncio.sleep(0)  # the backlog is full
    while accepted < server.ACCEPTS_AT_ONCE + 5:
        assert loop.time() - began_s < 20
        await asyncio.sleep(0.01)
    allowed = server.ACCEPTS_AT_ONCE + (loop.time() - began_s) * server.ACCEPTS_PER_S
    assert accepted <= allowed + 1
    await still_answers(rig)


async def test_who_is_turned_away_does_not_hold_up_whoever_is_behind(
    rig: ControlRig,
) -> None:
    """The kernel wakes those who wait in connect(2) in their order: unix(7)."""
    held = [await asyncio.open_unix_connection(str(rig.path))]
    while len(held) < server.PEERS_OF_A_USER:
        held.append(await asyncio.open_unix_connection(str(rig.path)))
    await rig.until(lambda: len(rig.server._talks) == len(held), "all are accepted")
    loop, count = asyncio.get_running_loop(), 300
    began_s = loop.time()
    for _ in range(count):
        reader, writer = await asyncio.open_unix_connection(str(rig.path))
        assert b"too many" in await reader.readline()
        writer.close()
    # At the pace of a welcome it would be five seconds and more.
    assert loop.time() - began_s < count / server.ACCEPTS_PER_S / 2
    for _, writer in held:
        writer.close()


async def test_without_more_files_it_rests_and_goes_on(
    rig: ControlRig, monkeypatch: pytest.MonkeyPatch, messages: io.StringIO
) -> None:
    monkeypatch.setattr(server, "REST_S", 0.02)
    file = rig.server._file
    assert file is not None
    real, failures = file.listening, [errno.EMFILE] * 3

    class FakeFullTable:
        """accept(2) of a process that has no file descriptor left."""

        def accept(self) -> tuple[socket.socket, object]:
            if failures:
                raise OSError(failures.pop(), "Too many open files")
            return real.accept()

        def __getattr__(self, name: str) -> object:
            return getattr(real, name)

    monkeypatch.setattr(file, "listening", FakeFullTable())
    await still_answers(rig)
    assert failures == []
    assert messages.getvalue().count("cannot accept") == 1


async def test_one_user_asks_no_faster_than_the_others_can_bear(
    rig: ControlRig, monkeypatch: pytest.MonkeyPatch
) -> None:
    waits: list[float] = []
    take = rig.server._paces.take

    def noted(uid: int, now_s: float) -> float:
        waits.append(take(uid, now_s))
        return 0.0  # nobody has to wait for it here

    monkeypatch.setattr(rig.server._paces, "take", noted)
    line = b'{"tidegate": 1, "ask": "echo"}\n'
    count = server.QUESTIONS_AT_ONCE * 2
    for _ in range(2):
        async with rig.peer() as peer:
            await peer.send(line * count)
            for _ in range(count):
                await peer.hear()
    assert waits[0] == 0.0
    assert waits[-1] > 0.5


async def test_nothing_runs_while_nobody_is_connected(rig: ControlRig) -> None:
    await still_answers(rig)
    await rig.until(lambda: not rig.server._talks, "the peer is forgotten")
    mine = asyncio.current_task()
    assert [task for task in asyncio.all_tasks() if task is not mine] == []
    loop = asyncio.get_running_loop()
    waiting = [each for each in loop._scheduled if not each.cancelled()]  # type: ignore[attr-defined]
    assert waiting == []


def test_what_no_daemon_says_is_no_answer(tmp_path: Path) -> None:
    here, there = socket.socketpair()
    with there, Client(here, tmp_path) as client:
        there.sendall(b'{"tidegate": 1, "answer": [1]}\n')
        with pytest.raises(Malformed, match="no answer"):
            client.ask("status")
        there.sendall(b"x" * 10 + b"\n")
        with pytest.raises(Malformed):
            client.ask("status")


def test_a_daemon_that_is_silent_is_not_waited_for_for_ever(tmp_path: Path) -> None:
    here, there = socket.socketpair()
    silent = pytest.raises(Unavailable, match="did not answer in time")
    with there, Client(here, tmp_path) as client, silent:
        client.ask("status", limit_s=0.05)


async def test_a_group_that_it_has_already_needs_no_chown(tmp_path: Path) -> None:
    """A service whose filter of system calls has no chown(2) may name its own group."""
    rig = ControlRig(tmp_path / "control.sock", group=str(os.getgid()))
    with mock.patch.object(os, "chown", side_effect=PermissionError):
        async with rig.serving():
            assert rig.path.lstat().st_gid == os.getgid()


async def test_a_group_that_the_daemon_may_not_give_is_said(tmp_path: Path) -> None:
    rig = ControlRig(tmp_path / "control.sock", group="4801")
    denied = PermissionError(errno.EPERM, "Operation not permitted")
    with (
        mock.patch.object(os, "chown", side_effect=denied),
        pytest.raises(Unavailable, match=r"must be root or in the group"),
    ):
        await rig.server.begin()
    assert await asyncio.to_thread(left_in, tmp_path) == []
