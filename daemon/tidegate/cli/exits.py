"""Exit codes after sysexits, and one plain sentence for every error.

Source: sysexits.h of 4.2BSD, as in ``os.EX_*``.
"""

from __future__ import annotations

import os
import sys
import tempfile
import traceback
from enum import IntEnum

from tidegate.errors import (
    BackendError,
    Busy,
    DaemonAbsent,
    KeyRefused,
    LogAbsent,
    LogError,
    LogUnreadable,
    NotPermitted,
    OrderRefused,
    SettingsError,
    SettingsMissing,
    TidegateError,
)
from tidegate.words import visible


class Code(IntEnum):
    """What the exit code of a command means."""

    DONE = 0
    NO = 1
    USAGE = os.EX_USAGE
    DATA = os.EX_DATAERR
    NO_INPUT = os.EX_NOINPUT
    UNAVAILABLE = os.EX_UNAVAILABLE
    BUG = os.EX_SOFTWARE
    IO = os.EX_IOERR
    BUSY = os.EX_TEMPFAIL
    NOT_PERMITTED = os.EX_NOPERM
    SETTINGS = os.EX_CONFIG


# The first that fits decides, so a class stands above those it derives from.
_CODES: tuple[tuple[type[BaseException], Code], ...] = (
    (SettingsMissing, Code.NO_INPUT),
    (SettingsError, Code.SETTINGS),
    (Busy, Code.BUSY),
    (BackendError, Code.UNAVAILABLE),
    (DaemonAbsent, Code.UNAVAILABLE),
    (NotPermitted, Code.NOT_PERMITTED),
    (KeyRefused, Code.NOT_PERMITTED),
    (OrderRefused, Code.NO),
    (LogAbsent, Code.NO_INPUT),
    (LogUnreadable, Code.DATA),
    (LogError, Code.IO),
    (PermissionError, Code.NOT_PERMITTED),
    (OSError, Code.IO),
)


def exit_code(error: BaseException) -> Code:
    """Return the code of an error; what nobody meant to raise is our bug."""
    translated = isinstance(error, TidegateError)
    if translated and isinstance(error.__cause__, PermissionError):
        return Code.NOT_PERMITTED
    for kind, code in _CODES:
        if isinstance(error, kind):
            return code
    return Code.BUG


def fail(error: BaseException) -> Code:
    """Say on stderr what went wrong and what to do, and return the exit code."""
    code = exit_code(error)
    if code is Code.BUG and not isinstance(error, TidegateError):
        _say(_bug(error))
    elif isinstance(error, OSError):
        _say(_system_error(error))
    else:
        _say(str(error))
    if _shows_trace(code):
        traceback.print_exception(error)
    return code


def _say(text: str) -> None:
    for line in text.splitlines():
        print(f"tidegate: {visible(line)}", file=sys.stderr)  # noqa: T201


def _debugging() -> bool:
    return os.environ.get("TIDEGATE_DEBUG", "") not in ("", "0")


def _shows_trace(code: Code) -> bool:
    """Return whether a traceback is wanted: asked for, or a fault of ours in a journal.

    A service may have a temporary folder that nobody sees and that goes with it.
    """
    if code is not Code.BUG or _debugging():
        return _debugging()
    from tidegate.notice.journal import is_ours

    # None where it was closed before we began.
    return sys.stderr is not None and is_ours(sys.stderr)


def _system_error(error: OSError) -> str:
    said = (error.strerror or type(error).__name__).lower()
    return f"{error.filename}: {said}" if error.filename else said


def _bug(error: BaseException) -> str:
    said = " ".join(str(error).split())
    what = f"this is a fault in tidegate ({type(error).__name__}: {said})."
    if _shows_trace(Code.BUG):
        return what
    try:
        with tempfile.NamedTemporaryFile(
            "w", prefix="tidegate-", suffix=".txt", delete=False
        ) as report:
            traceback.print_exception(error, file=report)
    except OSError:
        return f"{what} Set TIDEGATE_DEBUG=1 to see where"
    return (
        f"{what} Please report it with {report.name}, "
        "or set TIDEGATE_DEBUG=1 to see where"
    )
