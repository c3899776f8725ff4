"""Ports for servers that go and come back at the same one."""

from __future__ import annotations

import secrets
import socket

# Below the ports that Linux gives to clients and to whoever asks for any
# (net.ipv4.ip_local_port_range begins at 32768): nobody takes one meanwhile.
FIRST, LAST = 20_000, 32_000


def free_port() -> int:
    """Return a port of this machine that nobody listens on."""
    for _ in range(100):
        port = FIRST + secrets.randbelow(LAST - FIRST)
        with socket.socket() as plug:
            try:
                plug.bind(("127.0.0.1", port))
            except OSError:
                continue
            return port
    raise AssertionError("a hundred ports in use")
