"""The time axis: the same rules from seconds to years, in the reader's local time."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Final


@dataclass(frozen=True, slots=True)
class _Step:
    """A distance between ticks: so long, or so many calendar months."""

    length: timedelta
    label: Callable[[datetime], str]
    months: int = 0


def local(wall_ms: int, zone: tzinfo) -> datetime:
    """Return a UTC time in the zone of the reader."""
    return datetime.fromtimestamp(wall_ms / 1_000, tz=UTC).astimezone(zone)


def day(moment: datetime) -> str:
    """Return a date such as ``Tue 3 Jun``."""
    return f"{moment:%a} {moment.day} {moment:%b}"


def minute(wall_ms: int, zone: tzinfo) -> str:
    """Return a time such as ``Tue 3 Jun 06:00``."""
    moment = local(wall_ms, zone)
    return f"{day(moment)} {moment:%H:%M}"


def zone_name(from_ms: int, until_ms: int, zone: tzinfo) -> str:
    """Return what the zone is called over a span: two names where summer time ends."""
    names = [
        moment.tzname() or f"{moment:%z}"
        for moment in (local(from_ms, zone), local(until_ms, zone))
    ]
    return " and ".join(dict.fromkeys(names))


def _clock(moment: datetime) -> str:
    """Midnight is shown as the date that begins."""
    at_midnight = (moment.hour, moment.minute, moment.second) == (0, 0, 0)
    return day(moment) if at_midnight else f"{moment:%H:%M}"


def _second(moment: datetime) -> str:
    return f"{moment:%H:%M:%S}"


def _month(moment: datetime) -> str:
    return f"{moment:%b %Y}"


def _year(moment: datetime) -> str:
    return f"{moment:%Y}"


_STEPS: Final = (
    *(_Step(timedelta(seconds=each), _second) for each in (1, 2, 5, 10, 15, 30)),
    *(_Step(timedelta(minutes=each), _clock) for each in (1, 2, 5, 10, 15, 30)),
    *(_Step(timedelta(hours=each), _clock) for each in (1, 2, 3, 6, 12)),
    *(_Step(timedelta(days=each), day) for each in (1, 2, 3, 4, 7, 14)),
    *(_Step(timedelta(days=30.5 * each), _month, each) for each in (1, 2, 3, 6)),
    *(_Step(timedelta(days=366 * each), _year, 12 * each) for each in (1, 2, 5, 10)),
)


def ticks(
    from_ms: int, until_ms: int, zone: tzinfo, *, most: int
) -> list[tuple[int, str]]:
    """Return at most about ``most`` round local times (UTC ms) with their labels."""
    span = timedelta(milliseconds=until_ms - from_ms)
    step = next((each for each in _STEPS if span / each.length <= most), _STEPS[-1])
    found: list[tuple[int, str]] = []
    last_ms = from_ms - 1
    for moment in _round_times(local(from_ms, zone), step):
        at_ms = round(moment.timestamp() * 1_000)
        if at_ms > until_ms:
            break
        # An hour that summer time leaves out or repeats makes no second tick.
        if at_ms > last_ms:
            found.append((at_ms, step.label(local(at_ms, zone))))
            last_ms = at_ms
    return found


def _round_times(begin: datetime, step: _Step) -> Iterator[datetime]:
    """Yield round times, the first of them at or before ``begin``."""
    midnight = begin.replace(hour=0, minute=0, second=0, microsecond=0)
    if step.months:
        months = 12 * begin.year + begin.month - 1
        months -= months % step.months
        while months // 12 < datetime.max.year:
            yield midnight.replace(
                year=months // 12, month=months % 12 + 1, day=1, fold=0
            )
            months += step.months
        return
    if step.length >= timedelta(days=7):
        midnight -= timedelta(days=midnight.weekday())
    moment = midnight + (begin - midnight) // step.length * step.length
    while True:
        yield moment
        moment += step.length
