"""A TCP connection to Modbus units: a device that speaks it, or a gateway to a bus.

Blocking, in a thread of its own: looking up a name cannot be done otherwise without
the loop's own pool of threads. A connection on which anything went wrong is dropped,
and the next request makes another, so that no late reply is ever taken for a reply.
It is dropped with what was not delivered yet: the system would go on sending that for
minutes, and an "off" could arrive after the "on" that followed on another connection.

One that the device closed meanwhile is noticed before a request is sent on it. One
that the device lost without a word is noticed by a request only, so after a rest a
request that finds no answer goes once more, on a new connection.

Source: Modbus Messaging on TCP/IP Implementation Guide V1.0b, section 3.1 (number from
memory).
"""

from __future__ import annotations

import errno
import socket
import struct
import time
from collections.abc import Callable
from typing import Final

from tidegate.errors import Unavailable
from tidegate_backends.modbus.link import Link, Silent, Spoiled, no, silent, spoiled
from tidegate_backends.wire import modbus as wire
from tidegate_backends.wire.modbus import Request

_TRANSACTIONS: Final = 0x10000
_LEAST_S: Final = 0.001
# A connection that was good so short a time ago is not dead but its unit: an
# engineering choice, no source.
_RESTED_S: Final = 1.0
# On, with no time: closing drops what was not delivered (man 7 socket, SO_LINGER).
_AT_ONCE: Final = struct.pack("ii", 1, 0)
_SPOILED_REMEDY: Final = "Check that the port is one for Modbus over TCP, and `unit`."


class TcpLink(Link):
    """A connection, made by the call that needs it."""

    def __init__(
        self, host: str, port: int, *, clock: Callable[[], float] = time.monotonic
    ) -> None:
        super().__init__()
        self._address = (host, port)
        self._clock = clock
        self._socket: socket.socket | None = None
        self._retired = False
        self._transaction = 0
        self._used_at_s = 0.0

    def open(self, limit_s: float) -> None:
        """Connect, unless connected. Errors: Unavailable."""
        self._connected(limit_s)

    def retire(self) -> None:
        self._retired = True
        self._drop()

    def ask(self, unit: int, request: Request, *, limit_s: float, target: str) -> int:
        try:
            return self._answer(unit, request, limit_s)
        except wire.ExceptionReply as reply:
            raise no(reply, target=target) from reply
        except Silent as nothing:
            self._drop()
            raise silent(unit, limit_s, target=target) from nothing
        except Spoiled as error:
            self._drop()
            raise spoiled(error, target=target, remedy=_SPOILED_REMEDY) from error
        except OSError as error:
            self._drop()
            raise Unavailable(
                f"the connection broke ({error})",
                target=target,
                remedy="Check the device and the network between.",
            ) from error

    def _answer(self, unit: int, request: Request, limit_s: float) -> int:
        """Return what is replied, on a new connection if a rested one was dead."""
        connection = self._connected(limit_s)
        is_rested = self._clock() - self._used_at_s > _RESTED_S
        try:
            return self._exchange(connection, unit, request, self._clock() + limit_s)
        except (Silent, OSError):
            self._drop()
            if not is_rested:
                raise
        connection = self._connected(limit_s)
        return self._exchange(connection, unit, request, self._clock() + limit_s)

    def _exchange(
        self, connection: socket.socket, unit: int, request: Request, end_s: float
    ) -> int:
        """Return what is replied. Errors: ExceptionReply, Silent, Spoiled, OSError."""
        self._transaction = (self._transaction + 1) % _TRANSACTIONS
        try:
            connection.settimeout(max(end_s - self._clock(), _LEAST_S))
            connection.sendall(wire.tcp_frame(self._transaction, unit, request))
            head = wire.header(self._received(connection, wire.HEADER, end_s))
            pdu = self._received(connection, head.length, end_s)
            self._used_at_s = self._clock()
            wire.check_header(head, transaction=self._transaction, unit=unit)
            return wire.value(pdu, request)
        except TimeoutError as error:
            raise Silent from error
        except wire.FrameError as error:
            raise Spoiled(str(error)) from error

    def _received(self, connection: socket.socket, length: int, end_s: float) -> bytes:
        data = b""
        while len(data) < length:
            left_s = end_s - self._clock()
            if left_s <= 0:
                raise TimeoutError("the time is over")
            connection.settimeout(left_s)
            part = connection.recv(length - len(data))
            if not part:
                raise ConnectionResetError("the device closed it")
            data += part
        return data

    def _connected(self, limit_s: float) -> socket.socket:
        if self._socket is not None and not _is_quiet(self._socket):
            self._drop()
        if self._socket is None:
            if not self._retired:
                self._socket = self._dialled(limit_s)
            if self._retired or self._socket is None:
                # A call that comes back late must not keep a connection from others.
                self._drop()
                raise Unavailable(
                    "the connection was given up",
                    target=self._name,
                    remedy="Open it anew.",
                )
        return self._socket

    def _dialled(self, limit_s: float) -> socket.socket:
        try:
            connection = socket.create_connection(self._address, limit_s)
        except OSError as error:
            raise Unavailable(
                f"no connection ({error})", target=self._name, remedy=_advice(error)
            ) from error
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _AT_ONCE)
        self._used_at_s = self._clock()
        return connection

    @property
    def _name(self) -> str:
        return f"{self._address[0]}:{self._address[1]}"

    def _drop(self) -> None:
        connection, self._socket = self._socket, None
        if connection is not None:
            connection.close()


def _is_quiet(connection: socket.socket) -> bool:
    """Return whether it is open and nothing waits on it that nobody asked for."""
    connection.settimeout(0)
    try:
        connection.recv(1, socket.MSG_PEEK)
    except BlockingIOError:
        return True
    except OSError:
        return False
    return False


def _advice(error: OSError) -> str:
    if isinstance(error, ConnectionRefusedError):
        return (
            "Check `tcp_port`, and that the device lets in one more client: many take "
            "only a few."
        )
    if isinstance(error, socket.gaierror):
        return "Check the name, or write the address in its place."
    if error.errno == errno.EAFNOSUPPORT:
        return "A service needs the drop-in network.conf."
    return "Check the address, the device's power and the network between."
