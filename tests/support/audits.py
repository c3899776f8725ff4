"""Audits made by hand. All of their numbers are invented."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from support.pictures import all_along
from tidegate.audit.result import (
    AlarmSpan,
    AtThisPace,
    Audit,
    Bin,
    Cycles,
    Gap,
    HalfCycles,
    Head,
    Measured,
    Readings,
    Soc,
    Step,
    Switchings,
    Temperature,
)
from tidegate.core.policy import Marks, Policy
from tidegate.report.story import Span, Story
from tidegate.wear.account import Account, ModelLoss

T0 = round(datetime(2025, 1, 1, tzinfo=UTC).timestamp() * 1000)
HOUR = 3_600_000
DAY = 24 * HOUR
MARKS = Marks(low_percent=55, high_percent=65)
LINK = "0f" * 32

LOSSES = (
    # name, duty, float, hold, outside, counts
    ("schmalstieg2014", 7.2, 4.4, 2.7, (), True),
    ("nca_keil_preger", 4.5, 6.9, 4.3, ("depth 10 % (tested 80 to 100 %)",), True),
    ("kokam_nmc", 1.7, 5.1, 1.2, ("depth 10 % (tested 80 to 100 %)",), True),
    ("xu2016", 7.75, 7.4, 6.1, (), True),
    ("naumann_lfp", 4.3, 6.8, 4.3, ("chemistry is not LFP",), False),
)


def account(losses=LOSSES, *, days=365.0):
    return Account(
        models=tuple(
            ModelLoss(
                name=name,
                loss_percent=duty,
                float_loss_percent=floated,
                hold_loss_percent=held,
                outside=outside,
                counts=counts,
            )
            for name, duty, floated, held, outside, counts in losses
        ),
        days=days,
        efc_per_year=292.0,
        hold_percent=60.0,
    )


def charge(
    seconds_by_low=((50, 4e6), (55, 1.2e7), (60, 1.3e7), (65, 1.9e6), (95, 700)),
):
    seconds = dict(seconds_by_low)
    return Soc(
        mean_percent=59.6,
        lowest_percent=41.0,
        highest_percent=97.0,
        hours_above_80_percent=0.2,
        in_window_percent=92.6,
        window_s=361.7 * 86_400,
        histogram=tuple(
            Bin(low=low, high=low + 5, seconds=seconds.get(low, 0.0))
            for low in range(0, 100, 5)
        ),
    )


def heat(seconds_by_low=((15, 2e6), (20, 1.6e7), (25, 1.1e7), (30, 2e6), (45, 9e3))):
    seconds = dict(seconds_by_low)
    lows = range(min(seconds), max(seconds) + 5, 5)
    return Temperature(
        sensor="battery",
        mean_c=24.1,
        lowest_c=16.0,
        highest_c=46.2,
        hours_above_45_c=2.5,
        histogram=tuple(
            Bin(low=low, high=low + 5, seconds=seconds.get(low, 0.0)) for low in lows
        ),
        assumed_c=None,
    )


NO_CHARGE = Soc(
    mean_percent=None,
    lowest_percent=None,
    highest_percent=None,
    hours_above_80_percent=0.0,
    in_window_percent=None,
    histogram=tuple(Bin(low=low, high=low + 5, seconds=0) for low in range(0, 100, 5)),
)
NO_HEAT = Temperature(
    sensor=None,
    mean_c=None,
    lowest_c=None,
    highest_c=None,
    hours_above_45_c=0.0,
    histogram=(),
    assumed_c=25.0,
)
NO_SWITCHING = Switchings(
    count=0,
    per_day=None,
    unconfirmed=0,
    missing=0,
    reasons=(),
    operations=0,
    life=None,
    life_years=None,
)
SWITCHINGS = Switchings(
    count=5_840,
    per_day=16.0,
    unconfirmed=3,
    missing=2,
    reasons=(
        ("at_low_mark", 2_911),
        ("at_high_mark", 2_903),
        ("below_floor", 14),
        ("relay_external_change", 12),
    ),
    operations=5_840,
    life=100_000,
    life_years=17.1,
    operations_of_log=5_840,
)
HALF_CYCLES = tuple(
    HalfCycles(depth_percent=depth, mean_percent=mean, count=count)
    for depth, mean, count in (
        (1.0, 57.5, 9_310.5),
        (1.0, 63.5, 412.0),
        (4.0, 58.0, 77.0),
        (10.0, 60.0, 2_871.0),
        (11.0, 60.5, 33.5),
        (24.0, 53.0, 2.0),
        (56.0, 69.0, 0.5),
    )
)
NOT_MEASURED = Measured(
    capacity_ah=None,
    capacity_sigma_ah=None,
    swings=0,
    design_ah=None,
    resistance_ohm=None,
    steps=(),
    why_no_capacity="No swing of 30 points was seen.",
    why_no_resistance="The gauge gives no current.",
)
MEASURED = Measured(
    capacity_ah=6.31,
    capacity_sigma_ah=0.09,
    swings=7,
    design_ah=7.0,
    resistance_ohm=0.121,
    steps=tuple(
        Step(
            at_ms=T0 + day * DAY,
            ohm=0.112 + 0.00005 * day + 0.004 * (day % 7) / 7,
            soc_percent=60.0,
            temperature_c=24.0,
        )
        for day in range(0, 365, 3)
    ),
    why_no_capacity="",
    why_no_resistance="",
)
GAPS = (
    Gap(from_ms=T0 + 150 * DAY, until_ms=T0 + 153 * DAY, why="no_daemon"),
    Gap(from_ms=T0 + 20 * DAY, until_ms=T0 + 20 * DAY + 7 * HOUR, why="gauge_failed"),
)
ALARMS = (
    AlarmSpan(
        code="battery_hot", from_ms=T0 + 200 * DAY, until_ms=T0 + 200 * DAY + 2 * HOUR
    ),
    AlarmSpan(
        code="gauge_lost", from_ms=T0 + 20 * DAY, until_ms=T0 + 20 * DAY + 7 * HOUR
    ),
    AlarmSpan(code="relay_no_effect", from_ms=T0 + 360 * DAY, until_ms=None),
)


def audit(**changes):
    """Return the audit of a year of a wall guide, or one that differs."""
    days = changes.pop("days", 365)
    made = Audit(
        station="hall",
        head=Head(
            path=Path("museum.db"), link=LINK, number=41_234, row=152_007, wall_ms=T0
        ),
        version="0.1.0",
        from_ms=T0,
        until_ms=T0 + round(days * DAY),
        marks=MARKS,
        floor_percent=25.0,
        chemistry="unknown",
        readings=Readings(
            count=1_040_512,
            rejected=37,
            failed=840,
            covered_s=361.7 * 86_400,
            gaps=GAPS,
            lost_rows=0,
        ),
        cycles=Cycles(half_cycles=HALF_CYCLES, efc=292.0, efc_per_year=292.0),
        soc=charge(),
        temperature=heat(),
        switchings=SWITCHINGS,
        alarms=ALARMS,
        wear=account(),
        measured=MEASURED,
        notes=("All numbers of this page are invented.",),
    )
    return replace(made, **changes)


def told_of(made):
    """Return a story to an audit: charge between the marks, two hours a way."""
    hours = max(1, (made.until_ms - made.from_ms) // HOUR)
    times = [
        min(made.from_ms + hour * HOUR, made.until_ms) for hour in range(hours + 1)
    ]
    gap_at = [(gap.from_ms, gap.until_ms) for gap in made.readings.gaps]
    soc, heat_lines, last = [], [], None
    for index, at in enumerate(times):
        if any(begin <= at < end for begin, end in gap_at):
            last = None
            continue
        if last is None:
            soc.append([])
            heat_lines.append([])
        last = at
        soc[-1].append((at, 55.0 + 5 * abs(2 - index % 4)))
        heat_lines[-1].append((at, 22.0 + (index % 24) / 6))
    return Story(
        station=made.station,
        policy=Policy(marks=made.marks, floor_percent=made.floor_percent),
        from_ms=made.from_ms,
        until_ms=made.until_ms,
        in_force=all_along(made.marks, made.floor_percent, made.from_ms, made.until_ms),
        soc=soc if made.soc.lowest_percent is not None else [],
        heat=heat_lines if made.temperature.histogram else [],
        supply=[
            Span(at, at + 2 * HOUR, "off" if index % 2 else "on")
            for index, at in enumerate(times[:-2:2])
        ]
        if made.switchings.count
        else [],
        alarms=[
            Span(
                each.from_ms,
                each.until_ms or made.until_ms,
                each.code,
                stands=each.until_ms is None,
            )
            for each in made.alarms
        ],
    )


def plain(days=5.0):
    """Return an audit of a station that only measures, with hardly anything known."""
    return audit(
        days=days,
        station="cellar",
        marks=None,
        windows=0,
        readings=Readings(
            count=1, rejected=1, failed=0, covered_s=0.0, gaps=(), lost_rows=0
        ),
        cycles=Cycles(half_cycles=(), efc=0.0, efc_per_year=None),
        soc=NO_CHARGE,
        temperature=NO_HEAT,
        switchings=NO_SWITCHING,
        alarms=(),
        wear=None,
        measured=NOT_MEASURED,
        notes=(),
    )


def week():
    """Return the audit of a week, with more of the same."""
    ahead = tuple(
        AtThisPace(
            years=years,
            account=account(
                [
                    (name, factor * duty, factor * floated, factor * held, *rest)
                    for name, duty, floated, held, *rest in LOSSES
                ],
                days=365.0 * years,
            ),
        )
        for years, factor in ((1, 1.0), (3, 1.7))
    )
    shorter = [
        (name, 0.1 * duty, 0.1 * floated, 0.1 * held, *rest)
        for name, duty, floated, held, *rest in LOSSES
    ]
    return audit(
        days=7,
        wear=account(shorter, days=7),
        at_this_pace=ahead,
        alarms=(),
        readings=replace(audit().readings, gaps=(), covered_s=7 * 86_400.0),
        soc=replace(charge(), window_s=7 * 86_400.0),
        measured=NOT_MEASURED,
    )


def changed(value, **changes):
    """Return a value with these fields instead."""
    return replace(value, **changes)
