"""A broker that does by order what no real one can be made to do.

Each connection is let in, with ``connack`` as the properties of the answer; each
message is acknowledged, but one whose topic is in ``cuts`` ends the connection, with
``farewell`` before that, ``cuts_most`` times in all. ``lingers``: after the farewell it
waits for the other side to end it.
Source: MQTT 5.0 (OASIS), sections 2.1 (fixed header), 3.2 (CONNACK), 3.3 (PUBLISH),
3.4 (PUBACK), 3.14 (DISCONNECT). Nothing of tidegate is used here.
"""

from __future__ import annotations

import contextlib
import socket
import threading
from math import inf
from typing import Self

CONNECT, PUBLISH = 0x10, 0x30
WAIT_S = 20.0


class FakeBroker:
    """``heard`` are the topics of all messages, ``sizes`` the last packet's of each in
    bytes; ``connections`` counts who came.
    """

    def __init__(
        self,
        *,
        connack: bytes = b"",
        cuts: frozenset[str] = frozenset(),
        cuts_most: float = inf,
        farewell: bytes = b"",
        lingers: bool = False,
    ) -> None:
        self.heard: list[str] = []
        self.sizes: dict[str, int] = {}
        self.connections = 0
        self._connack, self._cuts, self._farewell = connack, cuts, farewell
        self._cuts_left, self._lingers = cuts_most, lingers
        self._taken: list[str] = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._changed = threading.Condition()
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._thread.join(timeout=WAIT_S)

    def hears(self, topic: str, times: int = 1) -> bool:
        """Wait until a message came so often; return whether it did."""
        with self._changed:
            return self._changed.wait_for(
                lambda: self.heard.count(topic) >= times, WAIT_S
            )

    def acknowledges(self, topic: str) -> bool:
        """Wait until a message was acknowledged; return whether it was."""
        with self._changed:
            return self._changed.wait_for(lambda: topic in self._taken, WAIT_S)

    def _serve(self) -> None:
        while True:
            try:
                plug, _ = self._listener.accept()
            except OSError:
                return
            self.connections += 1
            with plug, contextlib.suppress(OSError, EOFError):
                self._attend(plug)

    def _attend(self, plug: socket.socket) -> None:
        while True:
            kind, body, packet_size = _packet(plug)
            if kind & 0xF0 == CONNECT:
                head = bytes([0x20, 3 + len(self._connack), 0, 0, len(self._connack)])
                plug.sendall(head + self._connack)
            elif kind & 0xF0 == PUBLISH:
                size = int.from_bytes(body[:2], "big")
                topic = body[2 : 2 + size].decode()
                with self._changed:
                    self.heard.append(topic)
                    self.sizes[topic] = packet_size
                    self._changed.notify_all()
                if topic in self._cuts and self._cuts_left > 0:
                    self._cuts_left -= 1
                    plug.sendall(self._farewell)
                    while self._lingers and plug.recv(4_096):
                        pass
                    return
                plug.sendall(b"\x40\x02" + body[2 + size : 4 + size])
                with self._changed:
                    self._taken.append(topic)
                    self._changed.notify_all()


def _packet(plug: socket.socket) -> tuple[int, bytes, int]:
    """Return type, what follows the fixed header, and the size of all of it."""
    kind = _read(plug, 1)[0]
    size = shift = 0
    while True:
        byte = _read(plug, 1)[0]
        size |= (byte & 0x7F) << shift
        shift += 7
        if not byte & 0x80:
            return kind, _read(plug, size), 1 + shift // 7 + size


def _read(plug: socket.socket, size: int) -> bytes:
    data = b""
    while len(data) < size:
        more = plug.recv(size - len(data))
        if not more:
            raise EOFError
        data += more
    return data
