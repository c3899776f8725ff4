"""What a candidate must meet, and which of it an outcome misses."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

from tidegate.core.policy import Policy
from tidegate.settings.table import (
    ABOVE_FLOOR_PERCENT,
    HIGHEST_PERCENT,
    LEAST_WIDTH_PERCENT,
)
from tidegate.tuning.device import Device
from tidegate.tuning.outcome import Outcome

_DAYS: Final = 365.0


class Rule(StrEnum):
    """What can exclude a candidate."""

    AUTONOMY = "autonomy"
    RELAY_LIFE = "relay_life"
    MAX_WINDOW = "max_window"
    CARRIED = "carried"
    FLOOR_WHILE_FED = "floor_while_fed"
    MARKS = "marks"
    ABOVE_FLOOR = "above_floor"
    BUDGET = "budget"
    HOLD = "hold"
    SUPPLY = "supply"


class Worst(StrEnum):
    """From which load the least autonomy is reckoned, the surest first."""

    HOUR_OF_WEEK = "hour_of_week"
    STEEPEST_SEEN = "steepest_seen"
    NOT_KNOWN = "not_known"

    @classmethod
    def of(cls, device: Device) -> Worst:
        """Return what the readings of a device let it be."""
        if device.is_calendar:
            return cls.HOUR_OF_WEEK
        if device.steepest_percent_per_h is None:
            return cls.NOT_KNOWN
        return cls.STEEPEST_SEEN


@dataclass(frozen=True, slots=True, kw_only=True)
class Constraints:
    """What a candidate must meet, asked for or given by settings and relay.

    ``is_supply_free``: another supply may be chosen too, and not only looked at.
    ``ignored`` are rules that are left out, to see what they cost. ``worst`` is what
    the autonomy was reckoned from; where it is not known that is the mean.
    """

    autonomy_h: float = 2.0
    relay_life_years: float = 10.0
    max_window_percent: float = 80.0
    floor_percent: float = 25.0
    per_hour: int = 6
    per_day: int = 48
    can_hold: bool = False
    is_supply_free: bool = True
    ignored: frozenset[Rule] = frozenset()
    worst: Worst = Worst.HOUR_OF_WEEK

    @classmethod
    def of(
        cls,
        policy: Policy,
        *,
        autonomy_h: float,
        relay_life_years: float,
        max_window_percent: float,
        can_hold: bool,
        is_supply_free: bool = True,
        worst: Worst = Worst.HOUR_OF_WEEK,
    ) -> Constraints:
        """Return them for a station with such a policy."""
        return cls(
            autonomy_h=autonomy_h,
            relay_life_years=relay_life_years,
            max_window_percent=max_window_percent,
            floor_percent=policy.floor_percent,
            per_hour=policy.per_hour,
            per_day=policy.per_day,
            can_hold=can_hold,
            is_supply_free=is_supply_free,
            worst=worst,
        )

    def without(self, rule: Rule) -> Constraints:
        """Return them with one rule left out."""
        return replace(self, ignored=self.ignored | {rule})


def missed(outcome: Outcome, asked: Constraints) -> Iterable[Rule]:
    """Return the rules that exclude an outcome."""
    it, per_day = outcome.candidate, outcome.budgeted_per_year / _DAYS
    life = outcome.relay_life_years
    held = it.hold_percent is not None
    lowest = outcome.lowest_percent
    found = {
        Rule.AUTONOMY: outcome.autonomy_h < asked.autonomy_h,
        # A contact of unknown life is not refused, and that is said.
        Rule.RELAY_LIFE: life is not None and life < asked.relay_life_years,
        Rule.MAX_WINDOW: it.high_percent > asked.max_window_percent,
        Rule.CARRIED: not outcome.is_carried,
        Rule.FLOOR_WHILE_FED: lowest is not None
        and (lowest < asked.floor_percent or lowest <= 0),
        Rule.MARKS: it.high_percent > HIGHEST_PERCENT
        or it.low_percent + LEAST_WIDTH_PERCENT > it.high_percent,
        Rule.ABOVE_FLOOR: it.low_percent < asked.floor_percent + ABOVE_FLOOR_PERCENT,
        Rule.BUDGET: per_day > min(asked.per_day, 24 * asked.per_hour),
        Rule.HOLD: held and not asked.can_hold,
        Rule.SUPPLY: it.supply_a is not None and not asked.is_supply_free,
    }
    return (
        rule for rule, is_so in found.items() if is_so and rule not in asked.ignored
    )
