"""Two serial ports and the wire between them, for a peer that opens its own port."""

from __future__ import annotations

import os
import select
import threading
import tty
from pathlib import Path
from typing import Self


class WirePair:
    """Two pseudo-terminals, joined byte by byte; ``unplug`` takes ours away."""

    def __init__(self, ours: Path, theirs: Path) -> None:
        self.ours = ours
        self.theirs = theirs
        self._ends: dict[Path, tuple[int, int]] = {}
        self._lock = threading.Lock()
        self._wake_read, self._wake_write = os.pipe()
        self._ending = False
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> Self:
        self._open(self.ours)
        self._open(self.theirs)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ending = True
        os.write(self._wake_write, b".")
        self._thread.join(timeout=20)
        assert not self._thread.is_alive(), "the wire hangs"
        for path in list(self._ends):
            self._close(path)
        os.close(self._wake_read)
        os.close(self._wake_write)

    def unplug(self) -> None:
        """Our port is gone."""
        with self._lock:
            os.write(self._wake_write, b".")
            self._close(self.ours)

    def plug_in(self) -> None:
        with self._lock:
            self._open(self.ours)
            os.write(self._wake_write, b".")

    def _open(self, path: Path) -> None:
        master, slave = os.openpty()
        tty.setraw(slave)
        os.set_blocking(master, False)
        path.unlink(missing_ok=True)
        path.symlink_to(os.ttyname(slave))
        self._ends[path] = master, slave

    def _close(self, path: Path) -> None:
        path.unlink(missing_ok=True)
        for end in reversed(self._ends.pop(path, ())):
            os.close(end)

    def _run(self) -> None:
        while not self._ending:
            # Held over the wait too, so that nobody closes what is waited on; short,
            # so that who wants to pull the plug is not kept.
            with self._lock:
                masters = {ends[0]: path for path, ends in self._ends.items()}
                ready, _, _ = select.select([self._wake_read, *masters], [], [], 0.02)
                if self._wake_read in ready:
                    os.read(self._wake_read, 4096)
                for master in ready:
                    if master in masters:
                        self._carry(masters[master], master)

    def _carry(self, path: Path, master: int) -> None:
        other = self.theirs if path == self.ours else self.ours
        try:
            data = os.read(master, 4096)
            if other in self._ends:
                os.write(self._ends[other][0], data)
        except OSError:
            return  # unplugged, or nothing there after all: as on a real wire
