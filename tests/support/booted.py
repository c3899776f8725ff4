"""A machine of its own with a real systemd: the host's files under an overlay, booted.

systemd-nspawn(1) boots a copy of this machine's root that takes every change with it
when it goes. It has no network but its own loopback. Needs root and control groups.

What a unit may reach by IP and which device nodes it may open, systemd enforces with
programs for the kernel (bpf(2)) on control groups of version 2: with ``filters`` the
machine has both (systemd.resource-control(5), IPAddressAllow= and DeviceAllow=).
"""

from __future__ import annotations

import ctypes
import fcntl
import json
import os
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any, NoReturn

import pytest

from support.peers import need

BOOT_LIMIT_S = 60.0
_PAUSE, _LOOK_AGAIN_S = threading.Event(), 0.1
PROGRAMS = ("systemd-nspawn", "nsenter", "mount", "umount")


def check_can_boot() -> None:
    """Skip where no machine can be booted, or fail where nothing may be skipped."""
    for program in PROGRAMS:
        need(program)
    if os.getuid() == 0 and Path("/sys/fs/cgroup").is_dir():
        return
    _lack("only root, with control groups, can boot a machine")


def check_filters(machine: Machine) -> None:
    """Skip, or fail, where systemd cannot keep a unit from the network."""
    done = machine.run(*_FILTERED, "/usr/bin/python3", "-c", _SAY, check=False)
    if done.returncode == 0:
        _lack("this kernel has no filters for control groups (bpf)")


_FILTERED = ("systemd-run", "--quiet", "--wait", "--property=IPAddressDeny=any")
_SAY = """\
import socket
socket.socket(socket.AF_INET, socket.SOCK_DGRAM).sendto(b"x", ("127.0.0.1", 9))
"""


def _lack(what: str) -> NoReturn:
    if os.environ.get("CI") == "true":
        pytest.fail(what)
    pytest.skip(what)


class Machine:
    """A booted machine. ``root`` is its root folder, seen from outside."""

    def __init__(self, root: Path, leader: int) -> None:
        self.root = root
        self._leader = leader

    def run(
        self, *command: str, check: bool = True, limit_s: float = 60.0
    ) -> subprocess.CompletedProcess[str]:
        """Run a command in the machine and wait for its end."""
        done = subprocess.run(
            ["nsenter", "-t", str(self._leader), "-a", "env", "-i", *_CLEAN, *command],
            capture_output=True,
            text=True,
            timeout=limit_s,
        )
        assert not check or done.returncode == 0, (
            f"{' '.join(command)}: {done.returncode}\n{done.stdout}{done.stderr}"
        )
        return done

    def mounts(self, *command: str, feed: str | None = None) -> str:
        """Run a command on its files with the rights of this machine: mount, mknod."""
        done = subprocess.run(
            ["nsenter", "-t", str(self._leader), "-m", "env", "-i", *_CLEAN, *command],
            capture_output=True,
            text=True,
            input=feed,
            timeout=60.0,
        )
        assert done.returncode == 0, f"{' '.join(command)}: {done.stdout}{done.stderr}"
        return done.stdout

    @property
    def own_view(self) -> Path:
        """Its root with all that is mounted there, as its first process has it."""
        return Path(f"/proc/{self._leader}/root")

    @contextmanager
    def network(self) -> Iterator[None]:
        """Let what this thread begins meanwhile, threads too, be in its network.

        Source: setns(2), which is for one thread; clone(2) hands it on.
        """
        with (
            Path("/proc/thread-self/ns/net").open("rb") as home,
            Path(f"/proc/{self._leader}/ns/net").open("rb") as away,
        ):
            _enter(away.fileno())
            try:
                yield
            finally:
                _enter(home.fileno())

    def says(self, *command: str) -> str:
        """Return what a command prints, whatever its exit code."""
        done = self.run(*command, check=False)
        return (done.stdout + done.stderr).strip()

    def shown(self, unit: str, name: str) -> str:
        """Return a property of a unit."""
        return self.says("systemctl", "show", unit, f"--property={name}", "--value")

    def journal(self, *matches: str) -> list[dict[str, Any]]:
        """Return the entries of the journal with these fields, oldest first."""
        self.run("journalctl", "--sync")
        lines = self.says("journalctl", "--no-pager", "-o", "json", *matches)
        return [json.loads(line) for line in lines.splitlines() if line[:1] == "{"]

    def until(
        self, holds: Callable[[], bool], what: str, *, within_s: float = 30.0
    ) -> None:
        """Look several times a second; what systemd knows it tells to who asks."""
        end_s = time.monotonic() + within_s
        while not holds():
            if time.monotonic() > end_s:
                last = self.says("journalctl", "--no-pager", "-o", "cat", "-n", "60")
                raise AssertionError(f"not within {within_s} s: {what}\n{last}")
            _PAUSE.wait(_LOOK_AGAIN_S)

    def inside(self, path: str) -> Path:
        """Return a path of the machine as it is seen from outside."""
        return self.root / path.lstrip("/")

    def write(self, path: str, text: str, *, mode: int = 0o644) -> None:
        """Write a file of the machine."""
        place = self.inside(path)
        place.parent.mkdir(parents=True, exist_ok=True)
        new = place.with_name(f".{place.name}.new")
        new.write_text(text)
        new.chmod(mode)
        new.rename(place)


