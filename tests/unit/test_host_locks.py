"""One master for each relay, among real processes and on real device nodes."""

import os
import re
import resource
import shutil
import signal
import stat
import subprocess
import sys
import tempfile
from contextlib import contextmanager
from pathlib import Path

import pytest
import serial

from support.cyclelog_faults import crowded, read_only, small_disk
from tidegate.contract import Target
from tidegate.errors import Busy, Unavailable
from tidegate.host import Locks, lock_folder, lock_target, locks

STRANGER = 64_322

HOLDER = """
import sys
from pathlib import Path
from tidegate.contract import Target
from tidegate.host import lock_target

sys.argv = ["/opt/somewhere/tidegate", "run", "--config", "x"]
held = lock_target(Target(sys.stdin.readline().strip(), "1"), folder=Path(FOLDER))
print("held", flush=True)
sys.stdin.read()
"""


@pytest.fixture
def other_master(tmp_path):
    """Start a second process that holds a target in ``tmp_path``."""
    started = []

    def start(link):
        process = subprocess.Popen(
            [sys.executable, "-c", HOLDER.replace("FOLDER", repr(str(tmp_path)))],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
        )
        started.append(process)
        process.stdin.write(f"{link}\n")
        process.stdin.flush()
        assert process.stdout.readline() == "held\n"
        return process

    yield start
    for process in started:
        process.kill()
        process.communicate(timeout=10)


@pytest.fixture
def pty():
    """A pseudo-terminal: a character device like a serial port."""
    master, slave = os.openpty()
    yield os.ttyname(slave)
    os.close(master)
    os.close(slave)


def test_the_second_process_is_told_who_holds_it(other_master, tmp_path):
    process = other_master("relay.example:502")

    with pytest.raises(Busy) as caught:
        lock_target(Target("relay.example:502", "1"), folder=tmp_path)

    text = str(caught.value)
    assert f"in use by tidegate run (process {process.pid}, since " in text
    assert re.search(r"since \d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\+00:00", text)
    assert "Stop that one first" in text


def test_the_kernel_frees_the_lock_of_the_dead(other_master, tmp_path):
    process = other_master("relay.example:502")
    process.send_signal(signal.SIGKILL)
    process.wait(timeout=10)

    with lock_target(Target("relay.example:502", "1"), folder=tmp_path) as lock:
        assert lock.held
    assert not lock.held


def test_every_path_to_a_node_and_every_channel_is_one_lock(
    other_master, tmp_path, pty
):
    by_path = tmp_path / "by-path-0"
    by_path.symlink_to(pty)
    other_master(by_path)

    with pytest.raises(Busy):
        lock_target(Target(pty, "2"), folder=tmp_path)


def test_channels_of_what_is_no_node_are_locks_of_their_own(other_master, tmp_path):
    other_master("relay.example:502")
    with lock_target(Target("relay.example:502", "2"), folder=tmp_path) as lock:
        assert lock.held


def test_our_lock_does_not_refuse_pyserials_own(tmp_path, pty):
    """pyserial 3.5 takes flock on the node for ``exclusive``; ours must not block it,
    and it must still refuse a second opener.
    """
    with (
        lock_target(Target(pty), folder=tmp_path),
        serial.Serial(pty, exclusive=True),
        pytest.raises(serial.SerialException, match="exclusively lock"),
    ):
        serial.Serial(pty, exclusive=True)


def test_a_holder_who_has_not_signed_or_died_is_not_named(tmp_path):
    target = Target("relay.example:502")
    with lock_target(target, folder=tmp_path):
        (file,) = tmp_path.iterdir()
        for text in ("", "999999999\ntidegate run\n2026-03-02T06:00:00+00:00\n"):
            file.write_text(text)
            with pytest.raises(Busy, match="in use by another tidegate"):
                lock_target(target, folder=tmp_path)


