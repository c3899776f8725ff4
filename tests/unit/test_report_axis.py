"""The time axis: round local times at every scale, from seconds to years."""

from datetime import UTC, datetime, timedelta, timezone, tzinfo
from itertools import pairwise

import pytest

from tidegate.report.axis import minute, ticks, zone_name

ZONE = timezone(timedelta(hours=2))
TUESDAY = datetime(2025, 6, 3, 6, 7, 8, tzinfo=ZONE)


class SummerTime(tzinfo):
    """A synthetic zone: an hour ahead of UTC, two from 30 March to 26 October 2025,
    each at 01:00 UTC (the rule of Directive 2000/84/EC).
    """

    def utcoffset(self, moment):
        return timedelta(hours=1) + self.dst(moment)

    def dst(self, moment):
        wall = moment.replace(tzinfo=None)
        end = datetime(2025, 10, 26, 2 if moment.fold else 3)
        is_summer = datetime(2025, 3, 30, 2) <= wall < end
        return timedelta(hours=1 if is_summer else 0)

    def tzname(self, moment):
        return "CEST" if self.dst(moment) else "CET"


def ms(moment):
    return round(moment.timestamp() * 1000)


def labels(begin, span, most=8, zone=ZONE):
    return [text for _, text in ticks(ms(begin), ms(begin + span), zone, most=most)]


@pytest.mark.parametrize(
    ("span", "expected"),
    [
        (timedelta(seconds=6), ["06:07:08", "06:07:09"]),
        (timedelta(minutes=5), ["06:08", "06:09"]),
        (timedelta(hours=2), ["06:15", "06:30"]),
        (timedelta(hours=9), ["08:00", "10:00"]),
        (timedelta(hours=20), ["09:00", "12:00"]),
        (timedelta(days=2), ["12:00", "18:00", "Wed 4 Jun", "06:00"]),
        (timedelta(days=7), ["Wed 4 Jun", "Thu 5 Jun"]),
        (timedelta(days=50), ["Mon 9 Jun", "Mon 16 Jun"]),
        (timedelta(days=200), ["Jul 2025", "Aug 2025"]),
        (timedelta(days=700), ["Jul 2025", "Oct 2025"]),
        (timedelta(days=2500), ["2026", "2027"]),
        (timedelta(days=9000), ["2030", "2035"]),
    ],
)
def test_the_first_ticks_of_a_span(span, expected):
    assert labels(TUESDAY, span)[: len(expected)] == expected


@pytest.mark.parametrize("most", [3, 7, 10])
@pytest.mark.parametrize("seconds", [round(2 * 1.37**power) for power in range(64)])
def test_never_crowded_and_always_in_order(seconds, most):
    begin, end = ms(TUESDAY), ms(TUESDAY) + 1000 * seconds
    found = ticks(begin, end, ZONE, most=most)
    times = [at_ms for at_ms, _ in found]
    assert len(found) <= most + 1
    assert times == sorted(set(times))
    assert all(begin <= at_ms <= end for at_ms in times)
    assert all(a != b for (_, a), (_, b) in pairwise(found))
    # A step is at most three and a third times too long for the space.
    assert len(found) >= most // 4


def test_summer_time_neither_repeats_nor_invents_a_tick():
    zone = SummerTime()
    spring = datetime(2025, 3, 29, 23, tzinfo=UTC)
    assert labels(spring, timedelta(hours=5), zone=zone) == [
        "Sun 30 Mar",
        "01:00",
        "03:00",
        "04:00",
        "05:00",
        "06:00",
    ]
    autumn = datetime(2025, 10, 25, 20, tzinfo=UTC)
    times = [
        at_ms
        for at_ms, _ in ticks(ms(autumn), ms(autumn + timedelta(hours=7)), zone, most=8)
    ]
    assert times == sorted(set(times))


def test_the_zone_is_named_with_both_names_when_it_changes():
    begin = ms(datetime(2025, 10, 20, tzinfo=UTC))
    end = ms(datetime(2025, 10, 30, tzinfo=UTC))
    assert zone_name(begin, end, SummerTime()) == "CEST and CET"
    assert zone_name(begin, end, ZONE) == "UTC+02:00"


def test_a_minute_in_words():
    assert minute(ms(TUESDAY), ZONE) == "Tue 3 Jun 06:07"
