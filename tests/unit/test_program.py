"""One run of a program, with real programs: what it is given, and how far it comes.

What a program gets is read by sh and cat, not by our own code: execve(2), environ(7).
"""

from __future__ import annotations

import os
import resource
import signal
import threading
from collections.abc import Callable
from pathlib import Path
from time import monotonic

import pytest

from support.alarm_rig import is_alive, until
from support.hung_disk import hung_disk
from tidegate.service.program import (
    GRACE_S,
    KEPT_BYTES,
    KILL_WAIT_S,
    LEFT_MOST,
    Ended,
    Program,
)

LIMIT_S = 20.0
SHORT_S = 0.2
# What a busy machine may add.
SLACK_S = 10.0
WAS_LATE = "it did not end within 0.2 s, and was ended"


@pytest.fixture
def script(tmp_path: Path) -> Callable[[str], str]:
    def make(does: str) -> str:
        path = tmp_path / "tell"
        path.write_text(f"#!/bin/sh\n{does}\n")
        path.chmod(0o755)
        return str(path)

    return make


def opened() -> int:
    return sum(1 for _ in Path("/proc/self/fd").iterdir())


def run(
    *arguments: str, limit_s: float = LIMIT_S, program: Program | None = None
) -> Ended:
    return (program or Program()).run(
        arguments,
        environment={b"PATH": os.environb[b"PATH"], b"FACT": "Türme".encode()},
        line='{"fact": "Türme"}'.encode(),
        limit_s=limit_s,
    )


def test_words_line_and_environment_arrive_as_they_are(
    script: Callable[[str], str], tmp_path: Path
) -> None:
    out = tmp_path / "out"
    tell = script(f'cat > {out}; printf "%s\\n" "$#" "$@" "$FACT" "$PWD" >> {out}')
    words = ("; touch $HOME &", "", "$(id)", "Glöckchen\n2")
    assert run(tell, *words) == Ended()
    said = '{"fact": "Türme"}\n' + "\n".join(("4", *words, "Türme", "/")) + "\n"
    assert out.read_bytes() == said.encode()


def test_it_has_nothing_of_ours_open_and_its_own_session(
    script: Callable[[str], str], tmp_path: Path
) -> None:
    """Else a lock or the log would stay held by it: open(2), O_CLOEXEC."""
    with (tmp_path / "log").open("w") as secret:
        descriptor = os.dup2(secret.fileno(), secret.fileno() + 100, inheritable=True)
        ended = run(
            script("ls -l /proc/self/fd; ps -o sid= -p $$ ; echo pid $$; false")
        )
        os.close(descriptor)
    assert ended.why == "exit 1"
    assert str(tmp_path / "log") not in ended.said
    *_, session, pid = ended.said.strip().splitlines()
    assert session.strip() == pid.removeprefix("pid ")


@pytest.mark.parametrize(
    ("does", "why", "said"),
    [
        ("exit 3", "exit 3", ""),
        ("echo out; echo err >&2; exit 3", "exit 3", "out\nerr\n"),
        ("kill -SEGV $$", "signal 11", ""),
        ("printf 'a\\377b'; exit 1", "exit 1", "a\N{REPLACEMENT CHARACTER}b"),
        ("exec <&- >&- 2>&-; exit 4", "exit 4", ""),
        ("exec >&- 2>&-; sleep 0.1; exit 5", "exit 5", ""),
    ],
)
def test_how_it_ended_is_said_in_words(
    script: Callable[[str], str], does: str, why: str, said: str
) -> None:
    assert run(script(does)) == Ended(why=why, said=said)


def test_one_that_cannot_be_run_is_said(tmp_path: Path) -> None:
    """126 and 127: POSIX.1-2017, Shell & Utilities, sh, EXIT STATUS."""
    missing, no_program = tmp_path / "missing", tmp_path / "no-program"
    no_program.write_text("#!/bin/sh\n")
    assert run(str(missing)).why == "exit 127 (it was not found)"
    assert run(str(no_program)).why == "exit 126 (it cannot be run)"
    assert run(str(tmp_path)).why == "exit 126 (it cannot be run)"
    assert str(missing) in run(str(missing)).said


def test_at_its_limit_it_is_asked_to_end_first(script: Callable[[str], str]) -> None:
    tell = script("trap 'echo bye; exit 0' TERM; while :; do sleep 0.01; done 2>&-")
    assert run(tell, limit_s=SHORT_S) == Ended(why=WAS_LATE, said="bye\n")


