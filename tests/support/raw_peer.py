"""A server that says what it was told to, whatever it hears; and a wire in between.

For peers that no real server can be made to be.
"""

from __future__ import annotations

import contextlib
import socket
import threading
from typing import Self

WAIT_S = 20.0


class RawPeer:
    """Answers every connection with ``answer`` once it hears something.

    ``closes``: then closes; else it stays and says no more. ``accepts=False``: the
    system takes connections for it, ``backlog`` and one at most, and nobody reads
    them. ``window``: how many bytes the system takes of each, as little as it can.
    """

    def __init__(
        self,
        answer: bytes = b"",
        *,
        closes: bool = False,
        accepts: bool = True,
        backlog: int = 8,
        window: int | None = None,
    ) -> None:
        self.heard = bytearray()
        self._has_heard = threading.Event()
        self._answer = answer
        self._closes = closes
        self._listener = socket.socket()
        if window is not None:
            self._listener.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, window)
        self._listener.bind(("127.0.0.1", 0))
        self._listener.listen(backlog)
        self.port: int = self._listener.getsockname()[1]
        self._open: list[socket.socket] = []
        self._thread = threading.Thread(target=self._serve, daemon=True)
        if accepts:
            self._thread.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        if self._thread.is_alive():
            self._thread.join(timeout=WAIT_S)
        for each in self._open:
            each.close()

    def hears(self) -> bool:
        """Wait until it heard something; return whether it did."""
        return self._has_heard.wait(WAIT_S)

    def is_reset(self) -> bool:
        """Wait for the end of the oldest connection; return whether it was a reset."""
        try:
            while self._open[0].recv(4_096):
                pass
        except ConnectionResetError:
            return True
        return False

    def accept_late(self) -> bytes:
        """Take the oldest connection that waits, and return what can be read of it."""
        connection, _ = self._listener.accept()
        connection.settimeout(WAIT_S)
        got = b""
        with connection, contextlib.suppress(ConnectionResetError):
            while part := connection.recv(4_096):
                got += part
        return got

    def _serve(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            self._open.append(connection)
            connection.settimeout(WAIT_S)
            with contextlib.suppress(OSError):
                self.heard += connection.recv(4_096)
                self._has_heard.set()
                connection.sendall(self._answer)
                if self._closes:
                    connection.close()


class HeldWire:
    """A wire to a server that can keep what one connection sent, and send it later.

    The connection whose bytes contain ``catch`` is held from those bytes on, also
    when who sent them has gone. ``caught`` says that it happened, ``cut`` that the
    server closed that connection.
    """

    def __init__(self, port: int, *, catch: bytes) -> None:
        self.caught = threading.Event()
        self.cut = threading.Event()
        self._let_go = threading.Event()
        self._to = port
        self._catch = catch
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._threads: list[threading.Thread] = []
        self._ends: list[socket.socket] = []
        self._start(self._serve)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._let_go.set()
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        for end in self._ends:
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
        for each in self._threads:
            each.join(timeout=WAIT_S)

    def let_go(self) -> None:
        """Send what was kept."""
        self._let_go.set()

    def _start(self, does: object, *args: object) -> None:
        assert callable(does)
        thread = threading.Thread(target=does, args=args, daemon=True)
        self._threads.append(thread)
        thread.start()

    def _serve(self) -> None:
        while True:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            far = socket.create_connection(("127.0.0.1", self._to), timeout=WAIT_S)
            far.settimeout(None)
            self._ends += [near, far]
            self._start(self._up, near, far)
            self._start(self._down, near, far)

    def _up(self, near: socket.socket, far: socket.socket) -> None:
        is_held = False
        with contextlib.suppress(OSError):
            while part := near.recv(4_096):
                if self._catch in part:
                    is_held = True
                    self.caught.set()
                    self._let_go.wait(WAIT_S)
                far.sendall(part)
        if not is_held:
            with contextlib.suppress(OSError):
                far.shutdown(socket.SHUT_WR)

    def _down(self, near: socket.socket, far: socket.socket) -> None:
        with far, near:
            with contextlib.suppress(OSError):
                while part := far.recv(4_096):
                    with contextlib.suppress(OSError):
                        near.sendall(part)
            if self.caught.is_set():
                self.cut.set()
            with contextlib.suppress(OSError):
                near.shutdown(socket.SHUT_RDWR)
