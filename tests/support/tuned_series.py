"""Readings of invented devices for the tests of ``tune``, by the minute.

They are made by adding up a known load and a known supply; nothing of the daemon, the
twin or the fit is in them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from tidegate.audit.given import Set
from tidegate.core.policy import MINUTE_MS, Marks, Policy
from tidegate.core.reading import BatteryStatus
from tidegate.history import Point, Series

MONDAY_MS = 1_748_822_400_000  # 2 June 2025, 0:00 UTC
DAY_H = 24

# By the hour since Monday 0:00: points an hour of the charge, and whether it is fed.
Moved = Callable[[float], tuple[float, bool]]


@dataclass(frozen=True, kw_only=True)
class Weak:
    """A supply that visitors outrun: points an hour, visitors from 9 to 17."""

    supply: float = 9.0
    night: float = 2.0
    visited: float = 12.0

    def load(self, hour: float) -> float:
        return self.visited if 9 <= hour % DAY_H < 17 else self.night

    def net(self, hour: float) -> float:
        return self.supply - self.load(hour)


def moved(days: float, way: Moved, *, start: float, step_min: int = 1) -> list[Point]:
    """Return a reading every so many minutes, its charge to the whole percent."""
    level, found = start, []
    for minute in range(round(days * DAY_H * 60)):
        rate, is_fed = way(minute / 60)
        if minute % step_min == 0:
            found.append(point(minute, round(level), is_fed=is_fed))
        level = min(100.0, level + rate / 60)
    return found


def kept(
    days: float,
    net: Callable[[float], float],
    load: Callable[[float], float],
    *,
    low: float,
    high: float,
    is_whole: bool = True,
    step_min: int = 1,
    second_s: int = 60,
) -> tuple[list[Point], float, float]:
    """Return readings between two marks, switchings and EFC a year of that time.

    The marks are looked at every ``second_s``, a reading is kept every ``step_min``.
    """
    level, is_fed, count, gone = low + 3.0, True, 0, 0.0
    found = []
    for number in range(round(days * 86_400 / second_s)):
        hour = number * second_s / 3600
        shown = round(level) if is_whole else level
        if (shown >= high) if is_fed else (shown <= low):
            is_fed = not is_fed
            count += 1
        if number * second_s % (60 * step_min) == 0:
            found.append(point(number * second_s / 60, shown, is_fed=is_fed))
        rate = net(hour) if is_fed else -load(hour)
        gone += abs(rate) * second_s / 3600
        level += rate * second_s / 3600
    return found, count * 365 / days, gone / 200 * 365 / days


def point(minute: float, soc: float, *, is_fed: bool | None, **fields: Any) -> Point:
    """Return a reading."""
    status = {True: BatteryStatus.CHARGING, False: BatteryStatus.DISCHARGING}
    bare = Point(
        at_ms=MONDAY_MS + round(minute * MINUTE_MS),
        soc_percent=float(soc),
        voltage_v=None,
        current_a=None,
        temperature_c=None,
        charge_ah=None,
        is_fed=is_fed,
        status=BatteryStatus.UNKNOWN if is_fed is None else status[is_fed],
    )
    return bare._replace(**fields)


def read(points: Iterable[Point], **fields: Any) -> Series:
    """Return a series of readings a minute apart; ``policy`` is what was set."""
    rules = {"poll_ms": MINUTE_MS, **fields.pop("policy", {})}
    marks = Marks(low_percent=55.0, high_percent=65.0)
    given = Set(policy=Policy(**{"marks": marks, **rules}))
    taken = tuple(points)
    bare = Series(
        station="hall",
        path=Path("hall.db"),
        points=taken,
        breaks=(),
        is_whole=all(each.soc_percent.is_integer() for each in taken),
        sign_is_trusted=False,
        is_calendar=True,
        is_log=True,
        step_s=60.0,
        given=given,
    )
    return replace(bare, **fields)
