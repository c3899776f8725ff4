"""A device's adb daemon over loopback TCP: the peer of the `adb` gauge.

Written from the protocol, shares no code with ours; a real adb server speaks to it.

Source: AOSP packages/modules/adb, ``protocol.txt`` (messages, CNXN, AUTH, OPEN, OKAY,
WRTE, CLSE) and ``shell_protocol.h`` (shell_v2 packets). What `dumpsys` and the device's
shell print is made up by the test.

A message is a header of six little-endian words (command, arg0, arg1, length, sum of the
bytes, command inverted) and so many bytes. A device that wants the host's key says AUTH
with a token; here no signature is ever good, so an unauthorised device waits for its
dialog for ever.
"""

from __future__ import annotations

import contextlib
import os
import socket
import struct
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Self

CNXN, AUTH, OPEN = b"CNXN", b"AUTH", b"OPEN"
OKAY, WRTE, CLSE = b"OKAY", b"WRTE", b"CLSE"
_VERSION: Final = 0x01000001  # checksums need not be right from here on
_MOST: Final = 256 * 1024
_TOKEN, _SIGNATURE, _KEY = 1, 2, 3
_STDOUT, _STDERR, _EXIT = 1, 2, 3

# fair: answers. hangs: takes the command and says nothing. deaf: does not even take it.
# drops-before, drops-during: the connection ends before or half-way through the answer.
# refuses: says CLSE to the command.
MANNERS: Final = (
    "fair",
    "hangs",
    "deaf",
    "drops-before",
    "drops-during",
    "refuses",
)


def message(command: bytes, arg0: int, arg1: int, data: bytes = b"") -> bytes:
    """Return one message of the protocol."""
    number = int.from_bytes(command, "little")
    words = (number, arg0, arg1, len(data), sum(data) & 0xFFFFFFFF, number ^ 0xFFFFFFFF)
    return struct.pack("<6I", *words) + data


def packet(kind: int, data: bytes) -> bytes:
    """Return one packet of the shell protocol, version 2."""
    return struct.pack("<BI", kind, len(data)) + data


