"""A station stepped through time, minute by minute: plain, slow, and of its own.

Written from the rules (marks, dwell, floor, rule 10's two conditions) and from what a
charger does; shares nothing with the walk of ``tidegate.tuning`` that it checks.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

WEEK_H = 168
TINY = 1e-9


@dataclass(kw_only=True)
class Stepped:
    """What a station came to; hours and points are those of the counted time."""

    hours: float = 0.0
    path: float = 0.0
    switchings: int = 0
    moment: float = 0.0
    above_h: float = 0.0
    under_h: float = 0.0
    seconds: dict[tuple[int, int], float] = field(default_factory=dict)

    @property
    def efc_per_year(self) -> float:
        return self.path / 200 * 8760 / self.hours

    @property
    def switchings_per_year(self) -> float:
        return self.switchings * 8760 / self.hours

    @property
    def mean_percent(self) -> float:
        return self.moment / self.hours


@dataclass(frozen=True, kw_only=True)
class Rules:
    """A window, true marks; dwell in hours; the budget of rule 10."""

    low: float
    high: float
    floor: float = 25.0
    dwell_on_h: float = 0.05
    dwell_off_h: float = 0.05
    per_hour: int = 6
    per_day: int = 48


def stepped(
    load: Sequence[float],
    rise: Sequence[float],
    rules: Rules,
    *,
    weeks: float,
    step_s: float = 60.0,
    share: Callable[[float], float] = lambda level: 1.0,
    warm: tuple[Sequence[int], Sequence[int]] | None = None,
) -> Stepped:
    """Return the time after a first week. ``share``: of the rise left at a level.

    ``warm`` are the whole °C fed and not fed by hour; with them ``seconds`` by level
    and temperature are counted.
    """
    found = Stepped()
    level, is_on, since_h, last_off_h = rules.low, True, 0.0, -1e9
    spent: deque[float] = deque()
    step_h = step_s / 3600
    for number in range(round((weeks + 1) * WEEK_H / step_h)):
        now_h = number * step_h
        hour = int(now_h) % WEEK_H
        before = level
        if not is_on:
            level -= load[hour] * step_h
        elif rise[hour] > 0:
            level += rise[hour] * share(level) * step_h
        else:
            level += rise[hour] * step_h
        level = min(100.0, max(0.0, level))
        now_h += step_h
        wanted = is_on
        if level <= rules.floor or (
            level <= rules.low and now_h - since_h > rules.dwell_off_h - TINY
        ):
            wanted = True
        elif (
            level >= rules.high and is_on and now_h - since_h > rules.dwell_on_h - TINY
        ):
            wanted = not _is_free(spent, now_h, last_off_h, rules)
        is_counted = now_h > WEEK_H
        if wanted is not is_on:
            is_forced = wanted and level <= rules.floor
            if not is_forced:
                spent.append(now_h)
            if not wanted:
                last_off_h = now_h
            is_on, since_h = wanted, now_h
            found.switchings += is_counted
        if is_counted:
            found.hours += step_h
            found.path += abs(level - before)
            found.moment += level * step_h
            found.above_h += step_h * (level > rules.high)
            found.under_h += step_h * (level < rules.low)
            if warm is not None:
                key = (round(level), warm[not is_on][hour])
                found.seconds[key] = found.seconds.get(key, 0.0) + step_s
    return found


def _is_free(
    spent: deque[float], now_h: float, last_off_h: float, rules: Rules
) -> bool:
    while spent and now_h - spent[0] > 24 - TINY:
        spent.popleft()
    in_hour = sum(now_h - at_h < 1 - TINY for at_h in spent)
    if in_hour + 2 > rules.per_hour or len(spent) + 2 > rules.per_day:
        return False
    is_crowded = 2 * len(spent) > rules.per_day
    return not (is_crowded and now_h - last_off_h < 48 / rules.per_day - TINY)