def test_stations_of_one_process_share_a_lock(tmp_path, pty):
    mine, stranger = Locks(tmp_path), Locks(tmp_path)
    first, second = mine.take(Target(pty, "1")), mine.take(Target(pty, "2"))

    first.release()
    first.release()  # may be called twice
    with pytest.raises(Busy):
        stranger.take(Target(pty, "3"))
    second.release()
    stranger.take(Target(pty, "3")).release()
    mine.take(Target(pty, "1")).release()


def test_a_folder_that_cannot_be_is_plainly_said(tmp_path):
    file = tmp_path / "file"
    file.touch()
    with pytest.raises(Unavailable, match="TIDEGATE_LOCKS"):
        lock_target(Target("x"), folder=file / "locks")


@pytest.mark.skipif(os.getuid() != 0, reason="only root can give a folder away")
def test_a_folder_of_someone_else_is_not_trusted(tmp_path):
    os.chown(tmp_path, 65534, 65534)
    with pytest.raises(Unavailable, match="belongs to user 65534"):
        lock_target(Target("x"), folder=tmp_path)


def test_a_link_planted_as_lock_file_is_not_followed(tmp_path):
    """Who runs as root must not be led to write elsewhere."""
    target, victim = Target("x"), tmp_path / "victim"
    lock_target(target, folder=tmp_path / "locks").release()
    (file,) = (tmp_path / "locks").iterdir()
    file.unlink()
    victim.write_text("precious")
    file.symlink_to(victim)

    with pytest.raises(Unavailable):
        lock_target(target, folder=tmp_path / "locks")
    assert victim.read_text() == "precious"


@pytest.mark.parametrize(
    ("environ", "writable", "want"),
    [
        ({"TIDEGATE_LOCKS": "/a", "XDG_RUNTIME_DIR": "/b"}, True, "/a"),
        ({"XDG_RUNTIME_DIR": "/b"}, True, "SYSTEM"),
        ({"XDG_RUNTIME_DIR": "/b"}, False, "/b/tidegate"),
        ({}, False, "TEMP"),
    ],
)
def test_folder(environ, writable, want, tmp_path, monkeypatch):
    system = tmp_path / "run"
    if writable:
        system.mkdir()
    monkeypatch.setattr(locks, "_SYSTEM", system)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    own = tmp_path / f"tidegate-{os.getuid()}"
    want = {"SYSTEM": str(system), "TEMP": str(own)}.get(want, want)
    assert str(lock_folder(environ)) == want


def test_a_system_daemons_lock_counts_for_a_person(other_master, tmp_path, monkeypatch):
    """A person's ``prove`` cannot write in the run folder, and need not."""
    process = other_master("relay.example:502")
    monkeypatch.delenv("TIDEGATE_LOCKS", raising=False)
    monkeypatch.setattr(locks, "_SYSTEM", tmp_path)
    monkeypatch.setattr(locks, "lock_folder", lambda: tmp_path / "person")
    target = Target("relay.example:502", "1")

    with pytest.raises(Busy, match=f"process {process.pid}"):
        lock_target(target)
    process.kill()
    process.wait(timeout=10)
    with lock_target(target), pytest.raises(Busy):
        lock_target(target, folder=tmp_path)
    with lock_target(Target("never held")) as lock:
        assert lock.held


@pytest.mark.skipif(os.getuid() != 0, reason="only root can be more than one user")
def test_what_root_locks_the_service_can_lock_afterwards(tmp_path, monkeypatch):
    """The system's run folder belongs to the service's own user; people use sudo."""
    service = 64_321
    folder = tmp_path / "run"
    folder.mkdir()
    os.chown(folder, service, service)
    monkeypatch.setattr(locks, "_SYSTEM", folder)
    monkeypatch.delenv("TIDEGATE_LOCKS", raising=False)
    target = Target("board", "1")

    lock_target(target).release()

    (file,) = folder.iterdir()
    assert (file.stat().st_uid, file.stat().st_gid) == (service, service)
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    os.chown(elsewhere, service, service)
    with pytest.raises(Unavailable, match=f"belongs to user {service}"):
        lock_target(target, folder=elsewhere)