def test_one_that_will_not_end_is_ended_with_its_children(
    script: Callable[[str], str],
) -> None:
    tell = script("trap '' TERM; sleep 1000 & echo $$ $!; while :; do wait; done")
    began_s = monotonic()
    ended = run(tell, limit_s=SHORT_S)
    assert monotonic() - began_s < SHORT_S + GRACE_S + KILL_WAIT_S + SLACK_S
    assert ended.why == WAS_LATE
    own, child = (int(pid) for pid in ended.said.split())
    assert not is_alive(own)
    until(lambda: not is_alive(child), "its child ended")


def test_what_it_leaves_in_the_background_goes_with_it(
    script: Callable[[str], str],
) -> None:
    """Its output is held open by the child, and is not waited for either."""
    ended = run(script("trap '' HUP; sleep 1000 & echo $!; exit 7"), limit_s=LIMIT_S)
    assert ended.why == "exit 7"
    child = int(ended.said)
    until(lambda: not is_alive(child), "its child ended")


def test_a_background_one_that_floods_is_not_waited_for(
    script: Callable[[str], str], tmp_path: Path
) -> None:
    """In a session of its own it is out of our reach, and must not hold us."""
    pid = tmp_path / "pid"
    tell = script(
        f"setsid sh -c 'echo $$ > {pid}; exec yes' & "
        f"while [ ! -s {pid} ]; do sleep 0.01; done; exit 0"
    )
    try:
        assert run(tell).why == ""
    finally:
        if is_alive(int(pid.read_text())):
            os.kill(int(pid.read_text()), signal.SIGKILL)


def test_a_flood_is_cut_and_costs_little(script: Callable[[str], str]) -> None:
    """At full speed `yes` would have us read gigabytes: 0.5 s of them, here in CPU."""
    before_s = resource.getrusage(resource.RUSAGE_SELF).ru_utime
    ended = run(script("exec yes flood"), limit_s=0.5)
    assert len(ended.said) == KEPT_BYTES
    assert ended.said.startswith("flood\nflood\n")
    assert resource.getrusage(resource.RUSAGE_SELF).ru_utime - before_s < 0.25


def test_a_stop_ends_it_from_another_thread(script: Callable[[str], str]) -> None:
    program = Program()
    found: list[Ended] = []
    tell = script("trap '' TERM; echo $$ > $0.pid; exec sleep 1000")
    thread = threading.Thread(target=lambda: found.append(run(tell, program=program)))
    thread.start()
    pid = Path(f"{tell}.pid")
    until(lambda: pid.exists() and bool(pid.read_text()), "it runs")
    program.signal(signal.SIGKILL)
    thread.join(LIMIT_S)
    assert found == [Ended(why="signal 9")]
    assert not is_alive(int(pid.read_text()))
    # And what would begin after that, too.
    assert run(script("sleep 1000"), program=program).why == "signal 9"


def test_none_is_left_behind_and_no_descriptor(script: Callable[[str], str]) -> None:
    program = Program()
    tell = script("exit 0")
    run(tell, program=program)
    before = opened()
    for _ in range(5):
        run(tell, program=program)
    run("/not/there", program=program)
    assert opened() == before
    pid = int(run(script("echo $$; exit 1"), program=program).said)
    with pytest.raises(ChildProcessError):  # waitid(2), ECHILD: it was waited for
        os.waitid(os.P_PID, pid, os.WEXITED | os.WNOHANG | os.WNOWAIT)


@pytest.mark.peer
def test_on_a_disk_that_hangs_it_is_ended_as_any_other(tmp_path: Path) -> None:
    with hung_disk(tmp_path / "disk") as disk:
        ended = run(str(disk / "tell"), limit_s=SHORT_S)
    assert ended == Ended(why=WAS_LATE)


def test_those_that_cannot_be_ended_are_few(
    script: Callable[[str], str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another user's cannot: kill(2), EPERM. Here no signal goes out at all."""
    sent: list[tuple[int, int]] = []
    kill = os.killpg
    monkeypatch.setattr(os, "killpg", lambda *signal: sent.append(signal))
    monkeypatch.setattr("tidegate.service.program.GRACE_S", 0.01)
    monkeypatch.setattr("tidegate.service.program.KILL_WAIT_S", 0.01)
    program = Program()
    tell = script("exec sleep 1000")
    try:
        for _ in range(LEFT_MOST):
            ended = run(tell, limit_s=0.01, program=program)
            assert ended.why == "it cannot be ended"
        why = f"{LEFT_MOST} runs before it could not be ended"
        assert run(tell, program=program).why == why
    finally:
        for group in {group for group, _ in sent}:
            kill(group, signal.SIGKILL)
    monkeypatch.undo()
    fine = script("exit 0")
    until(lambda: run(fine, program=program) == Ended(), "it is tried again")
    until(lambda: not any(is_alive(group) for group, _ in sent), "they are gone")
    run(fine, program=program)  # waits for the others, too
