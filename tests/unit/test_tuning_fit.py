"""What is learned from readings, from series whose device is known.

The series are made here, by integrating a known load and charger between known
switchings; nothing of the daemon or the twin is in them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, timedelta, timezone
from itertools import pairwise
from pathlib import Path
from random import Random
from statistics import fmean

import pytest

from support.tuned_device import museum_load
from tidegate.audit.given import Set
from tidegate.core.policy import HOUR_MS, MINUTE_MS, Marks, Policy
from tidegate.core.reading import BatteryStatus
from tidegate.errors import LogUnreadable
from tidegate.history import Point, Series
from tidegate.tuning.device import Device, Source
from tidegate.tuning.enough import TooShort
from tidegate.tuning.fit import fit

MONDAY_MS = 1_748_822_400_000  # 2 June 2025, 0:00 UTC
DAY_H = 24


@dataclass(frozen=True, kw_only=True)
class Known:
    """A device whose rates are known, and how it is read."""

    load: list[float]
    charger: float = 20.0
    supply: float = 40.0
    low: float = 50.0
    high: float = 60.0
    poll_s: int = 60
    step: float = 1.0
    noise: float = 0.0
    varies: float = 0.0
    slow_from: float = 200.0
    seed: int = 1

    def net(self, hour: int, level: float) -> float:
        net = min(self.charger, self.supply - self.load[hour])
        return net if level < self.slow_from or net < 0 else 0.4 * net


def lived(
    known: Known, days: float, *, start: float = 55.0, unplugged: bool = True
) -> Iterator[Point]:
    """Yield all the readings; ``varies`` is how much a load differs hour by hour."""
    random = Random(known.seed)
    level, is_on, factor = start, True, 1.0
    for number in range(round(days * 86_400 / known.poll_s)):
        at_s = number * known.poll_s
        hour = at_s // 3600 % 168
        if at_s % 3600 == 0:
            factor = max(0.0, random.gauss(1.0, known.varies))
        shown = level + random.gauss(0.0, known.noise)
        if known.step:
            shown = round(shown / known.step) * known.step
        yield Point(
            MONDAY_MS + 1000 * at_s,
            shown,
            None,
            None,
            25.0 + 2 * is_on + (hour % DAY_H >= 12),
            None,
            is_on,
            BatteryStatus.CHARGING if is_on else BatteryStatus.DISCHARGING,
        )
        if shown >= known.high and is_on and unplugged:
            is_on = False
        elif shown <= known.low and not is_on:
            is_on = True
        hours = known.poll_s / 3600
        if is_on:
            level += known.net(hour, level) * hours
        else:
            level -= known.load[hour] * factor * hours


def series(known: Known, days: float = 28, **fields: object) -> Series:
    points = tuple(lived(known, days))
    return made(points, known, **fields)


def made(points: tuple[Point, ...], known: Known, **fields: object) -> Series:
    marks = Marks(low_percent=known.low, high_percent=known.high)
    rules = Policy(marks=marks, poll_ms=1000 * known.poll_s)
    whole = Series(
        station="hall",
        path=Path("hall.db"),
        points=points,
        breaks=(),
        is_whole=known.step == 1.0,
        sign_is_trusted=False,
        is_calendar=True,
        is_log=True,
        step_s=known.poll_s,
        given=Set(policy=rules),
    )
    return replace(whole, **fields)  # type: ignore[arg-type]


def within(device: Device, known: Known, *, sigmas: float) -> float:
    """Return the share of the hours whose load is within so many of its sigmas."""
    return fmean(
        abs(rate.percent_per_h - true) <= sigmas * rate.sigma
        for rate, true in zip(device.load, known.load, strict=True)
    )


CASES = [
    pytest.param(Known(load=museum_load(1), poll_s=120, varies=0.2), id="varying"),
    pytest.param(Known(load=museum_load(2), poll_s=120), id="steady"),
    pytest.param(
        Known(load=museum_load(3), poll_s=60, noise=0.25, varies=0.15), id="noisy"
    ),
    pytest.param(
        Known(load=museum_load(4), poll_s=120, step=0.01, noise=0.02, varies=0.15),
        id="fine",
    ),
]


@pytest.mark.parametrize("known", CASES)
def test_known_loads_lie_within_their_own_sigmas(known: Known) -> None:
    """A normal error lies within two of them in 95 of 100 hours (common practice)."""
    device = fit(series(known), UTC)
    assert within(device, known, sigmas=2) > 0.88
    # And a sigma is no excuse: most of the hours are better known than they differ.
    spread = fmean(abs(each - fmean(known.load)) for each in known.load)
    assert fmean(each.sigma for each in device.load) < 0.5 * spread
    mean = fmean(known.load)
    assert device.load_mean.percent_per_h == pytest.approx(
        mean, abs=3 * device.load_mean.sigma + 0.015 * mean
    )
    assert device.rise_mean.percent_per_h == pytest.approx(known.charger, rel=0.02)
    assert device.days == pytest.approx(28, rel=0.01)


def test_charger_and_supply_are_told_apart_by_the_load() -> None:
    load = museum_load(5)
    known = Known(load=load, charger=20.0, supply=24.0)
    assert max(load) > 6
    device = fit(series(known), UTC)
    assert device.charger_percent_per_h == pytest.approx(20.0, rel=0.02)
    assert device.supply_percent_per_h == pytest.approx(24.0, rel=0.02)
    busy, quiet = 24 + 12, 3
    assert device.rise[quiet].percent_per_h == pytest.approx(20, rel=0.03)
    assert device.rise[busy].percent_per_h == pytest.approx(24 - load[busy], rel=0.05)


def test_a_limit_that_never_showed_is_not_told() -> None:
    known = Known(load=museum_load(6), charger=20.0, supply=60.0)
    device = fit(series(known, 14), UTC)
    assert device.charger_percent_per_h == pytest.approx(20.0, rel=0.02)
    assert device.supply_percent_per_h is None
    assert any("beyond load and charger" in each for each in device.notes)


def test_a_supply_that_some_hours_outrun() -> None:
    load = museum_load(7)
    known = Known(load=load, charger=9.0, supply=8.0)
    device = fit(series(known, 21), UTC)
    assert device.supply_percent_per_h == pytest.approx(8.0, rel=0.03)
    assert device.charger_percent_per_h is None
    # With visitors the supply is on all the time, and the battery gives the rest.
    busy = [24 * day + hour for day in range(1, 7) for hour in range(12, 18)]
    assert all(device.load[hour].hours < 1 for hour in busy)
    for rates, true in (
        (device.load, [load[each] for each in busy]),
        (device.rise, [8.0 - load[each] for each in busy]),
    ):
        found = [rates[each].percent_per_h for each in busy]
        assert fmean(found) == pytest.approx(fmean(true), abs=0.8)


def test_where_charging_slows_down() -> None:
    known = Known(load=museum_load(8), low=70.0, high=88.0, slow_from=80.0)
    device = fit(series(known, is_calendar=False), UTC)
    assert min(device.slowing) == 80.0
    assert device.slowing[80.0] == pytest.approx(0.4, rel=0.12)
    assert device.rise_mean.percent_per_h == pytest.approx(20, rel=0.02)


def test_how_wide_a_cycle_is_was_learned_from_cycles() -> None:
    """Whole percents take a point off, half a poll at each end adds to it."""
    known = Known(load=museum_load(1), charger=18.0, poll_s=120)
    device = fit(series(known, 14), UTC)
    fine = list(lived(replace(known, step=1e-6, low=50.5, high=59.5), 14))
    turns = [
        before.soc_percent
        for before, after in pairwise(fine)
        if before.is_fed is not after.is_fed
    ]
    true = fmean(abs(one - other) for one, other in pairwise(turns[4:])) - 10
    # What it really was: the path of the charge over the cycles.
    rates = device.load_mean.percent_per_h + 18
    late_h = 60 / 3600
    assert device.swing_extra_percent == pytest.approx(-1 + late_h * rates, abs=0.25)
    assert device.swing_extra_percent == pytest.approx(true, abs=0.1)
    assert any("cycles at the marks" in each for each in device.notes)


def test_times_nobody_saw_are_not_bridged() -> None:
    """In each gap the battery lost ten points more than it shows."""
    known = Known(load=museum_load(9), poll_s=120)
    points = list(lived(known, 28))
    kept, breaks = [], []
    for day in range(28):
        begin = day * 720
        breaks.append(len(kept))
        kept += points[begin : begin + 600]
    broken = made(tuple(kept), known, breaks=tuple(breaks[1:]))
    device = fit(broken, UTC)
    assert within(device, known, sigmas=2) > 0.88
    looked = [hour for hour in range(168) if hour % 24 < 19]
    found = fmean(device.load[each].percent_per_h for each in looked)
    assert found == pytest.approx(fmean(known.load[each] for each in looked), rel=0.02)
    # From 20:00 on nobody ever looked: the mean of all hours stands in, less sure.
    assert device.load[24 + 22].hours == 0
    assert device.load[24 + 22].sigma > 3 * device.load[24 + 4].sigma
    assert any("never seen" in each for each in device.notes)


def test_float_at_full_and_heat_and_outage() -> None:
    """Full is no charge; off by heat or without mains is a discharge like any other."""
    known = Known(load=[5.0] * 168, poll_s=120)
    points = list(lived(known, 10))
    last = points[-1].at_ms
    full = [
        points[-1]._replace(
            at_ms=last + 120_000 * n,
            soc_percent=100.0,
            is_fed=True,
            status=BatteryStatus.FULL,
        )
        for n in range(1, 2001)
    ]
    last = full[-1].at_ms
    # Heat keeps the supply off from full: 100 % down to 70 % at five points an hour.
    off = [
        points[-1]._replace(
            at_ms=last + 120_000 * n,
            soc_percent=float(round(100 - 5 * n / 30)),
            temperature_c=46.0,
            is_fed=False,
            status=BatteryStatus.DISCHARGING,
        )
        for n in range(1, 181)
    ]
    device = fit(made((*points, *full, *off), known, is_calendar=False), UTC)
    assert device.load_mean.percent_per_h == pytest.approx(5.0, rel=0.02)
    assert device.rise_mean.percent_per_h == pytest.approx(20.0, rel=0.02)
    assert device.seen_percent[1] < 65


def test_hours_of_the_week_are_those_of_the_zone() -> None:
    """Temperatures too: 25 °C, one more from noon on, two more while fed."""
    known = Known(load=museum_load(1), poll_s=120)
    device = fit(series(known, 21), timezone(timedelta(hours=3)))
    for hour in (24 + 13, 24 + 3):
        moved = device.load[hour + 3].percent_per_h
        assert moved == pytest.approx(known.load[hour], rel=0.25)
        warm = 25.0 + (hour % 24 >= 12)
        assert device.unfed_c[hour + 3] == pytest.approx(warm, abs=0.15)
        assert device.fed_c[hour + 3] == pytest.approx(warm + 2, abs=0.5)


def test_a_csv_of_charge_alone() -> None:
    """No supply, no status, no time of day: fed is what rises, hours are alike."""
    known = Known(load=[4.0] * 168, charger=16.0, poll_s=120)
    points = tuple(
        each._replace(is_fed=None, status=BatteryStatus.UNKNOWN, temperature_c=None)
        for each in lived(known, 5)
    )
    bare = made(
        points, known, is_calendar=False, is_log=False, given=Set(policy=Policy())
    )
    device = fit(bare, UTC)
    assert not device.is_calendar
    assert len(device.load) == len(device.rise) == 168
    assert device.load[100].percent_per_h == pytest.approx(4.0, rel=0.03)
    assert device.rise[100].percent_per_h == pytest.approx(16.0, rel=0.06)
    assert device.fed_c == device.unfed_c == ()
    assert any("assumed" in each for each in device.notes)
    assert any("no time of day" in each for each in device.notes)


@pytest.mark.parametrize(
    ("design_ah", "with_counter", "source", "ah"),
    [
        (7.0, False, Source.SETTINGS, 7.0),
        (None, True, Source.GAUGE, 6.2),
        (None, False, None, None),
    ],
)
def test_where_the_capacity_is_from(
    design_ah: float | None,
    with_counter: bool,
    source: Source | None,
    ah: float | None,
) -> None:
    known = Known(load=[6.0] * 168, poll_s=120)
    points = tuple(lived(known, 3))
    if with_counter:
        # A gauge that makes its charge up from its percent.
        points = tuple(
            each._replace(charge_ah=round(0.062 * each.soc_percent, 3))
            for each in points
        )
    rules = made(points, known).given.policy
    found = fit(
        made(
            points,
            known,
            is_calendar=False,
            given=Set(policy=rules, design_ah=design_ah),
        ),
        UTC,
    )
    if source is None:
        assert found.capacity is None
    else:
        assert found.capacity is not None
        assert found.capacity.source is source
        assert found.capacity.ah == pytest.approx(ah)


def test_a_capacity_that_was_measured() -> None:
    """A counter with an origin of its own, over swings of 40 points."""
    known = Known(load=[6.0] * 168, low=30.0, high=72.0, poll_s=120)
    charge, points, last = 3.0, [], None
    for each in lived(known, 6):
        # The counter follows the true charge, which the rounded one is near to.
        if last is not None:
            hours = (each.at_ms - last.at_ms) / HOUR_MS
            charge += 0.065 * hours * (20.0 if last.is_fed else -6.0)
        points.append(each._replace(charge_ah=round(charge, 3)))
        last = each
    device = fit(made(tuple(points), known, is_calendar=False), UTC)
    assert device.capacity is not None
    assert device.capacity.source is Source.MEASURED
    assert device.capacity.sigma_ah is not None
    assert device.capacity.ah == pytest.approx(6.5, abs=3 * device.capacity.sigma_ah)


def test_a_battery_that_was_never_used_or_never_charged() -> None:
    known = Known(load=[6.0] * 168, poll_s=120)
    always_fed = made(tuple(lived(known, 2, unplugged=False)), known)
    with pytest.raises(
        TooShort, match="never show the device run on its battery"
    ) as no:
        fit(always_fed, UTC)
    assert "switch the supply off" in no.value.remedy
    off = tuple(each for each in lived(known, 2) if not each.is_fed)
    with pytest.raises(TooShort, match="never show the device charge"):
        fit(made(off, known, breaks=tuple(range(40, len(off), 40))), UTC)
    short = tuple(lived(known, 0.2))
    with pytest.raises(TooShort, match="6 h and 3 points are needed") as few:
        fit(made(short, known), UTC)
    assert isinstance(few.value, LogUnreadable)
    assert few.value.remedy


def test_a_battery_that_is_held_is_not_used() -> None:
    """Fed and not charging it may sink by itself; that is no load."""
    known = Known(load=[6.0] * 168, poll_s=120)
    points = [
        each._replace(
            is_fed=True,
            status=BatteryStatus.NOT_CHARGING,
            soc_percent=float(60 - number // 720),
        )
        for number, each in enumerate(lived(known, 5))
    ]
    with pytest.raises(TooShort, match="never show the device run on its battery"):
        fit(made(tuple(points), known), UTC)


def test_a_load_lighter_than_a_step_between_two_charges() -> None:
    """The daemon takes a gauge for frozen that shows no step for an hour.

    So each discharge of the night ends after an hour and shows one step or none; what
    the nights take is seen across the charges between them.
    """
    load = [6.0 if 9 <= hour % 24 < 18 else 0.8 for hour in range(168)]
    known = Known(load=load, charger=15.0, poll_s=60)
    points, level, is_on, since_ms = [], 55.0, True, 0
    shown = round(level)
    for number in range(21 * 1440):
        at_ms = number * MINUTE_MS
        hour = at_ms // HOUR_MS % 168
        if round(level) != shown:
            shown, since_ms = round(level), at_ms
        points.append(
            Point(
                MONDAY_MS + at_ms,
                float(shown),
                None,
                None,
                None,
                None,
                is_on,
                BatteryStatus.CHARGING if is_on else BatteryStatus.DISCHARGING,
            )
        )
        if is_on and shown >= 60:
            is_on, since_ms = False, at_ms
        elif not is_on and (shown <= 50 or at_ms - since_ms > HOUR_MS):
            is_on, since_ms = True, at_ms
        level += (15.0 if is_on else -load[hour]) / 60
    device = fit(made(tuple(points), known), UTC)
    night = fmean(device.load[day * 24 + 3].percent_per_h for day in range(7))
    assert night == pytest.approx(0.8, abs=0.08)
    assert device.load_mean.percent_per_h == pytest.approx(fmean(load), rel=0.03)
