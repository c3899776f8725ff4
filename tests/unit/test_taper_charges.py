"""Charges are found in a series, whatever stands around them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from tidegate.audit.given import Set
from tidegate.core.policy import HOUR_MS, MINUTE_MS, Policy
from tidegate.core.reading import BatteryStatus
from tidegate.history import Point, Series
from tidegate.taper.charges import Charge, charges
from tidegate.taper.curve import Curve

T0 = 1_772_431_200_000


def point(minute: float, soc: float, *, fed: bool | None = True) -> Point:
    at_ms = T0 + round(minute * MINUTE_MS)
    return Point(at_ms, soc, None, None, None, None, fed, BatteryStatus.UNKNOWN)


def series(points: list[Point]) -> Series:
    most = 12 * MINUTE_MS
    return Series(
        station="hall",
        path=Path("hall.csv"),
        points=tuple(points),
        breaks=tuple(
            place
            for place in range(1, len(points))
            if points[place].at_ms - points[place - 1].at_ms > most
        ),
        is_whole=all(each.soc_percent.is_integer() for each in points),
        sign_is_trusted=True,
        is_calendar=True,
        is_log=False,
        step_s=60.0,
        given=Set(policy=Policy()),
    )


def rise(low: int, high: int, *, minutes: float = 1.0, begin: float = 0) -> list[Point]:
    """Return a point every percent, each so many minutes after the one before."""
    return [
        point(begin + minutes * place, float(soc))
        for place, soc in enumerate(range(low, high + 1))
    ]


def only(points: list[Point]) -> Charge:
    (found,) = charges(series(points))
    return found


def test_a_rise_is_a_charge_from_its_lowest_reading_on() -> None:
    falling = [point(-10 + place, 30.0 - place) for place in range(10)]

    found = only([*falling, *rise(20, 100)])

    assert found.start_percent == 20
    assert found.top_percent == 100
    assert found.from_ms == T0
    assert found.reached_ms == T0 + 80 * MINUTE_MS


@pytest.mark.parametrize(
    ("low", "high", "count"), [(50, 64, 0), (50, 65, 1)], ids=["14 points", "15 points"]
)
def test_a_small_rise_is_none(low: int, high: int, count: int) -> None:
    assert len(charges(series(rise(low, high)))) == count


def test_a_window_shows_no_charge() -> None:
    swings = [
        point(minute, 60.0 + 5 * (-1) ** (minute // 60), fed=minute // 60 % 2 == 0)
        for minute in range(0, 2_000, 5)
    ]

    assert charges(series(swings)) == []


def test_a_fall_of_more_than_two_points_ends_it() -> None:
    again = [point(100 + minute, 97.0 - minute, fed=False) for minute in range(60)]

    first, second = charges(series([*rise(20, 100), *again, *rise(37, 90, begin=200)]))

    assert first.until_ms == T0 + 80 * MINUTE_MS
    assert second.start_percent == 37
    assert second.top_percent == 90


def test_noise_of_a_point_ends_nothing() -> None:
    noisy = [
        replace_soc(each, each.soc_percent + 0.9 * (-1) ** place)
        for place, each in enumerate(rise(20, 98))
    ]

    assert only(noisy).top_percent == pytest.approx(98.9)


def replace_soc(of: Point, soc: float) -> Point:
    return of._replace(soc_percent=soc)


def test_a_short_pause_is_left_out_of_the_hours_and_a_long_one_ends_it() -> None:
    first = rise(20, 60)
    away = [point(40 + minute, 60.0, fed=False) for minute in range(1, 21)]
    later = rise(60, 100, begin=61)

    found = only([*first, *away, *later])

    assert found.top_percent == 100
    assert found.charging_ms(found.until_ms) == 81 * MINUTE_MS
    long_away = [point(40 + minute, 60.0, fed=False) for minute in range(1, 41)]
    parts = charges(series([*first, *long_away, *rise(60, 100, begin=90)]))
    assert [each.top_percent for each in parts] == [60, 100]


def test_a_gap_in_a_rise_is_kept_and_hours_without_a_look_end_it() -> None:
    first, later = rise(20, 60), rise(75, 100, begin=60)

    found = only([*first, *later])

    assert found.gaps == ((T0 + 40 * MINUTE_MS, T0 + 60 * MINUTE_MS),)
    apart = charges(series([*first, *rise(75, 100, begin=40 + 3 * 60 + 1)]))
    assert [each.start_percent for each in apart] == [20, 75]


def test_of_weeks_at_full_three_hours_are_kept() -> None:
    stay = [point(80 + 10 * place, 100.0) for place in range(1, 2_000)]

    found = only([*rise(20, 100), *stay])

    assert found.until_ms == found.reached_ms + 3 * HOUR_MS


def test_a_level_is_crossed_between_two_reads() -> None:
    """Whole percents: the moment of the change is known to half a step."""
    curve = Curve(only(rise(20, 100, minutes=6)), is_whole=True, sign=1)

    assert curve.hours(40, 60) == pytest.approx(2.0)
    assert curve.sigma_h(40, 60) == pytest.approx(0.1 * (2 / 12) ** 0.5)
    assert curve.hours(20, 40) is None, "when it was at 20 % first is not known"
    assert curve.hours(40, 101) is None


def test_steps_of_many_points_are_crossed_in_proportion() -> None:
    coarse = [point(10 * place, 20.0 + 8 * place) for place in range(11)]
    curve = Curve(only(coarse), is_whole=True, sign=1)

    assert curve.hours(40, 60) == pytest.approx(20 / 8 / 6, rel=0.01)


def test_a_gap_counts_in_the_part_that_it_lies_in() -> None:
    curve = Curve(
        only([*rise(20, 82), *rise(90, 100, begin=182)]), is_whole=True, sign=1
    )

    assert curve.gap_h(80, 100) == pytest.approx(2.0)
    assert curve.gap_h(60, 80) == 0


def test_parts_carry_what_was_measured_in_them() -> None:
    told = [
        each._replace(voltage_v=4.0, current_a=-2.0, temperature_c=25.0)
        for each in rise(20, 100)
    ]
    curve = Curve(only(told), is_whole=True, sign=-1)

    assert {part.current_a for part in curve.parts} == {2.0}
    assert {part.power_w for part in curve.parts} == {8.0}
    assert curve.parts[0].low_percent == 25
    assert curve.parts[-1].high_percent == 100
    assert curve.parts[3].rate_percent_h == pytest.approx(60)


def test_readings_that_change_nothing_change_nothing() -> None:
    plain = series(rise(20, 100, minutes=3))
    doubled = replace(
        plain, points=tuple(p for each in plain.points for p in (each, each))
    )

    assert [c.reached_ms for c in charges(doubled)] == [
        c.reached_ms for c in charges(plain)
    ]
