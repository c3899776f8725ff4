"""When the planned moments are, on the clock on the wall.

A local time may come twice or not at all where summer time begins or ends. Then both
readings count, the one with summer time and the one without (PEP 495): the level is
reached by the earlier instant, and the time afterwards counts from the later one.
Whoever meant either of them is served.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Final

from tidegate.settings.table_plans import DAYS, FIRST_YEAR, LAST_YEAR, Rise

# A wall clock beyond these was never set; a board without a battery boots in 1970.
CLOCK_FROM_MS: Final = round(datetime(FIRST_YEAR, 1, 1, tzinfo=UTC).timestamp() * 1000)
CLOCK_TO_MS: Final = round(datetime(LAST_YEAR + 1, 1, 1, tzinfo=UTC).timestamp() * 1000)
# A weekly rise lasts at most 7 days after its moment, and comes again within 7.
_DAYS_AROUND: Final = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """A planned moment, in ms of the wall clock.

    ``latest_ms`` is ``at_ms``, but where the local time is twice or not at all; from
    ``over_ms`` on the plan is over.
    """

    rise: Rise
    at_ms: int
    latest_ms: int

    @property
    def over_ms(self) -> int:
        """When the window comes down again."""
        return self.latest_ms + self.rise.for_ms


def is_set(wall_ms: int) -> bool:
    """Return whether a wall clock can have been set at all."""
    return CLOCK_FROM_MS <= wall_ms < CLOCK_TO_MS


def moments(
    rises: Iterable[Rise], wall_ms: int, zone: tzinfo | None = None
) -> tuple[Moment, ...]:
    """Return the moments that are not over, soonest first; of weekly ones 8 days.

    ``zone`` is the local time, ``None`` that of this machine. None of a clock that
    was never set.
    """
    if not is_set(wall_ms):
        return ()
    found = [moment for rise in rises for moment in _of(rise, wall_ms, zone)]
    left = [moment for moment in found if wall_ms < moment.over_ms]
    return tuple(sorted(left, key=lambda moment: (moment.at_ms, moment.over_ms)))


def _of(rise: Rise, wall_ms: int, zone: tzinfo | None) -> list[Moment]:
    if isinstance(rise.at, datetime):
        return [_moment(rise, rise.at, zone)]
    days = frozenset(DAYS.index(day) for day in rise.days or DAYS)
    today = datetime.fromtimestamp(wall_ms / 1000, zone).date()
    around = (today + timedelta(days=n) for n in range(-_DAYS_AROUND, _DAYS_AROUND + 1))
    return [
        _moment(rise, datetime.combine(day, rise.at), zone)
        for day in around
        if day.weekday() in days
    ]


def _moment(rise: Rise, at: datetime, zone: tzinfo | None) -> Moment:
    if at.tzinfo is not None:
        only_ms = _ms(at)
        return Moment(rise=rise, at_ms=only_ms, latest_ms=only_ms)
    both = [_ms(_placed(at.replace(fold=fold), zone)) for fold in (0, 1)]
    return Moment(rise=rise, at_ms=min(both), latest_ms=max(both))


def _placed(local: datetime, zone: tzinfo | None) -> datetime:
    return local.astimezone() if zone is None else local.replace(tzinfo=zone)


def _ms(at: datetime) -> int:
    return round(at.timestamp() * 1000)