@pytest.fixture
def open_folder():
    """A folder that others than root can reach, as tmp_path is not."""
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o755)
        yield Path(name)


@contextmanager
def as_user(uid):
    groups = os.getgroups()
    os.setgroups([])
    os.setresgid(uid, uid, 0)
    os.setresuid(uid, uid, 0)
    try:
        yield
    finally:
        os.setresuid(0, 0, 0)
        os.setresgid(0, 0, 0)
        os.setgroups(groups)


@pytest.mark.skipif(os.getuid() != 0, reason="only root can be more than one user")
@pytest.mark.parametrize("made_by_an_older_one", [False, True])
def test_a_stranger_can_see_a_lock_and_not_take_it(
    open_folder, monkeypatch, made_by_an_older_one
):
    """flock(2) asks for no more than an open file, however it was opened."""
    folder, target = open_folder / "run", Target("board", "1")
    own = open_folder / "own"
    own.mkdir()
    os.chown(own, STRANGER, STRANGER)
    monkeypatch.setattr(locks, "_SYSTEM", folder)
    monkeypatch.setattr(locks, "lock_folder", lambda: own)
    monkeypatch.delenv("TIDEGATE_LOCKS", raising=False)
    lock_target(target, folder=folder).release()
    (file,) = folder.iterdir()
    if made_by_an_older_one:
        file.chmod(0o644)

    with lock_target(target, folder=folder), as_user(STRANGER):
        with pytest.raises(PermissionError):
            file.open()
        with pytest.raises(Busy, match="in use by another tidegate"):
            lock_target(target)
    with as_user(STRANGER), lock_target(target) as lock:
        assert lock.held  # nobody has it now


def test_a_file_that_was_taken_away_is_locked_anew(other_master, tmp_path, pty):
    """A cleaner of the run folder took it away under those who held it."""
    held = Locks(tmp_path)
    first, second = held.take(Target(pty, "1")), held.take(Target(pty, "2"))
    assert held.renew() == []
    first.file.unlink()
    assert not first.is_in_place

    assert held.renew() == []

    assert first.is_in_place
    first.release()
    with pytest.raises(Busy):
        lock_target(Target(pty), folder=tmp_path)
    second.release()
    with lock_target(Target(pty), folder=tmp_path):
        assert held.renew() == []  # what was released is nobody's to lock


def test_whoever_came_in_between_is_named_until_he_is_gone(other_master, tmp_path):
    held = Locks(tmp_path)
    lock = held.take(Target("relay.example:502", "1"))
    lock.file.unlink()
    process = other_master("relay.example:502")

    (error,) = held.renew()

    assert isinstance(error, Busy)
    assert f"process {process.pid}" in str(error)
    assert not lock.is_in_place
    process.kill()
    process.wait(timeout=10)
    assert held.renew() == []
    assert lock.is_in_place


def test_a_folder_that_can_be_no_more_is_plainly_said(tmp_path):
    folder = tmp_path / "locks"
    held = Locks(folder)
    lock = held.take(Target("relay.example:502", "1"))
    lock.file.unlink()
    folder.rmdir()
    folder.write_text("a file by now")

    (error,) = held.renew()

    assert isinstance(error, Unavailable)
    assert f"no lock file in {folder}" in str(error)


@pytest.fixture
def careful_umask():
    """The one of the service unit."""
    before = os.umask(0o027)
    yield
    os.umask(before)


@pytest.mark.skipif(os.getuid() != 0, reason="only root may give folders away")
def test_a_folder_is_made_again_for_those_who_could_come_in(tmp_path, careful_umask):
    """The control socket lies in it too, for people who are not the daemon."""
    folder = tmp_path / "run"
    folder.mkdir()
    os.chown(folder, -1, STRANGER)
    folder.chmod(0o755)
    held = Locks(folder)
    held.take(Target("relay.example:502", "1"))
    for _ in range(2):
        shutil.rmtree(folder)
        assert held.renew() == []
        found = folder.stat()
        assert (stat.S_IMODE(found.st_mode), found.st_gid) == (0o755, STRANGER)


