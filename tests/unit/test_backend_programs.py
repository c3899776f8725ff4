"""The programs that backends run, with real ones: begun apart, bounded, ended whole.

What a program gets is told by env(1) and sh, not by our own code: execve(2), environ(7).
"""

from __future__ import annotations

import asyncio
import errno
import os
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from support.alarm_rig import is_alive, until
from tidegate_backends import programs as module
from tidegate_backends.programs import LEFT_MOST, Ended, Program, Programs

LIMIT_S = 20.0
KEPT_BYTES = 1_000


def begin(programs: Programs, *argv: str, **settings: Any) -> Program:
    return programs.begin(argv, kept_bytes=KEPT_BYTES, **settings)


async def run(*argv: str, limit_s: float = LIMIT_S, **settings: Any) -> Ended:
    return await begin(Programs(), *argv, **settings).ended(limit_s)


def shell(does: str) -> tuple[str, ...]:
    return "/bin/sh", "-c", does


def starters() -> int:
    return sum(each.name == "tidegate program" for each in threading.enumerate())


async def test_words_and_environment_arrive_as_they_are() -> None:
    """Those included that a shell would drop, or put in place of others."""
    environment = {"FACT": "Türme", "A.B": "2", "PWD": "/not/here", "_": "x"}
    ended = await run("/usr/bin/env", "-0", environment=environment)
    told = dict(each.split("=", 1) for each in ended.out.decode().split("\0") if each)
    assert told == environment
    words = ("; touch $HOME &", "", "$(id)", "Glöckchen\n2", "-x")
    ended = await run(*shell('printf "%s|" "$0" "$@"'), *words)
    assert ended == Ended(0, "".join(f"{word}|" for word in words).encode())


async def test_it_has_nothing_of_ours_open_and_its_own_session(tmp_path: Path) -> None:
    """Else a lock or the log would stay held by it: open(2), O_CLOEXEC."""
    with (tmp_path / "log").open("w") as secret:
        descriptor = os.dup2(secret.fileno(), secret.fileno() + 100, inheritable=True)
        ended = await run(*shell("ls -l /proc/$$/fd; ps -o sid= -p $$; echo $$"))
        os.close(descriptor)
    said = ended.out.decode()
    assert "/dev/null" in said
    assert str(tmp_path / "log") not in said
    *_, session, pid = said.split()
    assert session == pid


@pytest.mark.parametrize(
    ("does", "ended"),
    [
        ("echo out; echo err >&2; exit 3", Ended(3, b"out\n", b"err\n")),
        ("kill -SEGV $$", Ended(-signal.SIGSEGV)),
        # Of a shell they would mean that there is no program: sh(1). Here they do not.
        ("exit 126", Ended(126)),
        ("exit 127", Ended(127)),
        ("exec <&- >&- 2>&-; exit 4", Ended(4)),
        ("exec >&- 2>&-; sleep 0.1; exit 5", Ended(5)),
    ],
)
async def test_how_it_ended(does: str, ended: Ended) -> None:
    assert await run(*shell(does)) == ended


async def test_what_cannot_be_started_is_an_error_of_the_system(tmp_path: Path) -> None:
    plain, no_program = tmp_path / "plain", tmp_path / "no-program"
    plain.write_text("#!/bin/sh\n")
    no_program.write_text("echo not for a shell\n")
    no_program.chmod(0o755)
    cases: tuple[tuple[str, type[Exception], int], ...] = (
        (str(tmp_path / "missing"), FileNotFoundError, errno.ENOENT),
        (str(plain), PermissionError, errno.EACCES),
        (str(tmp_path), PermissionError, errno.EACCES),
        (str(no_program), OSError, errno.ENOEXEC),
    )
    for name, error, number in cases:
        with pytest.raises(error) as caught:
            await run(name)
        assert isinstance(caught.value, OSError)
        assert caught.value.errno == number
    with pytest.raises(ValueError, match="null byte"):
        await run("true", "a\0b")
    await asyncio.to_thread(until, lambda: starters() == 0, "its thread ended")


