"""How fast a charge moves, and when it reaches a level.

Checked against arithmetic done by hand on straight lines: a charge that moves r percent
an hour needs w / r hours for w percent. All numbers are invented.
"""

from __future__ import annotations

import pytest

from tidegate.core.policy import HOUR_MS, MINUTE_MS
from tidegate.core.reading import Supply
from tidegate.service.pace import Pace

ON, OFF = Supply.ON, Supply.OFF


def line(
    pace: Pace,
    supply: Supply,
    *,
    from_percent: float,
    to_percent: float,
    from_ms: int = 0,
    rate_percent_h: float,
    step_percent: float = 1.0,
) -> int:
    """Feed a straight line in steps as a gauge tells them; return its last time."""
    count = round(abs(to_percent - from_percent) / step_percent)
    sign = 1 if to_percent > from_percent else -1
    at_ms = from_ms
    for number in range(count + 1):
        way_percent = number * step_percent
        at_ms = from_ms + round(way_percent / rate_percent_h * HOUR_MS)
        pace.take(at_ms, from_percent + sign * way_percent, supply)
    return at_ms


def test_nothing_is_known_before_two_changes() -> None:
    pace = Pace()
    pace.take(0, 60.0, ON)
    assert pace.reaches_ms(65.0, now_ms=0, soc_percent=60.0) is None
    pace.take(6 * MINUTE_MS, 61.0, ON)
    assert pace.reaches_ms(65.0, now_ms=6 * MINUTE_MS, soc_percent=61.0) is None
    pace.take(12 * MINUTE_MS, 62.0, ON)
    # One point in 6 min: 3 points more in 18 min.
    assert (
        pace.reaches_ms(65.0, now_ms=12 * MINUTE_MS, soc_percent=62.0) == 30 * MINUTE_MS
    )


def test_the_first_step_after_a_switching_is_no_measure() -> None:
    """A gauge of whole percents may have stood anywhere within its first one."""
    pace = Pace()
    pace.take(0, 60.0, ON)
    pace.take(1, 61.0, ON)  # it was at 60.999
    pace.take(HOUR_MS + 1, 62.0, ON)
    assert pace.learned[ON] == pytest.approx(1.0)


def test_equal_readings_do_not_slow_it_down() -> None:
    pace = Pace()
    line(pace, OFF, from_percent=60.0, to_percent=57.0, rate_percent_h=12.0)
    before = pace.reaches_ms(55.0, now_ms=16 * MINUTE_MS, soc_percent=57.0)
    for minute in range(16, 19):
        pace.take(minute * MINUTE_MS, 57.0, OFF)
    after = pace.reaches_ms(55.0, now_ms=19 * MINUTE_MS, soc_percent=57.0)
    # 12 %/h: 57 at 15 min, 55 at 25 min.
    assert before == after == 25 * MINUTE_MS


@pytest.mark.parametrize(
    ("to_percent", "known"), [(60.9, False), (61.0, True), (61.5, True)]
)
def test_less_than_a_point_says_more_of_the_gauge(
    to_percent: float, *, known: bool
) -> None:
    pace = Pace()
    pace.take(0, 59.0, ON)
    pace.take(MINUTE_MS, 60.0, ON)
    pace.take(2 * MINUTE_MS, to_percent, ON)
    assert (ON in pace.learned) is known


def test_each_supply_has_its_own_pace_and_keeps_it() -> None:
    pace = Pace()
    end_ms = line(pace, ON, from_percent=55.0, to_percent=65.0, rate_percent_h=20.0)
    line(
        pace,
        OFF,
        from_percent=65.0,
        to_percent=55.0,
        from_ms=end_ms,
        rate_percent_h=12.0,
    )
    assert pace.learned == {ON: pytest.approx(20.0), OFF: pytest.approx(-12.0)}


def test_before_the_first_change_the_last_pace_counts_from_the_switching() -> None:
    pace = Pace()
    end_ms = line(pace, ON, from_percent=55.0, to_percent=65.0, rate_percent_h=20.0)
    pace.take(end_ms, 65.0, OFF)
    nothing = pace.reaches_ms(55.0, now_ms=end_ms, soc_percent=65.0)
    assert nothing is None, "an off was never seen"
    pace.take(end_ms + HOUR_MS, 65.0, ON)
    pace.take(end_ms + HOUR_MS + MINUTE_MS, 65.0, ON)
    later_ms = end_ms + HOUR_MS + 2 * MINUTE_MS
    # 5 points at 20 %/h: a quarter of an hour after the switching, however late it is.
    assert (
        pace.reaches_ms(70.0, now_ms=later_ms, soc_percent=65.0)
        == end_ms + HOUR_MS + 15 * MINUTE_MS
    )


def test_a_charge_that_is_late_is_due_now() -> None:
    pace = Pace()
    line(pace, OFF, from_percent=60.0, to_percent=56.0, rate_percent_h=12.0)
    due_ms = 25 * MINUTE_MS
    at = {
        now_ms: pace.reaches_ms(55.0, now_ms=now_ms, soc_percent=56.0)
        for now_ms in (due_ms - 1, due_ms, due_ms + 1)
    }
    assert at == {due_ms - 1: due_ms, due_ms: due_ms, due_ms + 1: due_ms + 1}


def test_a_level_behind_or_here_is_never_reached() -> None:
    pace = Pace()
    line(pace, ON, from_percent=55.0, to_percent=60.0, rate_percent_h=20.0)
    for level in (60.0, 55.0):
        assert pace.reaches_ms(level, now_ms=HOUR_MS, soc_percent=60.0) is None
    # A charge that came back to where it began moves nowhere.
    pace.take(HOUR_MS, 56.0, ON)
    assert pace.reaches_ms(65.0, now_ms=HOUR_MS, soc_percent=56.0) is not None
    pace = Pace()
    for at_ms, level in enumerate((50.0, 60.0, 62.0, 60.0)):
        pace.take(at_ms * HOUR_MS, level, ON)
    assert pace.learned[ON] == pytest.approx(2.0), "the last that moved"


def test_a_clock_that_stands_gives_no_pace() -> None:
    pace = Pace()
    for level in (60.0, 61.0, 63.0):
        pace.take(0, level, ON)
    assert pace.learned == {}


def test_what_no_command_explains_teaches_nothing() -> None:
    pace = Pace()
    for at_ms, level in enumerate((60.0, 61.0, 63.0)):
        pace.take(at_ms * HOUR_MS, level, None)
    assert pace.learned == {}
