"""The metrics as a file, for a collector that reads files such as node-exporter's.

A thread of its own writes it, by rename, so that nobody reads half of it. The control
loop only puts what is to be written into a mailbox with one slot. A disk that hangs
keeps the thread and nothing else; what could not be written is counted.

The file goes when the daemon stops in good order: figures of a daemon that is gone
would be shown as those of now. After a kill it stays, and
``tidegate_last_reading_timestamp_seconds`` in it shows how old it is. It is not
flushed to the disk: after a power cut there is nothing in it worth having.
"""

from __future__ import annotations

import errno
import os
import threading
from contextlib import suppress
from pathlib import Path
from typing import Final

from tidegate import notice
from tidegate.clock import Clock
from tidegate.publish import openmetrics
from tidegate.publish.ended import Ended
from tidegate.publish.figures import View
from tidegate.publish.mailbox import Bell, Mailbox

# Others read it: that is what it is for. Its folder decides who.
MODE: Final = 0o644


class TextFile:
    """Writes what it is given; everything public is for the loop's thread."""

    name = "textfile"

    def __init__(self, path: Path, *, clock: Clock) -> None:
        self._path = path
        # A name that no collector takes for a file of figures.
        self._new = path.with_name(f".{path.name}.new")
        self._slot: Mailbox[tuple[View, ...]] = Mailbox()
        self._bell = Bell()
        self._failed = 0
        self._is_ending = False
        self._quiet = notice.Quiet(clock)
        self._log = notice.logger()
        self._ended = Ended()
        threading.Thread(target=self._run, name="textfile", daemon=True).start()

    @property
    def dropped(self) -> int:
        """How many times the figures that were due did not get into the file."""
        return self._slot.dropped + self._failed

    def put(self, views: tuple[View, ...]) -> None:
        """Have these written as soon as the disk takes them; never waits."""
        self._slot.put(views)
        self._bell.ring()

    async def end(self) -> None:
        """Wait until the thread has taken the file away; whoever waits sets a limit."""
        self._is_ending = True
        self._bell.ring()
        await self._ended.wait()

    # --- in the thread ----------------------------------------------------------------

    def _run(self) -> None:
        while not self._is_ending:
            self._bell.wait()
            views = self._slot.take()
            if views is not None and not self._is_ending:
                self._try_to_write(views)
        self._remove()
        self._ended.tell()

    def _try_to_write(self, views: tuple[View, ...]) -> None:
        try:
            self._write(openmetrics.text(views, openmetrics.CLASSIC))
        except OSError as error:
            self._failed += 1
            self._say(error)
        except Exception as error:  # noqa: BLE001 - a fault of ours in one station's
            # figures: the next ones may do, and a thread that ended would never know.
            self._failed += 1
            if count := self._quiet.count("", "textfile bug"):
                self._log.error(
                    "the file of the metrics: a fault of tidegate; control goes on",
                    error=repr(error),
                    count=count,
                    exc_info=error if count == 1 else None,
                )
        else:
            self._quiet.over("", "textfile")

    def _write(self, text: str) -> None:
        try:
            self._replace(text)
        except OSError:
            # Half of it must not keep a full disk full; nor may what somebody else left
            # under this name be in the way for ever.
            with suppress(OSError):
                self._new.unlink()
            raise

    def _replace(self, text: str) -> None:
        flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW | os.O_CLOEXEC
        with os.fdopen(os.open(self._new, flags, MODE), "w", encoding="utf-8") as new:
            os.fchmod(new.fileno(), MODE)  # whatever the umask of the service is
            new.write(text)
        self._new.replace(self._path)

    def _remove(self) -> None:
        for path in (self._path, self._new):
            try:
                path.unlink(missing_ok=True)
            except OSError as error:
                self._say(error)

    def _say(self, error: OSError) -> None:
        if count := self._quiet.count("", "textfile"):
            self._log.warning(
                "the file of the metrics is not written; control goes on",
                error=f"{self._path}: {error.strerror or error}. {_remedy(error)}",
                count=count,
            )


def _remedy(error: OSError) -> str:
    if error.errno == errno.EROFS:
        return (
            "A systemd unit may write to /var/lib/tidegate and /run/tidegate alone: name "
            "a file there, or allow its folder with ReadWritePaths=-/folder in a drop-in."
        )
    return (
        "Check `textfile` in [metrics]: its folder must be there and be this user's to "
        "write to."
    )
