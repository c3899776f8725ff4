"""``tidegate taper --record`` as a process of its own, in virtual time.

``python -m support.taper_process [--stand-at HOURS] taper ...``: the clock, the loop
and the workers of a recording are virtual and the disk is not waited for, all else is the program
as it is. At HOURS
of virtual time the process stands still until somebody presses Ctrl-C: signal(7).
"""

from __future__ import annotations

import signal
import sys
from collections.abc import Coroutine
from typing import Any

from tidegate.cli import taper_record
from tidegate.cli.main import run as run_command
from tidegate.host import Machine, Workers
from tidegate.host.workers import InlineWorker
from tidegate.taper import book
from tidegate.virtual import VirtualClock, run

STANDS = "(stands still)"


class StandingClock(VirtualClock):
    """Stands still once it is so late, until a signal comes."""

    def __init__(self, stand_at_ms: int | None, *, begin_ms: int) -> None:
        super().__init__(boot_ms=600_000)
        super().advance(begin_ms)
        self._stand_at_ms = stand_at_ms

    def advance(self, by_ms: int) -> None:
        super().advance(by_ms)
        at_ms = self._stand_at_ms
        if at_ms is not None and self.running_ms() >= at_ms:
            self._stand_at_ms = None
            _stand()


def _stand() -> None:
    """Wait for a Ctrl-C; one that comes before the wait began is not lost: sigwait(3)."""
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    sys.stderr.write(f"\r\n{STANDS}\r\n")
    sys.stderr.flush()
    signal.sigwait({signal.SIGINT})
    signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
    signal.raise_signal(signal.SIGINT)


def main(arguments: list[str]) -> int:
    options = {"--stand-at": None, "--begin-at": None}
    while arguments[0] in options:
        options[arguments[0]] = round(3_600_000 * float(arguments[1]))
        arguments = arguments[2:]
    clock = StandingClock(options["--stand-at"], begin_ms=options["--begin-at"] or 0)

    def machine(of: VirtualClock) -> Machine:
        return Machine(of, workers=Workers(InlineWorker))

    def living(life: Coroutine[Any, Any, None]) -> None:
        run(life, clock=clock)

    taper_record.clock = lambda: clock
    taper_record.machine = machine
    taper_record.living = living
    # Hundreds of virtual minutes a second: the disk is not waited for each time.
    book.sync = lambda descriptor: None
    return run_command(arguments)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
