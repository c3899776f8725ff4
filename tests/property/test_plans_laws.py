"""Laws of plans over random calendars, zones, clocks and levels.

Zones and their transitions: IANA tz database through Python's zoneinfo. What a moment
is, is held against zoneinfo read the other way round: from an instant to local time.
"""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

from hypothesis import given, settings
from hypothesis import strategies as st

from support.core_rig import Rig, switched_off
from tidegate.core.frozen import replace
from tidegate.core.policy import PlanReason
from tidegate.core.state import State
from tidegate.plans.calendar import CLOCK_FROM_MS, CLOCK_TO_MS, moments
from tidegate.plans.planner import decide
from tidegate.plans.rates import Rates, Seen
from tidegate.plans.rise import EARLIEST_MS
from tidegate.settings import StationSettings, from_tables
from tidegate.settings.table_plans import DAYS, Rise, longest_gap_ms

HOUR = 3_600_000
ZONES = [
    ZoneInfo(name)
    for name in (
        "UTC",
        "Europe/Berlin",
        "America/St_Johns",
        "America/Sao_Paulo",
        "Australia/Lord_Howe",
        "Asia/Kathmandu",
        "Pacific/Apia",
        "Africa/Casablanca",
        "Antarctica/Troll",
    )
]
LOCAL = st.datetimes(datetime(2024, 1, 2), datetime(2037, 12, 30))
INSTANTS = LOCAL.map(lambda at: round(at.replace(tzinfo=UTC).timestamp() * 1000))
TABLES = st.fixed_dictionaries(
    {
        "at": st.one_of(LOCAL, st.times()),
        "to": st.sampled_from([66, 80, 95]),
        "for": st.sampled_from(["1min", "3h", "7d"]),
    }
)
DAY_LISTS = st.lists(st.sampled_from(DAYS), max_size=3, unique=True)


@given(at=LOCAL, zone=st.sampled_from(ZONES))
def test_a_local_moment_is_where_the_wall_clock_shows_it(
    at: datetime, zone: ZoneInfo
) -> None:
    planned = Rise.model_validate({"at": at, "to": 80, "for": "1h"})

    (found,) = moments([planned], CLOCK_FROM_MS, zone)

    assert found.at_ms <= found.latest_ms <= found.at_ms + 3 * HOUR
    shown = {
        datetime.fromtimestamp(ms / 1000, zone).replace(tzinfo=None)
        for ms in (found.at_ms, found.latest_ms)
    }
    if found.at_ms == found.latest_ms:
        assert abs(shown.pop() - at) < timedelta(milliseconds=1)
    else:
        # Twice: both show it. Not at all: one shows before it, the other after.
        assert min(shown) - timedelta(milliseconds=1) <= at
        assert at <= max(shown) + timedelta(milliseconds=1)


@given(
    at=st.times(),
    days=DAY_LISTS,
    now_ms=INSTANTS,
    zone=st.sampled_from(ZONES),
)
def test_weekly_moments_fall_on_their_days(
    at: time, days: list[str], now_ms: int, zone: ZoneInfo
) -> None:
    planned = Rise.model_validate({"at": at, "days": days, "to": 80, "for": "1h"})

    found = moments([planned], now_ms, zone)

    assert found  # the next one is at most a week away
    assert all(now_ms < each.over_ms for each in found)
    # Both readings of one that does not exist, and of the 30th of December 2011 in
    # Apia, may lie on the day beside; so at least one of them is on its day.
    wanted = set(days) or set(DAYS)
    for each in found:
        shown = {
            DAYS[datetime.fromtimestamp(ms / 1000, zone).weekday()]
            for ms in (each.at_ms, each.latest_ms)
        }
        assert shown & wanted


def station(rises: list[dict[str, object]], *, relearns: bool) -> StationSettings:
    table: dict[str, object] = {
        "gauge": {"kind": "twin"},
        "relay": {"kind": "twin"},
        "window": {"low": 55, "high": 65},
        "rise": rises,
    }
    if relearns:
        table["relearn"] = {"every": "7d"}
    return from_tables({"station": {"hall": table}}).stations["hall"]


def lived(rig: Rig, ms: int) -> State:
    quiet = replace(rig.state.quiet, lived_ms=rig.state.quiet.lived_ms + ms)
    rig.state = replace(rig.state, quiet=quiet)
    return rig.state


