"""Values by the hour: which hour it is, and when the next one begins."""

from datetime import UTC, datetime, timedelta

import pytest

from tidegate.twin.profile import HOUR_MS, Profile

WEEK = Profile(tuple(float(hour) for hour in range(168)))


def wall(*when):
    return round(datetime(*when, tzinfo=UTC).timestamp() * 1000)


@pytest.mark.parametrize(
    "when", [(2025, 6, 2, 0), (2025, 6, 8, 23, 59), (1970, 1, 1), (2024, 2, 29, 12, 30)]
)
def test_the_hour_of_the_week_is_that_of_the_calendar(when):
    day = datetime(*when, tzinfo=UTC)
    assert WEEK.at(wall(*when)) == day.weekday() * 24 + day.hour


def test_local_time_moves_the_hours():
    local = Profile(WEEK.values, utc_offset_h=2.0)
    monday = datetime(2025, 6, 1, 22, tzinfo=UTC)
    assert local.at(round(monday.timestamp() * 1000)) == 0.0
    before = monday - timedelta(milliseconds=1)
    assert local.at(round(before.timestamp() * 1000)) == 167.0


def test_the_next_hour_begins_where_the_value_changes():
    for offset_h in (0.0, 5.5, -3.5):
        profile = Profile(WEEK.values, utc_offset_h=offset_h)
        now = wall(2025, 6, 4, 13, 20)
        next_ms = profile.next_hour_ms(now)
        assert now < next_ms <= now + HOUR_MS
        assert profile.at(next_ms - 1) == profile.at(now)
        assert profile.at(next_ms) == profile.at(now) + 1
        assert profile.next_hour_ms(next_ms) == next_ms + HOUR_MS


def test_between_two_hours_it_runs_straight_from_middle_to_middle():
    day = Profile(tuple(float(hour) for hour in range(24)))
    assert day.between(wall(2025, 6, 2, 7, 30)) == pytest.approx(7.0)
    assert day.between(wall(2025, 6, 2, 8, 0)) == pytest.approx(7.5)
    assert day.between(wall(2025, 6, 3, 0, 0)) == pytest.approx(11.5)
    assert Profile((21.0,)).between(wall(2025, 6, 2, 8, 0)) == 21.0


def test_other_lengths_are_refused():
    with pytest.raises(AssertionError):
        Profile((1.0, 2.0))
