"""What settings let expect before anything was measured: switchings, relay life.

Under a constant load and a constant net charge rate the level is a saw tooth of
straight lines, so it is walked from corner to corner, with marks, dwell and budget.
The rates of a site are not known beforehand; two duties of our own choosing, a light
and a heavy one, bracket them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf
from typing import Final

from tidegate.core.policy import DAY_MS, HOUR_MS, MS, Marks
from tidegate.settings.models import StationSettings
from tidegate.settings.table_plans import TURN_PERCENT, longest_gap_ms

HOURS_A_YEAR: Final = 8_760
# With a contact, a window narrower than this uses up the default budget at the
# heavy duty, and the battery then floats above it.
NARROW_PERCENT: Final = 8.0
# 30 points count for capacity, and the first step away from an end does not.
MEASURED_PERCENT: Final = 31.0

_WALKED_H: Final = 34 * 24.0
_SETTLED_H: Final = 4 * 24.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Duty:
    """Points an hour that the battery falls with the supply off and rises with it on.

    An assumption, no measurement; engineering choices without a source.
    """

    load_percent_an_hour: float
    charge_percent_an_hour: float

    def __str__(self) -> str:
        return (
            f"load {self.load_percent_an_hour:g} %/h, "
            f"net charge {self.charge_percent_an_hour:g} %/h"
        )


LIGHT: Final = Duty(load_percent_an_hour=2, charge_percent_an_hour=10)
HEAVY: Final = Duty(load_percent_an_hour=12, charge_percent_an_hour=20)

FORMULA: Final = (
    "period = swing / load + swing / net charge, two switchings a period",
    "swing = the largest of high - low, load x dwell off, net charge x dwell on",
    "where the budget (per_hour, per_day) allows less, it is followed through a "
    "month; meanwhile the supply stays on, above the high mark",
)
ASSUMES: Final = (
    f"light duty: {LIGHT}; heavy duty: {HEAVY}; constant all day; the rates of this "
    "site are not known before they are measured",
    "each switching counts as one operation of the contact",
    "overrides, forced ons, planned rises and relearns are left out",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Expectation:
    """The limit cycle of one station at one duty."""

    switchings_per_hour: float
    hours_above_per_day: float

    def relay_life_years(self, life: int) -> float:
        """Return how long a contact of so many operations lasts."""
        return life / (self.switchings_per_hour * HOURS_A_YEAR)


def expected(station: StationSettings, duty: Duty) -> Expectation | None:
    """Return the switchings at a duty, ``None`` where nothing is cycled."""
    if station.window is None or station.window.hold_percent is not None:
        return None
    return _Walk(station, station.window.marks, duty).result()


class _Walk:
    """The saw tooth of one station, from off to off. Times are hours."""

    def __init__(self, station: StationSettings, marks: Marks, duty: Duty) -> None:
        self._marks = marks
        self._duty = duty
        self._dwell = station.dwell
        self._budget = station.budget
        self._switchings: list[float] = []

    def result(self) -> Expectation:
        """Return the averages once the budget's first day is well over."""
        low, high = self._marks.low_percent, self._marks.high_percent
        load = self._duty.load_percent_an_hour
        charge = self._duty.charge_percent_an_hour
        now, level = 0.0, low
        above = began_at = 0.0
        began_with = 0
        while now < _WALKED_H:
            rise = (high - level) / charge
            off_at = self._when_free(now + max(rise, self._dwell.on_ms / HOUR_MS))
            top = min(100.0, level + charge * (off_at - now))
            fall = max((top - low) / load, self._dwell.off_ms / HOUR_MS)
            above += (off_at - now - rise) + (top - high) / load
            now, level = off_at + fall, max(0.0, top - load * fall)
            self._switchings += (off_at, now)
            if now < _SETTLED_H:
                above, began_at, began_with = 0.0, now, len(self._switchings)
        hours = now - began_at
        return Expectation(
            switchings_per_hour=(len(self._switchings) - began_with) / hours,
            hours_above_per_day=24 * max(0.0, above) / hours,
        )

    def _when_free(self, wanted: float) -> float:
        return when_free(
            wanted,
            self._switchings,
            last_off=self._switchings[-2] if self._switchings else -inf,
            per_hour=self._budget.per_hour,
            per_day=self._budget.per_day,
        )


