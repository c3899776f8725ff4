"""Whatever a gauge told, there is an answer, and it hangs on nothing that it must not."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.charges import Device, device, series
from tidegate.audit.given import Set
from tidegate.cli.taper_text import lines
from tidegate.cli.zone import SystemZone
from tidegate.core.policy import Policy
from tidegate.core.reading import BatteryStatus
from tidegate.history import Point, Series
from tidegate.report.taper_page import page
from tidegate.taper.document import as_document
from tidegate.taper.finding import find

maybe = st.none() | st.floats(-10, 10)
POINTS = st.lists(
    st.tuples(
        st.integers(0, 7_200_000),
        st.floats(-9, 12),
        maybe,
        maybe,
        st.none() | st.floats(-20, 90),
        st.sampled_from([True, False, None]),
        st.sampled_from(list(BatteryStatus)),
    ),
    max_size=80,
)


def walked(steps: list[tuple]) -> Series:
    """Return a walk of the level in steps that rise more than they fall."""
    at_ms, soc, points = 0, 20.0, []
    for passed, moved, volts, amps, celsius, fed, status in steps:
        at_ms += passed
        soc = min(max(soc + moved, 0.0), 100.0)
        points.append(Point(at_ms, soc, volts, amps, celsius, None, fed, status))
    return Series(
        station="hall",
        path=Path("hall.csv"),
        points=tuple(points),
        breaks=tuple(range(7, len(points), 11)),
        is_whole=False,
        sign_is_trusted=False,
        is_calendar=True,
        is_log=False,
        step_s=60.0,
        given=Set(policy=Policy()),
    )


@settings(max_examples=40, deadline=None)
@given(POINTS)
def test_anything_has_an_answer(steps: list[tuple]) -> None:
    found = find(walked(steps))

    json.dumps(as_document(found), allow_nan=False)
    assert list(lines(found, SystemZone()))
    assert page(found, SystemZone()).endswith("</html>\n")
    assert (found.confidence is None) == (found.verdict == "unclear")


def turned(told: Series) -> Series:
    return replace(
        told,
        sign_is_trusted=False,
        points=tuple(
            each._replace(current_a=None if each.current_a is None else -each.current_a)
            for each in told.points
        ),
    )


def moved(told: Series) -> Series:
    return replace(
        told,
        points=tuple(each._replace(at_ms=each.at_ms + 12_345) for each in told.points),
    )


def doubled(told: Series) -> Series:
    """Each reading twice, as a run of equal ones is."""
    return replace(
        told,
        points=tuple(again for each in told.points for again in (each, each)),
        breaks=tuple(2 * place for place in told.breaks),
    )


@cache
def of_seed(seed: int) -> Series:
    return series(replace(device(seed), charges=1, every_s=120.0))


@pytest.mark.parametrize("change", [turned, moved, doubled])
@pytest.mark.parametrize("seed", range(40_000, 40_006))
def test_what_changes_nothing_changes_no_verdict(change, seed: int) -> None:
    told = of_seed(seed)

    assert find(change(told)).verdict == find(told).verdict


@pytest.mark.parametrize("share", [0.25, 4.0])
def test_a_larger_battery_at_the_same_rate_is_told_the_same(share: float) -> None:
    small = Device(seed=8)
    large = replace(
        small,
        capacity_ah=small.capacity_ah * share,
        charge_a=small.charge_a * share,
        end_a=small.end_a * share,
        load_a=small.load_a * share,
        supply_a=small.supply_a * share,
        r0_ohm=small.r0_ohm / share,
        r1_ohm=small.r1_ohm / share,
    )

    assert find(series(large)).verdict == find(series(small)).verdict