_CLEAN = ("PATH=/usr/sbin:/usr/bin:/sbin:/bin", "LC_ALL=C.UTF-8", "HOME=/root")
_CLEAN += ("DEBIAN_FRONTEND=noninteractive", "SYSTEMD_PAGER=")


_NEW_NETWORK = 0x4000_0000  # CLONE_NEWNET of sched.h


def _enter(network: int) -> None:
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.setns(network, _NEW_NETWORK) != 0:
        raise OSError(ctypes.get_errno(), "setns")


@contextmanager
def booted(folder: Path, *, filters: bool = False) -> Iterator[Machine]:
    """Boot a machine in a folder; nothing is left of it afterwards."""
    check_can_boot()
    upper, root = folder / "upper", folder / "root"
    for each in (upper, root):
        each.mkdir()
    with ExitStack() as stack:
        stack.enter_context(_alone())
        _mount(stack, upper, "-t", "tmpfs", "tmpfs")
        for each in ("files", "work"):
            (upper / each).mkdir()
        layers = f"lowerdir=/,upperdir={upper}/files,workdir={upper}/work"
        _mount(stack, root, "-t", "overlay", "overlay", "-o", layers)
        yield stack.enter_context(_running(root, folder / "console", filters=filters))


@contextmanager
def _alone() -> Iterator[None]:
    """Wait until no other machine runs here.

    Two have the same control groups (--keep-unit): a unit that ends in one takes away
    the group of the unit of the same name in the other.
    """
    with Path(tempfile.gettempdir(), "tidegate-booted.lock").open("w") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        yield


def _mount(stack: ExitStack, place: Path, *options: str) -> None:
    subprocess.run(["mount", *options, str(place)], check=True, timeout=20)
    # Lazily: whoever still looks at it lets go in time.
    stack.callback(subprocess.run, ["umount", "-l", str(place)], check=True, timeout=20)


@contextmanager
def _running(root: Path, console: Path, *, filters: bool) -> Iterator[Machine]:
    command = ["systemd-nspawn", "--quiet", f"--directory={root}", "--boot"]
    command += ["--register=no", "--keep-unit", "--console=pipe", "--link-journal=no"]
    command += ["--private-network"]
    environment = dict(os.environ)
    if filters:
        command += ["--capability=CAP_BPF", "--system-call-filter=bpf"]
        environment["SYSTEMD_NSPAWN_UNIFIED_HIERARCHY"] = "1"
    command += ["systemd.unit=basic.target"]
    with console.open("w") as log:
        nspawn = subprocess.Popen(
            command,
            env=environment,
            stdout=log,
            stderr=subprocess.STDOUT,
            stdin=subprocess.DEVNULL,
        )
    try:
        machine = Machine(root, _leader_of(nspawn, console))
        states = ("running", "degraded")
        machine.until(
            lambda: machine.says("systemctl", "is-system-running") in states,
            f"booted: {console.read_text()}",
            within_s=BOOT_LIMIT_S,
        )
        yield machine
        machine.run("systemctl", "poweroff", check=False)
        nspawn.wait(60)
    finally:
        nspawn.kill()
        nspawn.wait()


def _leader_of(nspawn: subprocess.Popen[bytes], console: Path) -> int:
    """Return the process that is the first one inside; helpers come and go before it."""
    end_s = time.monotonic() + BOOT_LIMIT_S
    while time.monotonic() < end_s and nspawn.poll() is None:
        children = Path(f"/proc/{nspawn.pid}/task/{nspawn.pid}/children").read_text()
        for child in children.split():
            if _is_first(int(child)):
                return int(child)
        _PAUSE.wait(_LOOK_AGAIN_S)
    raise AssertionError(f"the machine did not boot: {console.read_text()}")


def _is_first(pid: int) -> bool:
    """Return whether a process is number 1 in its own namespace. Source: proc(5)."""
    try:
        lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    except OSError:
        return False
    numbers = next(line.split()[1:] for line in lines if line.startswith("NSpid:"))
    return numbers[-1] == "1" and len(numbers) > 1
