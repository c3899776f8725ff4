"""Charge rates by band of the level. All numbers are invented; expected values are
worked out by hand from rate = points / hours.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from support.cyclelog_rows import WALL_MS, clock, reading, run
from tidegate.cyclelog.writer import Writer
from tidegate.plans.past import rates_of_log
from tidegate.plans.rates import UNLEARNED_PERCENT_AN_HOUR, Rates, Seen

MINUTE = 60_000
HOUR = 60 * MINUTE
DAY = 24 * HOUR
WALL = 1_796_688_000_000  # 2026-12-08


def charged(
    rates: Rates,
    *,
    start: int,
    end: int,
    rate: float,
    at_ms: int = 0,
    wall_ms: int = WALL,
    every_ms: int = MINUTE,
) -> None:
    """Charge from a level to another one, as a gauge in whole percents tells it."""
    rates.take(Seen(at_ms=at_ms, wall_ms=wall_ms, soc_percent=start, is_charging=False))
    for n in range(1, round((end - start) / rate * HOUR / every_ms) + 2):
        passed_ms = n * every_ms
        level = float(int(start + rate * passed_ms / HOUR + 1e-9))
        rates.take(
            Seen(
                at_ms=at_ms + passed_ms,
                wall_ms=wall_ms + passed_ms,
                soc_percent=min(level, end),
                is_charging=True,
            )
        )
    last = at_ms + passed_ms + MINUTE
    rates.take(
        Seen(
            at_ms=last,
            wall_ms=wall_ms + last - at_ms,
            soc_percent=end,
            is_charging=False,
        )
    )


def test_before_anything_is_learned_it_is_slow() -> None:
    rates = Rates()

    assert not rates.is_learned(WALL)
    assert rates.percent_an_hour(60, WALL) == UNLEARNED_PERCENT_AN_HOUR == 5.0
    # 20 points at 5 and 10 points at half of it: 4 h and 4 h.
    assert rates.ms_between(60, 90, WALL) == 8 * HOUR


def test_a_band_is_learned_between_steps_of_the_gauge() -> None:
    rates = Rates()
    charged(rates, start=50, end=60, rate=12.0)

    assert rates.is_learned(WALL)
    assert rates.percent_an_hour(55, WALL) == pytest.approx(12.0, rel=0.02)


def test_bands_never_seen_follow_the_nearest_and_taper() -> None:
    rates = Rates()
    charged(rates, start=50, end=60, rate=12.0)
    near = rates.percent_an_hour(55, WALL)

    assert rates.percent_an_hour(30, WALL) == near
    assert rates.percent_an_hour(75, WALL) == near
    assert rates.percent_an_hour(85, WALL) == pytest.approx(near / 2)
    assert rates.percent_an_hour(92, WALL) == pytest.approx(near / 4)


def test_a_slow_one_of_five_counts() -> None:
    rates = Rates()
    for n, rate in enumerate((30.0, 6.0, 20.0, 12.0, 15.0, 24.0)):
        at_ms = n * 12 * HOUR
        charged(rates, start=50, end=60, rate=rate, at_ms=at_ms, wall_ms=WALL + at_ms)

    # A fifth of the way from the slowest (6) to the fastest of six: the second.
    assert rates.percent_an_hour(55, WALL + 3 * DAY) == pytest.approx(12.0, rel=0.03)


@pytest.mark.parametrize(
    ("latest", "counts"),
    [
        ((5.0,), 20.0),  # one slow charge may be a busy hour
        ((5.0, 6.0), 6.0),  # two are another supply, or another load
        ((5.0, 30.0), 20.0),
    ],
)
def test_a_weaker_supply_counts_from_the_second_charge_on(
    latest: tuple[float, ...], counts: float
) -> None:
    """A fifth of what the last 14 days showed would be slow only days later."""
    rates = Rates()
    for n, rate in enumerate((*(12 * [20.0]), *latest)):
        at_ms = n * 12 * HOUR
        charged(rates, start=50, end=60, rate=rate, at_ms=at_ms, wall_ms=WALL + at_ms)

    assert rates.percent_an_hour(55, WALL + 7 * DAY) == pytest.approx(counts, rel=0.03)


def test_no_band_counts_for_more_than_one_below_it() -> None:
    """Constant current, then constant voltage: the current of a charge never grows
    (the CC-CV charge of lithium cells; common practice, no source). So what a band
    showed under a stronger supply is no more true once one below it is slower.
    """
    rates = Rates()
    charged(rates, start=70, end=80, rate=20.0)
    later_ms = DAY
    charged(rates, start=50, end=60, rate=6.0, at_ms=later_ms, wall_ms=WALL + later_ms)

    assert rates.percent_an_hour(55, WALL + 2 * DAY) == pytest.approx(6.0, rel=0.03)
    assert rates.percent_an_hour(75, WALL + 2 * DAY) == pytest.approx(6.0, rel=0.03)
    assert rates.percent_an_hour(85, WALL + 2 * DAY) == pytest.approx(3.0, rel=0.03)


@pytest.mark.parametrize(("days", "holds"), [(13.9, True), (14.1, False)])
def test_it_forgets_after_14_days(days: float, holds: bool) -> None:
    rates = Rates()
    charged(rates, start=50, end=60, rate=60.0)

    assert rates.is_learned(WALL + round(days * DAY)) is holds


@pytest.mark.parametrize(("gap_min", "holds"), [(20, True), (21, False)])
def test_nothing_is_learned_across_a_gap(gap_min: int, holds: bool) -> None:
    rates = Rates()
    at_ms = 0
    for level, after_min in ((50, 0), (51, 5), (53, gap_min), (60, 5), (60, 1)):
        at_ms += after_min * MINUTE
        rates.take(
            Seen(
                at_ms=at_ms,
                wall_ms=WALL + at_ms,
                soc_percent=level,
                is_charging=True,
            )
        )

    assert rates.is_learned(WALL) is holds


def test_a_clock_that_is_set_meanwhile_breaks_the_charge() -> None:
    rates = Rates()
    for n, level in enumerate((50, 51, 53, 55, 60)):
        slip_ms = DAY if n >= 3 else 0
        at_ms = n * 10 * MINUTE
        rates.take(
            Seen(
                at_ms=at_ms,
                wall_ms=WALL + at_ms + slip_ms,
                soc_percent=level,
                is_charging=True,
            )
        )

    # 51 to 53 in 10 min is all that lies before the step of the clock.
    assert rates.percent_an_hour(55, WALL + DAY) == pytest.approx(12.0)


def test_the_level_after_a_time_is_the_way_back() -> None:
    rates = Rates()
    charged(rates, start=50, end=60, rate=12.0)
    for top in (61.0, 79.0, 80.0, 86.0, 93.0):
        needs_ms = rates.ms_between(57, top, WALL)
        after = rates.level_after(57, needs_ms, WALL, most_percent=95)
        assert after == pytest.approx(top, abs=1e-3)
    assert rates.level_after(57, DAY, WALL, most_percent=90) == 90
    assert rates.level_after(57, 0, WALL, most_percent=90) == 57


def logged(writer: Writer, *, wall_ms: int = WALL_MS) -> None:
    """Rows of equal readings: 50 %, then a point more every 5 min, which is 12 %/h."""
    for n in range(12):
        one = reading(n * 5 * MINUTE, soc=5_000 + 100 * n)
        writer.append(
            replace(
                one,
                wall_ms=wall_ms + n * 5 * MINUTE,
                reads=5,
                span_ms=4 * MINUTE,
                longest_gap_ms=MINUTE,
                battery_status_code=0,
                external_power_code=0,
            )
        )


async def test_the_log_teaches_what_the_readings_taught(tmp_path: Path) -> None:
    path = tmp_path / "cycles.db"
    writer = Writer.open(path, clock=clock(), threaded=False)
    writer.append(run())
    logged(writer)
    await writer.commit()
    await writer.close()

    rates = rates_of_log(path, "lobby", WALL_MS + DAY)

    assert rates.percent_an_hour(55, WALL_MS + DAY) == pytest.approx(12.0)
    other = rates_of_log(path, "tower", WALL_MS + DAY)
    assert not other.is_learned(WALL_MS + DAY)
    later_ms = WALL_MS + 15 * DAY
    assert not rates_of_log(path, "lobby", later_ms).is_learned(later_ms)


async def test_the_year_that_ended_teaches_too(tmp_path: Path) -> None:
    """A restart in January still knows December; not where its file is torn."""
    path, old = tmp_path / "cycles.db", tmp_path / "cycles-2026.db"
    new_year_ms = 1_798_761_600_000  # 2027-01-01 UTC
    moment = clock(wall_ms=new_year_ms - 2 * HOUR)
    writer = Writer.open(path, clock=moment, threaded=False)
    writer.append(run())
    logged(writer, wall_ms=new_year_ms - 2 * HOUR)
    await writer.commit()
    moment.advance(3 * HOUR)
    writer.append(replace(reading(3 * HOUR), wall_ms=new_year_ms + HOUR))
    await writer.commit()
    await writer.close()
    now_ms = new_year_ms + 2 * DAY

    assert old.exists()
    rates = rates_of_log(path, "lobby", now_ms)
    assert rates.percent_an_hour(55, now_ms) == pytest.approx(12.0)
    later_ms = new_year_ms + 15 * DAY
    assert not rates_of_log(path, "lobby", later_ms).is_learned(later_ms)

    content = bytearray(old.read_bytes())
    content[2 * 4096 :] = b"\xff" * (len(content) - 2 * 4096)
    old.write_bytes(content)
    assert not rates_of_log(path, "lobby", now_ms).is_learned(now_ms)