def when_free(
    wanted: float,
    switchings: Sequence[float],
    *,
    last_off: float,
    per_hour: int,
    per_day: int,
) -> float:
    """Return when rule 10 lets an off go that is wanted from a time on.

    ``switchings`` are those before it that count; all times are hours.
    """
    return max(
        wanted,
        _when_at_most(switchings, per_hour - 2, hours=1),
        _when_at_most(switchings, per_day - 2, hours=24),
        min(_when_at_most(switchings, per_day // 2, hours=24), last_off + 48 / per_day),
    )


def _when_at_most(switchings: Sequence[float], count: int, *, hours: float) -> float:
    """Return when no more than so many switchings lie within so many hours."""
    if len(switchings) <= count:
        return 0.0
    return switchings[-count - 1] + hours


def warnings_of(station: StationSettings) -> list[str]:
    """Return what is allowed in a station's settings and yet worth a second look."""
    found: list[str] = []
    if station.relay is None or station.window is None:
        return found
    marks = station.window.marks
    width = marks.high_percent - marks.low_percent
    if not station.relay_can_hold and width < NARROW_PERCENT:
        heavy = expected(station, HEAVY)
        assert heavy is not None
        found.append(
            f"the window is {width:g} points wide, under {NARROW_PERCENT:g} the "
            "budget may run out: expect about "
            f"{heavy.hours_above_per_day:.1f} h a day above it at {HEAVY}"
        )
    found += _of_plans(station)
    relay = station.relay
    # A kind that knows one contact only leaves the operator no choice; that it does not
    # fail to on is an alarm of the station.
    is_chosen = "contact" in relay.model_fields_set
    if relay.contact != "normally-closed" and is_chosen and relay.timer_s is None:
        found.append(
            f'the contact is "{station.relay.contact}", so the supply ends up off '
            "without the daemon, unless the relay has a dead-man timer"
        )
    if relay.timer_s is not None and relay.timer_s * MS <= 2 * station.poll_ms:
        found.append(
            f"the relay's timer is {relay.timer_s:g} s and is refreshed at each "
            f"reading, every {station.poll_ms / MS:g} s: one reading that fails or is "
            "late ends an off; give it more than two polls"
        )
    return found


def _of_plans(station: StationSettings) -> list[str]:
    found = []
    if station.rise and station.relay_can_hold:
        found.append(
            "the relay only stops charging, so after a planned rise the level stays up "
            "(alarm above_window a day later) until somebody unplugs the device once"
        )
    excursion = station.relearn
    if excursion is None:
        return found
    gap_ms = longest_gap_ms(station.rise)
    if gap_ms is not None and gap_ms <= DAY_MS:
        found.append(
            "the planned rises are never more than a day apart, and a relearn waits "
            "where one is less than a day away: it will never begin"
        )
    assert station.window is not None
    top = station.window.marks.high_percent
    least = excursion.low_percent + TURN_PERCENT
    # After a rise that comes again and again the level is above that for once.
    if gap_ms is None and top <= least:
        found.append(
            f"the window goes up to {top:g} %, and a relearn begins only above its low "
            f"+ {TURN_PERCENT:g}, which is {least:g} %: it will never begin"
        )
    width = excursion.high_percent - excursion.low_percent
    if width < MEASURED_PERCENT:
        found.append(
            f"the relearn spans {width:g} points; a gauge in whole percents measures "
            f"capacity only where it spans {MEASURED_PERCENT:g} or more"
        )
    return found
