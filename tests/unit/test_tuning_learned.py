"""What a fit tells beside rates: delays, size, temperatures, the steepest load.

And whom it refuses. All devices are invented.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import UTC
from pathlib import Path

import pytest

from support.audit_log import AuditLog
from support.tuned_device import candidate
from support.tuned_series import MONDAY_MS, kept, moved, point, read
from tidegate.audit.given import Set
from tidegate.core.policy import HOUR_MS, MINUTE_MS, Policy, Proof
from tidegate.core.reading import BatteryStatus
from tidegate.history import Point, Series, opened
from tidegate.tuning import seen
from tidegate.tuning.course import course
from tidegate.tuning.device import Device, Source
from tidegate.tuning.enough import TooShort
from tidegate.tuning.fit import fit
from tidegate.tuning.site import GUESSED_C, YEAR_H, Site
from tidegate.tuning.spans import Moment
from tidegate.tuning.steepest import steepest_percent_per_h
from tidegate.tuning.weekly import Way, Weekly, fitted


@pytest.fixture(scope="module", autouse=True)
def _hours_are_fitted_once() -> Iterator[None]:
    """Most readings here differ beside the levels only: one fit of the hours for all."""
    known: dict[str, Weekly] = {}

    def remembered(ways: Sequence[Way], **how: Sequence[float] | None) -> Weekly:
        asked = repr((ways, how))
        if asked not in known:
            known[asked] = fitted(ways, **how)
        return known[asked]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(seen, "fitted", remembered)
        yield


def between(low: float, high: float, days: float = 4, **how: object) -> list[Point]:
    """Return readings between two marks: 4 points an hour of load, 16 of charge."""
    points, _, _ = kept(
        days,
        lambda _: 16.0,
        lambda _: 4.0,
        low=low,
        high=high,
        **how,  # type: ignore[arg-type]
    )
    return points


def cycling(**fields: object) -> Series:
    return read(between(55, 65), **fields)


# --- delays ---------------------------------------------------------------------------


@pytest.mark.parametrize("step_min", [1, 15])
def test_how_often_a_file_was_written_is_no_delay_of_the_daemon(step_min: int) -> None:
    """The closed form of a limit cycle (elementary kinematics), half a poll of 30 s."""
    points = between(40, 80, 14, is_whole=False, step_min=step_min, second_s=30)
    poll = {"poll_ms": MINUTE_MS / 2}
    series = read(points, is_log=False, is_whole=False, step_s=60.0 * step_min)
    series = replace(series, given=Set(policy=replace(series.given.policy, **poll)))
    found = fit(series, UTC)
    assert found.delay_h == pytest.approx(15 / 3600)
    told = course(Site(found), candidate(55, 60), series.given.policy)
    swing = 5 + 15 / 3600 * 20
    assert told.switchings_per_year == pytest.approx(
        2 * YEAR_H / (swing / 4 + swing / 16), rel=0.02
    )


def test_a_lag_that_a_file_shows_comes_on_top_of_half_a_poll() -> None:
    """The marks were looked at every 10 min only; the daemon's poll is 1 min.

    How wide the cycles were is the way of the charge over the switchings.
    """
    points, switchings, efc = kept(
        14,
        lambda _: 16.0,
        lambda _: 4.0,
        low=55,
        high=65,
        is_whole=False,
        second_s=600,
    )
    series = read(points, is_log=False, is_whole=False, step_s=600.0)
    found = fit(series, UTC)
    late_h = (200 * efc / switchings - 10) / 20
    assert late_h > 0.02
    assert found.delay_h == pytest.approx(late_h, rel=0.1)
    assert found.rest_percent == pytest.approx(0.0)


def test_what_is_told_of_a_swing_adds_up() -> None:
    """Extra = rest - step + delay x (load + net charge)."""
    found = fit(cycling(), UTC)
    assert found.rest_percent is not None
    assert Site(found).rest_percent == found.rest_percent
    assert found.swing_extra_percent == pytest.approx(
        found.rest_percent - 1 + found.delay_h * (4.0 + 16.0), abs=0.01
    )
    bare = replace(found, rest_percent=None)
    assert bare.unexplained_percent == pytest.approx(found.rest_percent)


# --- size -----------------------------------------------------------------------------


def counted(points: Sequence[Point], *, begins_ah: float, ah: float = 6.5) -> Series:
    """Return a series with a charge counter that follows the true charge."""
    charge, last, found = begins_ah, None, []
    for each in points:
        if last is not None:
            rate = 16.0 if last.is_fed else -4.0
            charge += ah / 100 * rate * (each.at_ms - last.at_ms) / HOUR_MS
        found.append(each._replace(charge_ah=round(charge, 3)))
        last = each
    return read(found)


@pytest.mark.slow
@pytest.mark.parametrize("begins_ah", [3.8, 0.0, -5.0, 250.0])
def test_a_charge_counter_may_begin_anywhere(begins_ah: float) -> None:
    """It is for relative use only: same capacity, whatever its origin.

    Source: Linux kernel, power_supply_class.rst, CHARGE_COUNTER: may be negative, and
    has no full and no empty (from memory).
    """
    found = fit(counted(between(55, 65), begins_ah=begins_ah), UTC)
    assert found.capacity is not None
    assert found.capacity.source is Source.GAUGE
    assert found.capacity.ah == pytest.approx(6.5, rel=0.03)


def test_a_counter_that_counts_the_other_way_or_stands_tells_no_size() -> None:
    points = between(55, 65)
    assert fit(counted(points, begins_ah=4.0, ah=-6.5), UTC).capacity is None
    assert fit(counted(points, begins_ah=4.0, ah=0.0), UTC).capacity is None


def test_a_counter_that_was_read_for_a_part_only() -> None:
    points = counted(between(55, 65), begins_ah=2.0).points
    half = len(points) // 2
    some = [
        each if number > half else each._replace(charge_ah=None)
        for number, each in enumerate(points)
    ]
    found = fit(read(some), UTC).capacity
    assert found is not None
    assert found.ah == pytest.approx(6.5, rel=0.03)
    few = [
        each if number < 40 else each._replace(charge_ah=None)
        for number, each in enumerate(points)
    ]
    assert fit(read(few), UTC).capacity is None


# --- temperatures ---------------------------------------------------------------------


def warmed(points: Sequence[Point], *, fed_c: float, unfed_c: float) -> list[Point]:
    return [
        each._replace(temperature_c=fed_c if each.is_fed else unfed_c)
        for each in points
    ]


def rested(points: Sequence[Point], days: float, celsius: float) -> list[Point]:
    """Return them with a rest at a level after them: fed, and not charging."""
    begin = round((points[-1].at_ms - MONDAY_MS) / MINUTE_MS) + 1
    return [
        *points,
        *(
            point(minute, 60, is_fed=True, temperature_c=celsius)._replace(
                status=BatteryStatus.NOT_CHARGING
            )
            for minute in range(begin, begin + round(days * 1440))
        ),
    ]


def test_a_battery_that_rests_while_fed_has_its_own_temperature() -> None:
    points = warmed(between(55, 65), fed_c=36.0, unfed_c=30.0)
    found = fit(read(rested(points, 3, 28.0)), UTC)
    # Not in that of a charge, which is warmer by its own heat.
    assert found.fed_c == pytest.approx([36.0] * 168, abs=0.2)
    assert found.unfed_c == pytest.approx([30.0] * 168, abs=0.2)
    # Where no rest was seen it is by 2 °C under what is not fed, as where it was.
    assert found.held_c == pytest.approx([28.0] * 168, abs=0.2)
    site = Site(found)
    assert {site.heats[each] for each in site.held_heat} == {28.0}


def test_without_a_rest_what_is_held_is_as_warm_as_what_is_not_fed() -> None:
    points = warmed(between(55, 65), fed_c=36.0, unfed_c=30.0)
    for short in (0, 0.02):
        found = fit(read(rested(points, short, 50.0)), UTC)
        assert found.held_c == found.unfed_c
    site = Site(found)
    assert site.held_heat == site.unfed_heat
    assert len(site.held_heat) == len(site.fed_heat)


def test_without_any_temperature_there_is_none_and_no_sensor() -> None:
    found = fit(cycling(sensor="pack"), UTC)
    assert found.fed_c == found.unfed_c == found.held_c == ()
    assert found.sensor is None
    site = Site(found)
    assert {site.heats[each] for each in site.held_heat} == {GUESSED_C}


def test_a_temperature_has_its_sensor_beside_it() -> None:
    points = warmed(between(55, 65), fed_c=36.0, unfed_c=30.0)
    assert fit(read(points, sensor="pack"), UTC).sensor == "pack"
    assert fit(read(points), UTC).sensor is None


def test_the_sensor_is_the_last_that_the_log_names(tmp_path: Path) -> None:
    log = AuditLog(tmp_path / "cycles.db")
    log.begin()
    log.battery(temperature_sensor="board")
    log.read(0, 50)
    log.battery(30, temperature_sensor="pack")
    log.read(30, 51)
    log.battery(60, temperature_sensor=None)
    log.read(60, 52)
    assert opened(log.close(), "hall").sensor == "pack"


def test_a_log_without_a_thermometer_names_none(tmp_path: Path) -> None:
    log = AuditLog(tmp_path / "cycles.db")
    log.begin()
    log.battery(temperature_sensor=None)
    log.read(0, 50, celsius=None)
    assert opened(log.close(), "hall").sensor is None


def test_the_sensor_is_the_last_that_a_csv_names(tmp_path: Path) -> None:
    path = tmp_path / "by-hand.csv"
    path.write_text(
        "time,soc_percent,temperature_c,temperature_sensor\n"
        "0,50,24,board\n60,51,24.5,skin\n120,52,25,\n180,53,,pack\n",
        encoding="utf-8",
    )
    assert opened(path, None).sensor == "skin"


# --- the steepest load, where no hour of the week is known ----------------------------


def of_two_loads(**fields: object) -> Device:
    """From 80 % down to 40 %: 6 points an hour from 9 to 17, else 2, without times."""
    points, _, _ = kept(
        6,
        lambda _: 20.0,
        lambda hour: 6.0 if 9 <= hour % 24 < 17 else 2.0,
        low=40,
        high=80,
    )
    return fit(read(points, is_calendar=False, is_log=False, **fields), UTC)


def test_the_steepest_load_without_a_time_of_day() -> None:
    found = of_two_loads()
    assert found.load_mean.percent_per_h < 4.5
    assert found.steepest_percent_per_h == pytest.approx(6.0, rel=0.03)


def test_hours_of_the_week_tell_it_themselves() -> None:
    assert fit(cycling(), UTC).steepest_percent_per_h is None


def fallen(*minutes: float, start: float = 60.5) -> list[Moment]:
    """Return a discharge with a step of the gauge at each minute."""
    return [
        Moment(MONDAY_MS + minute * MINUTE_MS, start - step, 0.5 * MINUTE_MS, 1)
        for step, minute in enumerate(minutes)
    ]


def test_one_step_too_many_or_too_early_is_no_steeper_load() -> None:
    steady = fallen(*range(0, 361, 30))
    assert steepest_percent_per_h([steady], []) == pytest.approx(2.0)
    early = fallen(0, 30, 60, 90, 91, 150, 180, 210, 240)
    assert steepest_percent_per_h([early], []) == pytest.approx(2.0, rel=0.03)
    # Two points at once, where the gauge corrects itself.
    jumped = fallen(0, 30, 60, 90, 90.5, 120, 150, 180, 210)
    assert steepest_percent_per_h([jumped], []) == pytest.approx(2.0, rel=0.03)


def test_an_hour_of_a_heavy_load_is_found_among_light_ones() -> None:
    heavy = [120 + 7.5 * step for step in range(1, 17)]
    trace = fallen(*range(0, 121, 30), *heavy, *range(270, 400, 30))
    assert steepest_percent_per_h([trace], []) == pytest.approx(8.0)


def test_what_falls_while_fed_is_a_load_too() -> None:
    """Kirchhoff's current law: load >= what falls while the supply is on."""
    unfed = fallen(*range(0, 361, 30))
    sagging = fallen(*range(0, 181, 15))
    assert steepest_percent_per_h([unfed], [sagging]) == pytest.approx(4.0)
    rising = [
        each._replace(level_percent=20.0 + step) for step, each in enumerate(sagging)
    ]
    assert steepest_percent_per_h([unfed], [rising]) == pytest.approx(2.0)


