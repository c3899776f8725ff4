"""Which kind of file it is that holds the readings."""

from __future__ import annotations

from pathlib import Path

from tidegate.audit.auditor import stations_of
from tidegate.cyclelog.recording import is_log
from tidegate.history.from_csv import from_csv, stations_of_csv
from tidegate.history.from_log import from_log
from tidegate.history.series import Series


def stations_in(path: Path) -> tuple[str, ...]:
    """Return the stations of a cycle log or a CSV, by name; a CSV may name none.

    Errors: LogAbsent, LogUnreadable, LogError.
    """
    return stations_of_csv(path) if is_csv(path) else stations_of(path)


def opened(path: Path, station: str | None) -> Series:
    """Return the readings of a station. Only a CSV may do without a name.

    Errors: LogAbsent, LogUnreadable, LogEmpty without any trusted reading, LogError.
    """
    if is_csv(path):
        return from_csv(path, station)
    assert station is not None
    return from_log(path, station)


def is_csv(path: Path) -> bool:
    """Return whether it is to be read as a CSV: any file that is not SQLite's.

    An empty file, or one that cannot be opened, is left to the reader of logs, which
    says what is wrong with it.
    """
    try:
        return path.stat().st_size > 0 and not is_log(path)
    except OSError:
        return False
