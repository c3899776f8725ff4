"""Planned moments on the wall clock, where summer time begins and ends too.

Source of the transitions: IANA tz database (tzdata, read through Python's zoneinfo):
Europe/Berlin goes from 02:00 to 03:00 on 2026-03-29 and from 03:00 back to 02:00 on
2026-10-25, at 01:00 UTC both times; Australia/Lord_Howe moves by half an hour. That a
local time may be asked for on both sides of a transition: PEP 495.
"""

from __future__ import annotations

import time as system_time
from datetime import UTC, datetime, time
from zoneinfo import ZoneInfo

import pytest

from tidegate.plans.calendar import CLOCK_FROM_MS, CLOCK_TO_MS, is_set, moments
from tidegate.settings.table_plans import Rise

BERLIN = ZoneInfo("Europe/Berlin")
HOUR = 3_600_000


def ms(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


def rise(at: datetime | time, *, days: tuple[str, ...] = (), lasts: str = "1h") -> Rise:
    return Rise.model_validate({"at": at, "days": days, "to": 80, "for": lasts})


LOCAL = [
    # zone, local time, earliest and latest in UTC
    ("Europe/Berlin", "2026-12-24T18:00", "2026-12-24T17:00", "2026-12-24T17:00"),
    ("Europe/Berlin", "2026-07-01T18:00", "2026-07-01T16:00", "2026-07-01T16:00"),
    # does not exist: 01:30 by winter time is 00:30 UTC, 03:30 by summer time 01:30
    ("Europe/Berlin", "2026-03-29T02:30", "2026-03-29T00:30", "2026-03-29T01:30"),
    ("Europe/Berlin", "2026-03-29T01:59", "2026-03-29T00:59", "2026-03-29T00:59"),
    ("Europe/Berlin", "2026-03-29T03:00", "2026-03-29T01:00", "2026-03-29T01:00"),
    # is there twice
    ("Europe/Berlin", "2026-10-25T02:30", "2026-10-25T00:30", "2026-10-25T01:30"),
    ("Europe/Berlin", "2026-10-25T01:59", "2026-10-24T23:59", "2026-10-24T23:59"),
    ("Europe/Berlin", "2026-10-25T03:00", "2026-10-25T02:00", "2026-10-25T02:00"),
    ("Australia/Lord_Howe", "2026-04-05T01:45", "2026-04-04T14:45", "2026-04-04T15:15"),
    ("Asia/Kathmandu", "2026-06-01T06:00", "2026-06-01T00:15", "2026-06-01T00:15"),
]


@pytest.mark.parametrize(("zone", "local", "first", "last"), LOCAL)
def test_a_local_moment_counts_by_all_its_readings(
    zone: str, local: str, first: str, last: str
) -> None:
    planned = rise(datetime.fromisoformat(local))

    (found,) = moments([planned], ms("2026-01-02T00:00"), ZoneInfo(zone))

    assert (found.at_ms, found.latest_ms) == (ms(first), ms(last))
    assert found.over_ms == ms(last) + HOUR


@pytest.mark.parametrize(("zone", "local", "first", "last"), LOCAL[:7])
def test_the_machines_own_time_says_the_same(
    monkeypatch: pytest.MonkeyPatch, zone: str, local: str, first: str, last: str
) -> None:
    """The C library's rules (TZ, tzset(3)) against those of zoneinfo above."""
    monkeypatch.setenv("TZ", zone)
    system_time.tzset()
    try:
        (found,) = moments([rise(datetime.fromisoformat(local))], CLOCK_FROM_MS)
    finally:
        monkeypatch.undo()
        system_time.tzset()

    assert (found.at_ms, found.latest_ms) == (ms(first), ms(last))


def test_an_offset_names_one_instant() -> None:
    planned = rise(datetime.fromisoformat("2026-03-29T02:30:00+01:00"))

    (found,) = moments([planned], CLOCK_FROM_MS, BERLIN)

    assert found.at_ms == found.latest_ms == ms("2026-03-29T01:30")


def test_a_time_of_day_comes_on_its_days() -> None:
    planned = rise(time(9), days=("sat", "mon"))
    now_ms = ms("2026-12-09T12:00")  # a Wednesday

    found = [each.at_ms for each in moments([planned], now_ms, BERLIN)]

    saturday, monday = ms("2026-12-12T08:00"), ms("2026-12-14T08:00")
    assert found == [saturday, monday]


def test_without_days_it_comes_every_day() -> None:
    found = moments([rise(time(9))], ms("2026-12-09T12:00"), UTC)

    assert [each.at_ms for each in found] == [
        ms(f"2026-12-{day:02}T09:00") for day in range(10, 18)
    ]


@pytest.mark.parametrize(("now", "holds"), [("09:59:59.999", True), ("10:00", False)])
def test_it_is_over_when_its_time_has_passed(now: str, holds: bool) -> None:
    planned = rise(datetime.fromisoformat("2026-12-09T09:00"))

    found = moments([planned], ms(f"2026-12-09T{now}"), UTC)

    assert bool(found) is holds


def test_a_long_one_of_last_week_still_stands() -> None:
    planned = rise(time(9), days=("wed",), lasts="7d")

    first, *_ = moments([planned], ms("2026-12-09T08:59"), UTC)

    assert first.at_ms == ms("2026-12-02T09:00")


@pytest.mark.parametrize(
    ("wall_ms", "holds"),
    [
        (0, False),
        (CLOCK_FROM_MS - 1, False),
        (CLOCK_FROM_MS, True),
        (CLOCK_TO_MS - 1, True),
        (CLOCK_TO_MS, False),
        (1 << 62, False),
    ],
)
def test_a_clock_that_was_never_set_knows_no_moment(wall_ms: int, holds: bool) -> None:
    """1970 is where a machine without a clock's battery begins (time(7): the Epoch)."""
    assert is_set(wall_ms) is holds
    assert bool(moments([rise(time(9))], wall_ms, UTC)) is holds


def test_they_are_in_order() -> None:
    planned = [rise(time(9)), rise(datetime.fromisoformat("2026-12-11T08:00"))]

    found = [each.at_ms for each in moments(planned, ms("2026-12-09T12:00"), UTC)]

    assert found == sorted(found)
    assert len(found) == 9