@pytest.mark.parametrize("minutes", [(), (0,), (0, 20, 40, 55), (0, 40, 80)])
def test_what_never_lasted_an_hour_and_three_steps_tells_none(
    minutes: tuple[float, ...],
) -> None:
    assert steepest_percent_per_h([fallen(*minutes)], []) is None


# --- who is refused -------------------------------------------------------------------


def under(**rules: object) -> Set:
    return Set(policy=replace(Policy(poll_ms=MINUTE_MS), **rules))  # type: ignore[arg-type]


def test_a_relay_that_stops_the_charging_only_never_shows_the_load() -> None:
    """Off: the supply carries the device, and the battery stands still."""
    points = [
        point(minute, min(65, 55 + minute // 4), is_fed=True)
        if minute < 40
        else point(minute, 65, is_fed=True)._replace(status=BatteryStatus.NOT_CHARGING)
        for minute in range(5000)
    ]
    with pytest.raises(TooShort, match="never show the device run") as refused:
        fit(read(points, given=under(proof=Proof.CHARGING)), UTC)
    assert "Unplug the device while the daemon reads it, for 8 hours" in str(
        refused.value.remedy
    )
    assert "override" not in refused.value.remedy
    with pytest.raises(TooShort, match="never show the device run") as other:
        fit(read(points), UTC)
    assert "override" in other.value.remedy


@pytest.mark.parametrize("load", [1.0, 3.5])
def test_the_remedy_of_a_hold_is_enough(load: float) -> None:
    """Charged, held, unplugged for 8 h in all, plugged in again."""

    def way(hour: float) -> tuple[float, bool]:
        if hour < 2:
            return 10.0, True
        return (-load, False) if hour < 10 else (10.0, True)

    points = moved(11.5 / 24, way, start=45.0)
    found = fit(read(points, given=under(proof=Proof.CHARGING)), UTC)
    assert found.load_mean.percent_per_h == pytest.approx(load, rel=0.05)
