"""Peers of a control socket that send nonsense: ``control_flood.py PATH SECONDS``.

What they send comes from one seed. Some hang up at once, some never do, none reads.
"""

from __future__ import annotations

import json
import random
import socket
import sys
import time
from pathlib import Path

HELD_MOST = 40


class Flood:
    """Peers that send whatever a grammar of nonsense gives them, from one seed."""

    def __init__(self, path: Path, seed: int) -> None:
        self.path, self.random = path, random.Random(seed)
        self.sent = 0
        self.held: list[socket.socket] = []

    def nonsense(self) -> bytes:
        pick = self.random
        order = {"tidegate": 1, "ask": "override", "station": "hall", "supply": "off"}
        return pick.choice(
            [
                pick.randbytes(pick.randrange(1, 4_000)),
                pick.randbytes(100) + b"\n",
                b"x" * 200_000,
                json.dumps(order).encode()[: pick.randrange(1, 60)],
                json.dumps(order | {"for_ms": -1}).encode() + b"\n",
                json.dumps(order | {"for_ms": 10**30}).encode() + b"\n",
                json.dumps(order | {"for_ms": 60_000, "by": "root"}).encode() + b"\n",
                json.dumps(order | {"for_ms": 60_000, "station": "x"}).encode() + b"\n",
                b'{"tidegate": 1, "ask": "read", "station": ["hall"]}\n',
                b"{" * 60_000 + b"\n",
                b"",
            ]
        )

    def wave(self, count: int) -> None:
        for _ in range(count):
            peer = socket.socket(socket.AF_UNIX)
            peer.setblocking(False)  # noqa: FBT003
            try:
                peer.connect(str(self.path))
                self.sent += peer.send(self.nonsense() or b"\n")
            except OSError:
                peer.close()
                continue
            if self.random.random() < 0.3 and len(self.held) < HELD_MOST:
                self.held.append(peer)  # never read, never closed
            else:
                peer.close()

    def end(self) -> None:
        for peer in self.held:
            peer.close()


def main() -> None:
    flood, end_s = (
        Flood(Path(sys.argv[1]), seed=1),
        time.monotonic() + float(sys.argv[2]),
    )
    while time.monotonic() < end_s:
        flood.wave(20)
    flood.end()


if __name__ == "__main__":
    main()
