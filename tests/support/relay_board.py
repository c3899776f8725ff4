"""A four-byte relay board on a pseudo-terminal: the peer of `serial-frame`.

Written from the published frames, not from our encoder, and shares no code with it.
A board lives in a thread of its own, or in a process of its own:

    python -m support.relay_board --link PATH [--channels 2] [--firmware write-only]

which prints one JSON object a line (``ready``, ``frame``, ``contact``, ``unplugged``,
``done``, ``error``) and takes commands, one a line, from its standard input:

    firmware NAME          acknowledging, write-only, echo, text
    spoil KIND [TIMES]     the next answers: bad-checksum, wrong-channel, stale, echo,
                           echo-first, silent, cut, other-state
    fair                   no more spoiled answers
    hold / let-go          keep answers back (frames still act) / send them
    freeze / thaw          keep frames unread / go on
    say HEX                send these bytes unasked
    hand CHANNEL 0|1       somebody moves the contact by hand
    stick CHANNEL / free CHANNEL
    unplug / plug-in       the port goes and comes back under the same path
    quit

What a board is like: 9600 8N1 (a pseudo-terminal takes any), all coils released when
it gets power, a frame with a wrong sum is ignored, FF asks for all channels.
"""

from __future__ import annotations

import argparse
import json
import os
import select
import sys
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Self

FIRMWARES = ("acknowledging", "write-only", "echo", "text")
SPOILS = (
    "bad-checksum",
    "wrong-channel",
    "stale",
    "echo",
    "echo-first",
    "silent",
    "cut",
    "other-state",
)


@dataclass(frozen=True)
class Heard:
    """One frame as it arrived; ``at_s`` is the monotonic clock."""

    at_s: float
    data: bytes


@dataclass
class _Spoil:
    kind: str
    left: int | None  # None is: until told otherwise