async def test_without_a_thread_it_cannot_be_started(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """And it can when there is one again."""
    programs = Programs()

    def start(_: threading.Thread) -> None:
        raise RuntimeError("can't start new thread")

    with monkeypatch.context() as patched:
        patched.setattr(threading.Thread, "start", start)
        with pytest.raises(OSError, match="no thread"):
            await begin(programs, "true").ended(LIMIT_S)
    assert await begin(programs, "true").ended(LIMIT_S) == Ended(0)


async def test_it_is_read_to_its_end_and_cut() -> None:
    ended = await run(*shell("head -c 300000 /dev/zero; echo x >&2; exit 7"))
    assert ended == Ended(7, bytes(KEPT_BYTES), b"x\n")


async def test_one_that_may_not_say_more_is_ended_when_it_is_full() -> None:
    ended = await run(*shell("echo on 2>&1; exec yes flood"), is_over_when_full=True)
    assert ended.code == -signal.SIGKILL
    assert len(ended.out) == KEPT_BYTES
    assert ended.out.startswith(b"on\nflood\n")


async def test_what_it_leaves_in_the_background_goes_with_it() -> None:
    ended = await run(*shell("sleep 1000 & echo $!"))
    child = int(ended.out)
    until(lambda: not is_alive(child), "its child ended")


async def test_output_that_others_hold_open_is_not_waited_for_long(
    tmp_path: Path,
) -> None:
    """A server in a session of its own stays, and holds nobody up."""
    pid = tmp_path / "pid"
    keeps = f"echo $$ > {pid}.new; mv {pid}.new {pid}; exec sleep 1000"
    does = f"setsid sh -c '{keeps}' & while [ ! -e {pid} ]; do sleep 0.01; done; echo x"
    try:
        assert await run(*shell(does)) == Ended(0, b"x\n")
        assert is_alive(int(pid.read_text()))
    finally:
        os.kill(int(pid.read_text()), signal.SIGKILL)


@pytest.fixture
def held(monkeypatch: pytest.MonkeyPatch) -> Iterator[threading.Event]:
    """Set, it lets go of a thread that is about to fork."""
    forks = threading.Event()
    init = subprocess.Popen.__init__

    def wait(self: Any, *args: Any, **settings: Any) -> None:
        assert forks.wait(LIMIT_S)
        init(self, *args, **settings)

    monkeypatch.setattr(subprocess.Popen, "__init__", wait)
    yield forks
    forks.set()
    until(lambda: starters() == 0, "its thread ended")


def writes(file: Path) -> tuple[str, ...]:
    return shell(f"echo late > {file}")


async def test_one_begins_at_a_time_and_one_given_up_never_does(
    held: threading.Event, tmp_path: Path
) -> None:
    """While one hangs, the others wait, each to its limit, and no thread is added."""
    programs = Programs()
    first = begin(programs, "true")
    for _ in range(5):
        with pytest.raises(TimeoutError):
            await begin(programs, *writes(tmp_path / "late")).ended(0.001)
        assert starters() == 1
    waits = begin(programs, *writes(tmp_path / "late"))
    await asyncio.sleep(0)
    waits.kill()
    assert await waits.ended(LIMIT_S) == Ended(-signal.SIGKILL)
    held.set()
    assert await first.ended(LIMIT_S) == Ended(0)
    assert await begin(programs, "true").ended(LIMIT_S) == Ended(0)
    assert not (tmp_path / "late").exists()


async def test_one_that_is_killed_while_it_is_forked_does_nothing(
    held: threading.Event, tmp_path: Path
) -> None:
    programs = Programs()
    # A child waits for its name's interpreter, a shell for its first word: for a FIFO.
    os.mkfifo(tmp_path / "fifo")
    program = begin(programs, *shell(f"read x < {tmp_path}/fifo"))
    await asyncio.to_thread(until, lambda: starters() == 1, "it begins")
    program.kill()
    held.set()
    assert await program.ended(LIMIT_S) == Ended(-signal.SIGKILL)


def test_when_the_loop_ends_so_do_they(tmp_path: Path) -> None:
    pid = tmp_path / "pid"

    async def leave() -> None:
        begin(
            Programs(), *shell(f"echo $$ > {pid}.new; mv {pid}.new {pid}; sleep 1000")
        )
        await asyncio.to_thread(until, pid.exists, "it runs")

    asyncio.run(leave())
    assert not is_alive(int(pid.read_text()))
    with pytest.raises(ChildProcessError):  # waitid(2), ECHILD: it was waited for
        os.waitid(os.P_PID, int(pid.read_text()), os.WEXITED | os.WNOHANG)


def test_one_that_is_forked_when_the_loop_is_gone_does_nothing(
    held: threading.Event, tmp_path: Path
) -> None:
    os.mkfifo(tmp_path / "fifo")
    made: list[Program] = []

    async def leave() -> None:
        made.append(begin(Programs(), *shell(f"read x < {tmp_path}/fifo")))
        await asyncio.to_thread(until, lambda: starters() == 1, "it begins")

    asyncio.run(leave())
    held.set()
    until(lambda: starters() == 0, "its thread ended")
    process = made[0]._process
    assert process is not None
    assert process.returncode == -signal.SIGKILL


async def test_those_that_cannot_be_ended_are_few(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Another user's cannot: kill(2), EPERM. Here no signal goes out at all."""
    killed: set[int] = set()
    kill = os.killpg

    def refuse(group: int, number: int) -> None:
        killed.add(group)
        raise PermissionError(errno.EPERM, os.strerror(errno.EPERM))

    monkeypatch.setattr(os, "killpg", refuse)
    monkeypatch.setattr(module, "REAPED_WITHIN_S", 0.0)
    programs = Programs()
    try:
        for _ in range(LEFT_MOST):
            with pytest.raises(TimeoutError):
                await begin(programs, "sleep", "1000").ended(0.05)
        with pytest.raises(OSError, match=f"{LEFT_MOST} runs before it"):
            begin(programs, "true")
        # What another backend runs is none of its business.
        assert await begin(Programs(), "true").ended(LIMIT_S) == Ended(0)
    finally:
        monkeypatch.undo()
        for group in killed:
            if is_alive(group):
                kill(group, signal.SIGKILL)
    gone = [f"/proc/{group}" for group in killed]
    await asyncio.to_thread(until, lambda: not any(map(os.path.exists, gone)), "gone")
    assert await begin(programs, "true").ended(LIMIT_S) == Ended(0)


async def test_it_is_looked_for_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    programs = Programs()
    assert await programs.found(sys.executable) == sys.executable
    assert await programs.found("no-such-program-at-all") is None
    hangs, waited = threading.Event(), threading.Event()

    def which(name: str) -> str | None:
        waited.set()
        assert hangs.wait(LIMIT_S)
        return name

    monkeypatch.setattr(shutil, "which", which)
    for _ in range(3):
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(programs.found("x"), 0.001)
        assert starters() == 1
    assert waited.is_set()
    hangs.set()
    assert await programs.found("y") == "y"


def opened() -> int:
    return sum(1 for _ in Path("/proc/self/fd").iterdir())


async def test_no_descriptor_and_no_process_is_left() -> None:
    programs, pids = Programs(), set()
    before = opened()
    for argv in (shell("echo $$; exit 1"), shell("echo $$; sleep 1000"), ("/not",)) * 2:
        program = begin(programs, *argv, is_over_when_full=True)
        with suppress(FileNotFoundError, TimeoutError):
            await program.ended(0.05)
        pids |= {int(each) for each in program._said[1].split()}
    assert opened() == before
    assert pids
    there = [pid for pid in pids if os.path.exists(f"/proc/{pid}")]  # noqa: ASYNC240, PTH110
    assert there == [], "they were not waited for"
