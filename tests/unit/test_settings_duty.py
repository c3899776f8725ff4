"""The expected switchings against a plain stepping of level, dwell and budget.

The stepping below is written from the rules (marks, dwell, rule 10's two conditions)
and shares nothing with the walk it checks. Loads and rates are synthetic.
"""

from __future__ import annotations

from collections import deque
from typing import Any

import pytest

from tidegate.settings import StationSettings, from_tables
from tidegate.settings.duty import HEAVY, LIGHT, Duty, expected

STEP_S = 20
DAYS = 34
FROM_DAY = 4


def station(**keys: Any) -> StationSettings:
    whole = {
        "gauge": {"kind": "command", "run": ["guide-battery"]},
        "relay": {"kind": "serial-frame", "port": "/dev/ttyUSB0", "channel": 1},
        **keys,
    }
    return from_tables({"station": {"whale": whole}}).stations["whale"]


def stepped(station: StationSettings, duty: Duty) -> tuple[float, float]:
    """Return switchings an hour and hours a day above the window, day 4 to 34."""
    assert station.window is not None
    low, high = station.window.marks.low_percent, station.window.marks.high_percent
    per_hour, per_day = station.budget.per_hour, station.budget.per_day
    soc, supply_is_on, since_s, last_off_s = low, True, 0, -1_000_000
    past: deque[int] = deque()
    switchings = above_s = 0

    def free(now_s: int) -> bool:
        while past and now_s - past[0] >= 86_400:
            past.popleft()
        in_hour = sum(now_s - at_s < 3_600 for at_s in past)
        spaced = now_s - last_off_s >= 2 * 86_400 / per_day
        return (
            in_hour <= per_hour - 2
            and len(past) <= per_day - 2
            and (len(past) <= per_day / 2 or spaced)
        )

    for now_s in range(0, DAYS * 86_400, STEP_S):
        hours = STEP_S / 3_600
        if supply_is_on:
            soc = min(100.0, soc + duty.charge_percent_an_hour * hours)
        else:
            soc = soc - duty.load_percent_an_hour * hours
        dwell_ms = station.dwell.on_ms if supply_is_on else station.dwell.off_ms
        dwelt = now_s - since_s >= dwell_ms / 1_000
        wants_off = supply_is_on and soc >= high and dwelt and free(now_s)
        wants_on = not supply_is_on and soc <= low and dwelt
        if wants_off or wants_on:
            supply_is_on, since_s = wants_on, now_s
            last_off_s = now_s if wants_off else last_off_s
            past.append(now_s)
            switchings += now_s >= FROM_DAY * 86_400
        above_s += STEP_S * (soc > high and now_s >= FROM_DAY * 86_400)
    days = DAYS - FROM_DAY
    return switchings / (days * 24), above_s / 3_600 / days


@pytest.mark.parametrize("duty", [LIGHT, HEAVY], ids=["light", "heavy"])
@pytest.mark.parametrize(
    "keys",
    [
        pytest.param({"window": {"low": 55, "high": 65}}, id="plain"),
        pytest.param({"window": {"low": 55, "high": 60}}, id="budget"),
        pytest.param(
            {
                "window": {"low": 55, "high": 58},
                "budget": {"per_hour": 2, "per_day": 1000},
            },
            id="hourly budget",
        ),
        pytest.param(
            {"window": {"low": 55, "high": 65}, "budget": {"per_day": 8}}, id="full"
        ),
        pytest.param(
            {"window": {"low": 50, "high": 60}, "dwell": {"on": "1h"}}, id="dwell on"
        ),
        pytest.param(
            {"window": {"low": 50, "high": 55}, "dwell": {"off": "1h"}}, id="dwell off"
        ),
    ],
)
def test_the_walk_is_what_stepping_gives(keys: dict[str, Any], duty: Duty) -> None:
    found = expected(station(**keys), duty)
    assert found is not None
    rate, above_h = stepped(station(**keys), duty)

    # Where the budget binds, which off it lets go turns on seconds, so the two drift
    # apart by some of them.
    assert found.switchings_per_hour == pytest.approx(rate, rel=0.06)
    assert found.hours_above_per_day == pytest.approx(above_h, rel=0.06, abs=0.3)


def test_by_hand() -> None:
    """10 points at 2 down and 10 up an hour: 6 h a period; 12 and 20: 4/3 h."""
    plain = station(window={"low": 55, "high": 65})
    light, heavy = expected(plain, LIGHT), expected(plain, HEAVY)
    assert light is not None
    assert heavy is not None

    assert light.switchings_per_hour == pytest.approx(1 / 3)
    assert heavy.switchings_per_hour == pytest.approx(1.5)
    assert heavy.hours_above_per_day == pytest.approx(0)
    assert heavy.relay_life_years(100_000) == pytest.approx(100_000 / 1.5 / 8_760)


def test_nothing_is_cycled_without_marks() -> None:
    assert expected(station_that_measures(), LIGHT) is None


def station_that_measures() -> StationSettings:
    tables = {"gauge": {"kind": "command", "run": ["guide-battery"]}}
    return from_tables({"station": {"whale": tables}}).stations["whale"]