@settings(max_examples=40, deadline=None)
@given(
    rises=st.lists(TABLES, max_size=3),
    relearns=st.booleans(),
    zone=st.sampled_from(ZONES),
    start_ms=st.one_of(INSTANTS, st.sampled_from([0, CLOCK_FROM_MS - 1, CLOCK_TO_MS])),
    steps=st.lists(
        st.tuples(
            st.sampled_from([60_000, HOUR, 5 * HOUR, 30 * HOUR, -HOUR, -400 * HOUR]),
            st.integers(26, 100),
        ),
        min_size=1,
        max_size=25,
    ),
)
def test_whatever_the_clock_does_a_plan_is_sound(
    rises: list[dict[str, object]],
    relearns: bool,
    zone: ZoneInfo,
    start_ms: int,
    steps: list[tuple[int, int]],
) -> None:
    """After what is wanted has happened nothing more is wanted; marks stay in their
    bounds; a rise is in force only near its moment and with a clock that is set.
    """
    of = station(rises, relearns=relearns)
    rig, rates, wall_ms = switched_off(65), Rates(), start_ms
    for by_ms, soc in steps:
        wall_ms += by_ms
        lived(rig, max(60_000, by_ms))
        rig.read(soc, after_s=60).read(soc, after_s=30)
        change = decide(of, rig.state, rates, wall_ms, zone=zone).change
        if change is not None:
            rig.send(change)
            assert decide(of, rig.state, rates, wall_ms, zone=zone).change is None
        state = rig.state
        assert state.low_percent + 2 <= state.high_percent <= 95
        assert state.low_percent >= 30
        if state.plan_why is PlanReason.PLANNED_RISE:
            assert state.high_percent > 65
            assert state.plan_moment_wall_ms is not None
            begins_ms = state.plan_moment_wall_ms - EARLIEST_MS
            is_set = CLOCK_FROM_MS <= wall_ms < CLOCK_TO_MS
            assert begins_ms <= wall_ms or not is_set
        else:
            assert state.plan_why in (None, PlanReason.RELEARN)
            if not CLOCK_FROM_MS <= wall_ms < CLOCK_TO_MS and change is not None:
                assert change.why is not PlanReason.PLANNED_RISE


@given(
    readings=st.lists(
        st.tuples(
            st.integers(0, 100), st.integers(1, 40), st.booleans(), st.integers(-99, 99)
        ),
        max_size=60,
    ),
    low=st.floats(0, 94),
    width=st.floats(0.5, 60),
)
def test_a_rate_is_always_something_to_count_on(
    readings: list[tuple[int, int, bool, int]], low: float, width: float
) -> None:
    rates, at_ms = Rates(), 0
    wall_ms = CLOCK_FROM_MS
    for soc, minutes, charges, slip_min in readings:
        at_ms += minutes * 60_000
        rates.take(
            Seen(
                at_ms=at_ms,
                wall_ms=wall_ms + at_ms + slip_min * 60_000,
                soc_percent=soc,
                is_charging=charges,
            )
        )
    high = min(95.0, low + width)
    needs_ms = rates.ms_between(low, high, wall_ms)
    assert needs_ms > 0
    after = rates.level_after(low, needs_ms, wall_ms, most_percent=95.0)
    assert abs(after - high) < 0.01
    assert rates.ms_between(low, (low + high) / 2, wall_ms) <= needs_ms


WEEK_H = 7 * 24


@given(
    rises=st.lists(
        st.fixed_dictionaries(
            {
                "at": st.integers(0, 23).map(time),
                "days": DAY_LISTS,
                "to": st.just(80),
                "for": st.integers(1, WEEK_H).map(lambda hours: f"{hours}h"),
            }
        ),
        max_size=4,
    )
)
def test_the_longest_gap_is_that_of_an_hour_by_hour_count(
    rises: list[dict[str, object]],
) -> None:
    """Two weeks of hours, each struck out in which a rise of either week lasts."""
    taken: set[int] = set()
    for each in rises:
        lasts = int(str(each["for"]).removesuffix("h"))
        at = each["at"]
        assert isinstance(at, time)
        for day in each["days"] or DAYS:  # type: ignore[attr-defined]
            begins = DAYS.index(day) * 24 + at.hour
            taken |= {hour % WEEK_H for hour in range(begins, begins + lasts)}
    free = "".join(" " if hour % WEEK_H in taken else "." for hour in range(2 * WEEK_H))
    longest_h = min(WEEK_H, max(map(len, free.split()), default=0))

    found = longest_gap_ms([Rise.model_validate(each) for each in rises])

    assert found == (longest_h * HOUR if rises else None)