@dataclass
class Adbd:
    """The daemon of one device. Everything public may be called from any thread.

    ``dump`` is what `dumpsys battery` prints. ``tty``: the shell has a terminal, as an
    old one does, and ends its lines with CR LF. ``complains``: what it prints goes to
    stderr, which only shell_v2 tells apart. ``uptime_s``: since the device's own boot;
    ``None``: its shell may not read it.
    """

    dump: str | bytes = ""
    shell_v2: bool = True
    tty: bool = False
    complains: bool = False
    uptime_s: float | None = 86_400.0
    manner: str = "fair"
    authorised: bool = True
    heard: list[str] = field(default_factory=list)
    on_command: Callable[[str], None] | None = None

    def __post_init__(self) -> None:
        self._changed = threading.Condition()
        self._listener: socket.socket | None = None
        self._lines: set[socket.socket] = set()
        self._ends_at: set[tuple[socket.socket, int]] = set()
        self._threads: list[threading.Thread] = []
        self._booted_s = time.monotonic()
        self.port = 0
        self.at_once = self.most_at_once = 0
        self.failed: BaseException | None = None

    def __enter__(self) -> Self:
        self.plug_in()
        return self

    def __exit__(self, *_: object) -> None:
        self.unplug()
        if self.failed is not None:
            raise self.failed

    @property
    def serial(self) -> str:
        """What adb calls it."""
        return f"127.0.0.1:{self.port}"

    # --- what happens to a device -----------------------------------------------------

    def plug_in(self) -> None:
        """Listen, on the same port as before."""
        assert self._listener is None, "it is plugged in"
        listener = socket.create_server(("127.0.0.1", self.port))
        self.port = listener.getsockname()[1]
        self._listener = listener
        self._start(self._accept, listener)

    def unplug(self) -> None:
        """Let the connection end and refuse others."""
        listener, self._listener = self._listener, None
        if listener is not None:
            # Closing alone does not wake a thread that waits in accept.
            with contextlib.suppress(OSError):
                listener.shutdown(socket.SHUT_RDWR)
            listener.close()
        self.drop()
        for thread in self._threads:
            thread.join(timeout=10)
            assert not thread.is_alive(), "a thread of the device hangs"
        self._threads.clear()

    def drop(self) -> None:
        """Let the connections there are end."""
        with self._changed:
            for line in self._lines:
                with contextlib.suppress(OSError):
                    line.shutdown(socket.SHUT_RDWR)

    def reboot(self) -> None:
        """Lose the connection, and count the time since boot from now."""
        self.uptime_s, self._booted_s = 0.0, time.monotonic()
        self.drop()

    def behave(self, manner: str) -> None:
        """Answer the next commands in this manner."""
        assert manner in MANNERS, manner
        with self._changed:
            self.manner = manner
            self._changed.notify_all()

    def wait_until(self, holds: Callable[[Adbd], bool], within_s: float = 20) -> None:
        """Wait for something that the device notices."""
        with self._changed:
            assert self._changed.wait_for(lambda: holds(self), within_s), (
                f"not within {within_s} s; heard {self.heard[-3:]}"
            )

    # --- the wire ---------------------------------------------------------------------

    def _start(
        self, work: Callable[[socket.socket], None], line: socket.socket
    ) -> None:
        def run() -> None:
            try:
                work(line)
            except OSError:
                return  # the other side ended it, or we did
            except BaseException as error:  # noqa: BLE001 - raised again at the end
                self.failed = error

        thread = threading.Thread(target=run, daemon=True)
        self._threads.append(thread)
        thread.start()

    def _accept(self, listener: socket.socket) -> None:
        while True:
            line, _ = listener.accept()
            line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            with self._changed:
                self._lines.add(line)
            self._start(self._serve, line)

    def _serve(self, line: socket.socket) -> None:
        with line, line.makefile("rb") as incoming:
            try:
                for command, arg0, arg1, data in _messages(incoming.read):
                    self._take(line, command, arg0, arg1, data)
            finally:
                with self._changed:
                    self._lines.discard(line)

    def _take(
        self, line: socket.socket, command: bytes, arg0: int, arg1: int, data: bytes
    ) -> None:
        if command == CNXN:
            if self.authorised:
                self._welcome(line)
            else:
                line.sendall(message(AUTH, _TOKEN, 0, os.urandom(20)))
        elif command == AUTH and arg0 == _SIGNATURE:
            line.sendall(message(AUTH, _TOKEN, 0, os.urandom(20)))
        elif command == OPEN:
            self._open(line, arg0, data.rstrip(b"\0").decode())
        elif command == OKAY and (line, arg1) in self._ends_at:
            self._ends_at.discard((line, arg1))
            line.shutdown(socket.SHUT_RDWR)
        # Else OKAY and CLSE need no answer; after AUTH with a key a person must be waited for.

    def _welcome(self, line: socket.socket) -> None:
        features = "shell_v2,cmd" if self.shell_v2 else "cmd"
        banner = f"device::ro.product.name=guide;ro.product.model=Guide_7;features={features}"
        line.sendall(message(CNXN, _VERSION, _MOST, banner.encode()))

    def _open(self, line: socket.socket, theirs: int, service: str) -> None:
        name, _, command = service.partition(":")
        with self._changed:
            self.heard.append(command)
            manner = self.manner
            self._changed.notify_all()
        if self.on_command is not None:
            self.on_command(command)
        if manner == "deaf":
            return
        if manner == "refuses" or not name.startswith("shell"):
            line.sendall(message(CLSE, 0, theirs))
            return
        ours = len(self.heard)
        line.sendall(message(OKAY, ours, theirs))
        if manner == "hangs":
            return
        if manner == "drops-before":
            line.shutdown(socket.SHUT_RDWR)
            return
        said = self._run(command)
        if manner == "drops-during":
            said = said[: len(said) // 2]
        v2 = name.startswith("shell,v2")
        if v2:
            said = packet(_STDERR if self.complains else _STDOUT, said)
        for at in range(0, len(said), _MOST):
            line.sendall(message(WRTE, ours, theirs, said[at : at + _MOST]))
        if manner == "drops-during":
            # What was not acknowledged yet is lost with the connection, now and then.
            self._ends_at.add((line, ours))
            return
        if v2:
            line.sendall(message(WRTE, ours, theirs, packet(_EXIT, b"\0")))
        line.sendall(message(CLSE, ours, theirs))

    # --- the device's shell -----------------------------------------------------------

    def _run(self, command: str) -> bytes:
        said = b"".join(self._one(part.strip()) for part in command.split(";"))
        return said.replace(b"\n", b"\r\n") if self.tty else said

    def _one(self, command: str) -> bytes:
        if command == "dumpsys battery":
            return self.dump.encode() if isinstance(self.dump, str) else self.dump
        if command == "cat /proc/uptime":
            if self.uptime_s is None:
                return b"cat: /proc/uptime: Permission denied\n"
            up_s = self.uptime_s + time.monotonic() - self._booted_s
            return f"{up_s:.2f} {up_s * 2.9:.2f}\n".encode()
        return f"/system/bin/sh: {command}: not found\n".encode()


def _messages(
    read: Callable[[int], bytes],
) -> Iterator[tuple[bytes, int, int, bytes]]:
    """Yield messages until the other side ends the connection."""
    while len(header := read(24)) == 24:
        number, arg0, arg1, length, _, inverted = struct.unpack("<6I", header)
        assert number ^ inverted == 0xFFFFFFFF, header
        yield number.to_bytes(4, "little"), arg0, arg1, read(length)


@dataclass
class AdbServer:
    """A real adb server of its own: own port, own keys, and ended for sure.

    ``start=False``: whoever calls adb first starts it, as on a person's machine.
    """

    program: str
    home: Path
    port: int = 0

    def __post_init__(self) -> None:
        self.home.mkdir(parents=True, exist_ok=True)
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.port = free.getsockname()[1]
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def environment(self) -> dict[str, str]:
        """What keeps it apart from every other adb on this machine."""
        return {
            **os.environ,
            "HOME": str(self.home),
            "TMPDIR": str(self.home),
            "ANDROID_ADB_SERVER_PORT": str(self.port),
            "ADB_MDNS": "0",
            "ADB_LOCAL_TRANSPORT_MAX_PORT": "5554",  # it looks for no emulators
        }

    def start(self) -> None:
        """Start it as our own child."""
        with (self.home / "server.txt").open("ab") as said:
            self._process = subprocess.Popen(
                [self.program, "-P", str(self.port), "nodaemon", "server"],
                env=self.environment,
                stdin=subprocess.DEVNULL,
                stdout=said,
                stderr=said,
            )
        deadline_s = time.monotonic() + 20
        while not self.listens():
            assert time.monotonic() < deadline_s, "the adb server does not listen"
            assert self._process.poll() is None, (self.home / "server.txt").read_text()
            threading.Event().wait(0.02)

    def listens(self) -> bool:
        """Return whether somebody takes connections on its port."""
        with socket.socket() as caller:
            return caller.connect_ex(("127.0.0.1", self.port)) == 0

    def adb(self, *words: str, timeout_s: float = 20) -> str:
        """Call adb; return all that it says."""
        done = subprocess.run(
            [self.program, "-P", str(self.port), *words],
            env=self.environment,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=timeout_s,
            check=False,
        )
        return (done.stdout + done.stderr).decode(errors="replace")

    def processes(self) -> list[int]:
        """Return the ids of the adb servers on its port, however started."""
        found = []
        for entry in Path("/proc").iterdir():
            if entry.name.isdigit():
                with contextlib.suppress(OSError):  # it ended just now
                    words = (entry / "cmdline").read_bytes().split(b"\0")
                    if b"server" in words and any(
                        word.endswith(str(self.port).encode()) for word in words
                    ):
                        found.append(int(entry.name))
        return found

    @contextmanager
    def attached(self, *devices: Adbd) -> Iterator[None]:
        """Attach devices while they are needed."""
        for device in devices:
            self.connect(device)
        try:
            yield
        finally:
            for device in devices:
                self.adb("disconnect", device.serial)

    def connect(self, device: Adbd) -> None:
        """Attach a device and wait until the server calls it one."""
        self.adb("connect", device.serial)
        self.until(device.serial, "device" if device.authorised else "unauthorized")

    def until(self, serial: str, state: str | None, within_s: float = 30) -> None:
        """Wait until a device is in a state; ``None``: until it is not listed."""
        deadline_s = time.monotonic() + within_s
        while (now := self.states().get(serial)) != state:
            assert time.monotonic() < deadline_s, f"{serial} is {now}, not {state}"
            threading.Event().wait(0.05)

    def states(self) -> dict[str, str]:
        """Return the state of each device."""
        rows = [line.split("\t") for line in self.adb("devices").splitlines()]
        return {row[0]: row[1] for row in rows if len(row) == 2}

    def stop(self) -> None:
        """End it, whoever started it."""
        if self.listens():
            self.adb("kill-server")
        if self._process is not None:
            self._process.kill()
            self._process.wait(timeout=10)
            self._process = None


@contextmanager
def adb_server(program: str, home: Path, *, start: bool = True) -> Iterator[AdbServer]:
    """Lend a server; ended afterwards, also if the code under test started it."""
    server = AdbServer(program, home)
    try:
        if start:
            server.start()
        yield server
    finally:
        server.stop()
