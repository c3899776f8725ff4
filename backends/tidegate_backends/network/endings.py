"""How a connection ends: what the other side has not taken is dropped, or still sent.

A connection that is just closed lives on in the kernel, which tries for minutes to
deliver the rest. That rest may be an off, and by then an on may have been said. So
ours are made to be reset, also by the end of a process that is killed, until it is
known that nothing waits in them.

Source: socket(7), SO_LINGER; RFC 9293, section 3.10.5 (ABORT).
"""

from __future__ import annotations

import contextlib
import socket
import struct
from typing import Final

# struct linger: whether, and for how many seconds.
_DROPS: Final = struct.pack("ii", 1, 0)
_SENDS: Final = struct.pack("ii", 0, 0)


def drop_the_rest(plug: socket.socket) -> None:
    """Let the end of this connection drop what waits in it."""
    _linger(plug, _DROPS)


def send_the_rest(plug: socket.socket) -> None:
    """Let the end of this connection be in good order."""
    _linger(plug, _SENDS)


def _linger(plug: socket.socket, how: bytes) -> None:
    with contextlib.suppress(OSError):  # closed by now: nothing waits in it
        plug.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, how)
