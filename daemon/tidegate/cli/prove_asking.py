"""The question of a commissioning run, put to the person at the terminal."""

from __future__ import annotations

import asyncio
import os
import sys
import termios
from collections.abc import Callable
from contextlib import suppress

Talk = Callable[..., None]


async def agreed(talk: Talk, question: str) -> bool:
    """Say that the question was answered with yes before."""
    talk(f"{question} Yes (--yes).")
    return True


async def asked(talk: Talk, question: str) -> bool | None:
    """Ask at the terminal; ``None`` where nobody is there.

    The loop goes on meanwhile, so that Ctrl-C works.
    """
    if not sys.stdin.isatty() or not _is_in_front(sys.stdin.fileno()):
        return None
    with suppress(termios.error):
        # What was typed ahead is no answer to a question that nobody had read.
        termios.tcflush(sys.stdin, termios.TCIFLUSH)
    talk(f"{question} [y/N]")
    answer = await _line(sys.stdin.fileno())
    return answer.strip().lower() in ("y", "yes")


def _is_in_front(terminal: int) -> bool:
    """Return whether we may read there; a job in the background would be stopped."""
    try:
        return os.tcgetpgrp(terminal) == os.getpgrp()
    except OSError:
        return True  # not the terminal that controls our jobs


async def _line(descriptor: int) -> str:
    """Return what is typed; nothing at the end of the input."""
    loop = asyncio.get_running_loop()
    ready: asyncio.Future[None] = loop.create_future()

    def wake() -> None:
        if not ready.done():
            ready.set_result(None)

    loop.add_reader(descriptor, wake)
    try:
        await ready
        return os.read(descriptor, 1024).decode(errors="replace")
    except OSError:
        return ""  # the terminal went away: nobody agreed
    finally:
        loop.remove_reader(descriptor)