@pytest.mark.skipif(os.getuid() != 0, reason="only root can be more than one user")
def test_a_folder_that_is_not_ours_to_make_is_said_with_what_helps(open_folder):
    """As in the hardened service, whose run folder only root can make."""
    folder = open_folder / "run"
    folder.mkdir()
    os.chown(folder, STRANGER, STRANGER)
    held = Locks(folder)
    with as_user(STRANGER):
        held.take(Target("relay.example:502", "1"))
        held.take(Target("relay.example:502", "2"))
    shutil.rmtree(folder)
    with as_user(STRANGER):
        errors = held.renew()
    assert [str(each) for each in errors] == [
        f"relay.example:502#{channel}: {folder} is gone and cannot be made again "
        "(Permission denied). Make it again for the daemon's user, as a restart of its "
        "service does"
        for channel in (1, 2)
    ]
    folder.mkdir()
    os.chown(folder, STRANGER, STRANGER)
    with as_user(STRANGER):
        assert held.renew() == []


def descriptors():
    return sum(1 for _ in Path("/proc/self/fd").iterdir())


@contextmanager
def descriptors_left(number):
    """Let that many files be opened (getrlimit(2), EMFILE)."""
    before = resource.getrlimit(resource.RLIMIT_NOFILE)
    gaps = [os.open(os.devnull, os.O_RDONLY) for _ in range(number + 1)]
    for each in gaps:
        os.close(each)
    resource.setrlimit(resource.RLIMIT_NOFILE, (gaps[-1], before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, before)


@pytest.mark.parametrize("left", [0, 1, 2])
def test_without_another_file_descriptor_it_is_locked_later(tmp_path, pty, left):
    held = Locks(tmp_path)
    first, second = held.take(Target(pty, "1")), held.take(Target(pty, "2"))
    first.file.unlink()
    before = descriptors()
    with descriptors_left(left):
        errors = held.renew()
        if left == 0:
            with pytest.raises(Unavailable, match="Too many open files"):
                held.take(Target(pty, "3"))
    assert [type(each) for each in errors] == ([] if left == 2 else [Unavailable])
    assert descriptors() == before
    assert held.renew() == []
    for each in (first, second):
        with pytest.raises(Busy):
            lock_target(Target(pty), folder=tmp_path)
        each.release()


def test_in_a_read_only_folder_who_was_first_is_still_the_master(
    other_master, tmp_path
):
    """EROFS of open(2); flock(2) asks for no more than an open file."""
    target = Target("relay.example:502", "1")
    process = other_master(target.link)
    with read_only(tmp_path):
        with pytest.raises(Busy, match=f"process {process.pid}"):
            lock_target(target, folder=tmp_path)
        process.kill()
        process.wait(timeout=10)
        held = Locks(tmp_path)
        lock = held.take(target)
        assert lock.lacking == ""
        assert held.renew() == []
        with pytest.raises(Busy, match="another tidegate"):
            lock_target(target, folder=tmp_path)


def test_what_had_no_room_is_locked_once_there_is_some(tmp_path):
    """ENOSPC of open(2), on a file system for a few files (tmpfs(5), ``nr_inodes``)."""
    target = Target("relay.example:502", "1")
    with small_disk(tmp_path / "locks", size_kib=64, files=8) as folder:
        held = Locks(folder)
        with crowded(folder):
            lock = held.take(target)
            also = held.take(target)
            assert lock.held
            assert "no room for a lock file" in lock.lacking
            (error,) = held.renew()
            assert "would not be kept away" in str(error)
        assert held.renew() == []
        assert (lock.lacking, also.lacking) == ("", "")
        lock.release()
        with pytest.raises(Busy):
            lock_target(target, folder=folder)
        also.release()
        assert not also.held
