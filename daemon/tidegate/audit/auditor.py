"""From a cycle log to the audit of one station."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Final

from tidegate.audit.given import last_set
from tidegate.audit.made import made
from tidegate.audit.result import Audit
from tidegate.audit.rows import (
    Extent,
    Seen,
    extent,
    follows_absent,
    head_of,
    refuse_odd,
    rows_of,
)
from tidegate.audit.walk import Walk
from tidegate.cyclelog.boots import place_log
from tidegate.cyclelog.placing import Placing
from tidegate.cyclelog.reader import Reader
from tidegate.errors import LogEmpty

_PROGRESS_ROWS: Final = 4096

Progress = Callable[[float], None]


def placed(log: Path, station: str) -> Placing:
    """Return when the rows of a station happened. Errors: LogError."""
    with Reader(log) as reader:
        refuse_odd(reader)
        return place_log(reader, station)


def stations_of(log: Path) -> tuple[str, ...]:
    """Return the stations of a log, past files included, by name. Errors: LogError."""
    with Reader(log) as reader:
        names = set(reader.stations())
        for path in reader.past:
            with Reader(path) as past:
                names.update(past.stations())
    return tuple(sorted(names))


def audit(
    log: Path,
    station: str,
    *,
    since_ms: int | None = None,
    until_ms: int | None = None,
    placing: Placing | None = None,
    progress: Progress | None = None,
) -> Audit:
    """Return what happened to the battery of a station, and what models make of it.

    The span is that of the station's rows, or what of it lies in from ``since_ms`` up
    to ``until_ms`` (UTC). Rows are read up to the last link that is there at the
    start, whatever a daemon writes meanwhile. ``placing`` is that of the log, if it is
    known already; ``progress`` hears which share of the rows was read. Losses are from
    a new cell, as if the span were the first of its life.
    Errors: LogAbsent; LogUnreadable for a log that is damaged or altered, LogEmpty
    where it has no rows of the station or of the span; LogError.
    """
    with Reader(log) as reader:
        if placing is None:
            refuse_odd(reader)
        head = head_of(reader)
        known = extent(reader, station, up_to=head.row)
        if known is None:
            raise LogEmpty(
                f"the cycle log {log} holds nothing about a station {station!r}",
                remedy="Name a station of that log.",
            )
        placing = placing or place_log(reader, station)
        walk = Walk(
            placing,
            last_set(reader, station, placing, until_ms=until_ms, up_to=head.row),
            known,
            since_ms=since_ms,
            until_ms=until_ms,
        )
        begins_late = follows_absent(reader)
        for count, seen in enumerate(rows_of(reader, station, up_to=head.row)):
            walk.take(*seen)
            if progress is not None and not count % _PROGRESS_ROWS:
                progress(_share(seen, known))
    if progress is not None:
        progress(1.0)
    return made(walk, station, head, begins_late=begins_late)


def _share(seen: Seen, known: Extent) -> float:
    length = max(known.last_id - known.first_id, 1)
    return min(max((seen[0] - known.first_id) / length, 0.0), 1.0)
