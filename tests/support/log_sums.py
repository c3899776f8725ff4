"""Sums over a cycle log, taken from its tables by SQL alone.

Shares nothing with the code under test: only the tables, as DEVELOPERS describes them,
and the definitions of the metrics. Up to a moment, because a daemon goes on reading.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

GAP_MS = 4_000  # four polls of a second
MARGIN_PERCENT = 1.0


@dataclass(frozen=True)
class Sums:
    """What the rows of one station come to."""

    cycles: float
    rise_percent: float
    fall_percent: float
    below_s: float
    above_s: float
    switchings: dict[tuple[str, str], int]
    took_s: list[float]


def sums(
    log: Path,
    station: str,
    *,
    until_ms: int,
    low: float = 55,
    high: float = 65,
    most_ms: int = GAP_MS,
) -> Sums:
    """Return the sums over all rows up to a moment, UTC ms; ``most_ms`` is no gap yet."""
    with closing(sqlite3.connect(f"file:{log}?mode=ro", uri=True)) as database:
        points = _points(database, station, until_ms, most_ms)
        switchings, took_s = _switchings(database, station, until_ms)
    rise = fall = below_ms = above_ms = 0.0
    for (at_ms, level), (then_ms, new) in pairwise(points):
        rise += max(0.0, new - level)
        fall += max(0.0, level - new)
        if then_ms - at_ms <= most_ms:
            for end in (level, new):
                below_ms += (end < low - MARGIN_PERCENT) * (then_ms - at_ms) / 2
                above_ms += (end > high + MARGIN_PERCENT) * (then_ms - at_ms) / 2
    return Sums(
        cycles=(rise + fall) / 200,
        rise_percent=rise,
        fall_percent=fall,
        below_s=below_ms / 1_000,
        above_s=above_ms / 1_000,
        switchings=switchings,
        took_s=took_s,
    )


def _points(
    database: sqlite3.Connection, station: str, until_ms: int, most_ms: int
) -> list[tuple[int, float]]:
    """Return first and last of each run of equal readings: boot-clock ms and percent."""
    points = []
    for boot_ms, wall_ms, span_ms, gap_ms, level in database.execute(
        "SELECT boot_ms, wall_ms, span_ms, longest_gap_ms, soc_hundredths_percent "
        "FROM reading WHERE station = ? AND why_not IS NULL ORDER BY boot_ms",
        (station,),
    ):
        assert gap_ms <= most_ms, "a run with a gap in it: its time is not known"
        span_ms = min(span_ms, until_ms - wall_ms)
        if span_ms >= 0:
            points += [(boot_ms, level / 100)]
            points += [(boot_ms + span_ms, level / 100)] if span_ms else []
    return points


def _switchings(
    database: sqlite3.Connection, station: str, until_ms: int
) -> tuple[dict[tuple[str, str], int], list[float]]:
    """Return carried-out changes by supply and reason, and how long orders took."""
    supply, counts, took_s = "on", dict[tuple[str, str], int](), []
    for to, reason, took_ms in database.execute(
        "SELECT intent.supply, intent.reason, outcome.boot_ms - intent.boot_ms "
        "FROM outcome JOIN intent ON outcome.intent = intent.id "
        "WHERE intent.station = ? AND outcome.succeeded = 1 AND outcome.wall_ms <= ? "
        "ORDER BY outcome.boot_ms",
        (station, until_ms),
    ):
        took_s.append(took_ms / 1_000)
        if to != supply:
            supply = to
            counts[to, reason] = counts.get((to, reason), 0) + 1
    return counts, took_s
