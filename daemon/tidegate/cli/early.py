"""Signals that come before the daemon can take them: noted, and raised again then.

A daemon takes a third of a second to be imported. Until its own handlers stand SIGHUP
would end it, though it is told to read its settings, and so would SIGTERM, without the
supply on; SIGINT would leave a traceback. Source: signal(7).
"""

from __future__ import annotations

import os
import signal
import sys
from types import FrameType

# Without Final: to import typing takes longer than all of this.
NUMBERS = (signal.SIGHUP, signal.SIGINT, signal.SIGTERM)
# What `tidegate run` is called by: the command, or the package as ``python -m`` has it.
_COMMANDS = ("/tidegate", "/tidegate/__main__.py")
_MODULE = "tidegate.cli.daemon"

_came: list[int] = []
_terminals: list[bool] = []


def hold_for_daemon() -> None:
    """Note signals from now on, where this process is to become the daemon."""
    name, *words = sys.argv or [""]
    is_run = f"/{name}".endswith(_COMMANDS) and words[:1] == ["run"]
    # So it is as long as the module is being looked for: Python's "Command line and
    # environment", -m.
    is_unit = name == "-m" and any(each.endswith(_MODULE) for each in sys.orig_argv)
    if is_run or is_unit:
        hold()


def hold() -> None:
    """Note signals from now on, and whether a terminal's end is to end us.

    One that shall end us does so at once when it comes again: settings may lie on a
    disk that hangs, and nothing was switched yet. Only in the main thread.
    """
    _terminals.append(_is_bound())
    for number in NUMBERS:
        signal.signal(number, _note)


def _note(number: int, _: FrameType | None) -> None:
    if number not in _came:
        _came.append(number)
    if number != signal.SIGHUP:
        signal.signal(number, signal.SIG_DFL)


def give() -> None:
    """Raise again, in their order, those that came; now somebody takes them."""
    while _came:
        signal.raise_signal(_came.pop(0))


def ignore() -> None:
    """Let none of them spoil an end that is as good as reached, and its exit code.

    Only where they were held before.
    """
    for number in NUMBERS if _terminals else ():
        signal.signal(number, signal.SIG_IGN)


def was_bound() -> bool:
    """Whether this was to end with its terminal, when ``hold`` was called or now."""
    return _terminals[0] if _terminals else _is_bound()


def _is_bound() -> bool:
    """Whether there is a terminal, and nobody had SIGHUP ignored, as nohup(1) does."""
    return signal.getsignal(signal.SIGHUP) is not signal.SIG_IGN and has_terminal()


def has_terminal() -> bool:
    """Whether there is a controlling terminal. Source: tty(4), ``/dev/tty``."""
    try:
        descriptor = os.open("/dev/tty", os.O_RDONLY | os.O_NOCTTY)
    except OSError:
        return False
    os.close(descriptor)
    return True