@dataclass
class RelayBoard:
    """The board. Everything public may be called from any thread.

    ``on_contact(channel, driven)`` and ``on_frame(data)`` are called in the board's
    thread, the first before the answer is sent.
    """

    link: Path
    channels: int = 1
    firmware: str = "acknowledging"
    on_contact: Callable[[int, bool], None] | None = None
    on_frame: Callable[[bytes], None] | None = None
    frames: list[Heard] = field(default_factory=list)

    def __post_init__(self) -> None:
        assert self.firmware in FIRMWARES, self.firmware
        self._changed = threading.Condition(threading.RLock())
        self._coils = dict.fromkeys(range(1, self.channels + 1), False)
        self._stuck: set[int] = set()
        self._spoil: _Spoil | None = None
        self._held: list[bytes] | None = None
        self._frozen = False
        self._pending = bytearray()
        self._master: int | None = None
        self._slave: int | None = None
        self._watched: int | None = None
        self._thread: threading.Thread | None = None
        self._wake_read, self._wake_write = os.pipe()
        self._ending = False
        self.failed: BaseException | None = None

    # ---- life

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()
        if self.failed is not None and error is None:
            raise self.failed

    def start(self) -> None:
        self.plug_in()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def stop(self) -> None:
        with self._changed:
            self._ending = True
            self._wake()
        if self._thread is not None:
            self._thread.join(timeout=5)
            assert not self._thread.is_alive(), "the board's thread hangs"
            self._thread = None
        self.unplug()
        for end in (self._wake_read, self._wake_write):
            os.close(end)

    def plug_in(self) -> None:
        """Make the port appear at ``link``; coils are released."""
        with self._changed:
            assert self._master is None, "already plugged in"
            master, slave = os.openpty()
            tty.setraw(slave)
            os.set_blocking(master, False)
            # Our own hold on the other end: a host that closes its port must not
            # look like an error to the board.
            self._master, self._slave = master, slave
            self._pending.clear()
            self.link.unlink(missing_ok=True)
            self.link.symlink_to(os.ttyname(slave))
            self._wake()

    def unplug(self) -> None:
        """Pull the plug: the port is gone and the coils drop out."""
        with self._changed:
            if self._master is None:
                return
            assert self._slave is not None
            self.link.unlink(missing_ok=True)
            master, slave = self._master, self._slave
            self._master = self._slave = None
            # While the board's thread waits on it, closing it would hang nobody up.
            self._wake()
            assert self._changed.wait_for(lambda: self._watched != master, 5.0)
            os.close(slave)
            os.close(master)
            if self._held is not None:
                self._held = []
            for channel in self._coils:
                self._move(channel, driven=False)

    # ---- behaviour

    def load(self, firmware: str) -> None:
        assert firmware in FIRMWARES, firmware
        with self._changed:
            self.firmware = firmware

    def spoil(self, kind: str, times: int | None = None) -> None:
        """Spoil the next answers, ``times`` of them or all until ``fair``."""
        assert kind in SPOILS, kind
        with self._changed:
            self._spoil = _Spoil(kind, times)

    def fair(self) -> None:
        with self._changed:
            self._spoil = None

    def hold(self) -> None:
        """Keep answers back; frames still act."""
        with self._changed:
            self._held = []

    def let_go(self) -> None:
        with self._changed:
            held, self._held = self._held or [], None
            for answer in held:
                self._send(answer)

    def freeze(self) -> None:
        """Do not even read frames."""
        with self._changed:
            self._frozen = True
            self._wake()

    def thaw(self) -> None:
        with self._changed:
            self._frozen = False
            self._wake()

    @contextmanager
    def holding(self) -> Iterator[None]:
        self.hold()
        try:
            yield
        finally:
            self.let_go()

    def say(self, data: bytes) -> None:
        """Send bytes that nobody asked for."""
        with self._changed:
            self._send(data)

    def hand(self, channel: int, *, driven: bool) -> None:
        """Move the contact by hand."""
        with self._changed:
            self._move(channel, driven=driven)

    def stick(self, channel: int) -> None:
        """The contact no longer moves, whatever the coil is told."""
        with self._changed:
            self._stuck.add(channel)

    def free(self, channel: int) -> None:
        with self._changed:
            self._stuck.discard(channel)

    # ---- what was seen

    def driven(self, channel: int = 1) -> bool:
        """Whether the contact of this channel is in its driven position."""
        with self._changed:
            return self._coils[channel]

    def heard(self) -> list[bytes]:
        """The frames so far, in order."""
        with self._changed:
            return [frame.data for frame in self.frames]

    def forget(self) -> None:
        with self._changed:
            self.frames.clear()

    def wait_until(
        self, holds: Callable[[RelayBoard], bool], timeout_s: float = 5.0
    ) -> None:
        """Wait until something is true of the board; fails when it stays false."""
        with self._changed:
            held = self._changed.wait_for(lambda: holds(self), timeout_s)
        assert held, f"not within {timeout_s} s; heard {self.heard()}"

    # ---- the board's own thread

    def _run(self) -> None:
        try:
            while not self._ending:
                self._turn()
        except Exception as error:  # noqa: BLE001 - told to whoever stops the board
            self.failed = error

    def _turn(self) -> None:
        with self._changed:
            master = self._watched = None if self._frozen else self._master
        waiting = [self._wake_read] + ([] if master is None else [master])
        ready, _, _ = select.select(waiting, [], [], 1.0)
        with self._changed:
            self._watched = None
            self._changed.notify_all()
        if self._wake_read in ready:
            os.read(self._wake_read, 4096)
            return
        if not ready:
            return
        with self._changed:
            # The plug may have been pulled, or the reading stopped, meanwhile.
            if master is None or self._master != master or self._frozen:
                return
            try:
                self._pending += os.read(master, 4096)
            except BlockingIOError:
                return  # pulled and back meanwhile, and nothing came yet
            self._parse()
            self._changed.notify_all()

    def _parse(self) -> None:
        while self._pending:
            if self._pending[0] == 0xFF:
                del self._pending[0]
                self._note(b"\xff")
                self._tell_all()
            elif self._pending[0] != 0xA0:
                del self._pending[0]
            elif len(self._pending) < 4:
                return
            else:
                data = bytes(self._pending[:4])
                del self._pending[:4]
                self._note(data)
                self._obey(data)

    def _note(self, data: bytes) -> None:
        self.frames.append(Heard(time.monotonic(), data))
        if self.on_frame is not None:
            self.on_frame(data)

    def _obey(self, data: bytes) -> None:
        _, channel, op, check = data
        if self.firmware == "echo":
            self._answer(data, request=data)
        if (0xA0 + channel + op) % 256 != check or channel not in self._coils:
            return
        if op in (0, 1):
            self._move(channel, driven=op == 1)
        if op in (0, 1) or self.firmware in ("write-only", "echo") or op > 5:
            return
        if op in (2, 3):
            self._move(channel, driven=op == 3)
        elif op == 4:
            self._move(channel, driven=not self._coils[channel])
        self._answer(self._state(channel, self._coils[channel]), request=data)

    @staticmethod
    def _state(channel: int, driven: bool) -> bytes:
        return bytes((0xA0, channel, driven, (0xA0 + channel + driven) % 256))

    def _tell_all(self) -> None:
        if self.firmware == "text":
            lines = (f"CH{n}: {'ON' if on else 'OFF'}" for n, on in self._coils.items())
            self._send("\r\n".join(lines).encode() + b"\r\n")
        elif self.firmware == "acknowledging":
            self._send(bytes(self._coils.values()))

    def _answer(self, answer: bytes, *, request: bytes) -> None:
        for part in self._spoiled(answer, request=request):
            if self._held is not None:
                self._held.append(part)
            else:
                self._send(part)

    def _spoiled(self, answer: bytes, *, request: bytes) -> list[bytes]:
        spoil = self._spoil
        if spoil is None:
            return [answer]
        if spoil.left is not None:
            spoil.left -= 1
            if spoil.left <= 0:
                self._spoil = None
        channel, driven = answer[1], bool(answer[2])
        return {
            "bad-checksum": [answer[:3] + bytes((answer[3] ^ 0x01,))],
            "wrong-channel": [self._state(channel + 1, driven)],
            "stale": [self._state(channel, not driven) + answer],
            "echo": [request],
            "echo-first": [request + answer],
            "silent": [],
            "cut": [answer[:2]],
            "other-state": [self._state(channel, not driven)],
        }[spoil.kind]

    def _send(self, data: bytes) -> None:
        if self._master is not None and data:
            os.write(self._master, data)

    def _move(self, channel: int, *, driven: bool) -> None:
        if self._coils[channel] == driven or channel in self._stuck:
            return
        self._coils[channel] = driven
        if self.on_contact is not None:
            self.on_contact(channel, driven)
        self._changed.notify_all()

    def _wake(self) -> None:
        os.write(self._wake_write, b".")


# ---- as a process of its own


_printing = threading.Lock()


def _print(event: str, **more: Any) -> None:
    line = json.dumps({"event": event, "at_s": time.monotonic(), **more})
    with _printing:
        sys.stdout.write(line + "\n")
        sys.stdout.flush()


def _do(board: RelayBoard, word: str, rest: list[str]) -> None:
    plain = {
        "fair": board.fair,
        "hold": board.hold,
        "let-go": board.let_go,
        "freeze": board.freeze,
        "thaw": board.thaw,
        "plug-in": board.plug_in,
    }
    if word in plain:
        plain[word]()
    elif word == "firmware":
        board.load(rest[0])
    elif word == "spoil":
        board.spoil(rest[0], int(rest[1]) if len(rest) > 1 else None)
    elif word == "say":
        board.say(bytes.fromhex("".join(rest)))
    elif word == "hand":
        board.hand(int(rest[0]), driven=rest[1] == "1")
    elif word == "stick":
        board.stick(int(rest[0]))
    elif word == "free":
        board.free(int(rest[0]))
    elif word == "unplug":
        board.unplug()
        _print("unplugged")
    else:
        raise ValueError(f"unknown command {word!r}")


def main() -> int:
    parser = argparse.ArgumentParser(description="a four-byte relay board on a pty")
    parser.add_argument("--link", type=Path, required=True)
    parser.add_argument("--channels", type=int, default=1)
    parser.add_argument("--firmware", choices=FIRMWARES, default="acknowledging")
    given = parser.parse_args()
    board = RelayBoard(
        given.link,
        channels=given.channels,
        firmware=given.firmware,
        on_contact=lambda channel, driven: _print(
            "contact", channel=channel, driven=driven
        ),
        on_frame=lambda data: _print("frame", bytes=data.hex(" ").upper()),
    )
    with board:
        _print("ready", link=str(given.link), channels=given.channels)
        for line in sys.stdin:
            word, *rest = line.split() or [""]
            if word == "quit":
                break
            try:
                _do(board, word, rest)
            except (ValueError, IndexError, AssertionError, KeyError) as error:
                _print("error", command=line.strip(), what=str(error))
            else:
                _print("done", command=line.strip())
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
