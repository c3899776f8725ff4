"""What a decision costs, beside the cheapest thing that could be done with a reading.

A ratio in one run: absolute times of a shared machine say nothing.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import pytest

from tidegate.core.controller import step
from tidegate.core.events import ReadingArrived, Started
from tidegate.core.plausibility import judge
from tidegate.core.policy import Marks, Policy
from tidegate.core.reading import BatteryStatus, ExternalPower, Sample
from tidegate.core.state import State, fresh
from tidegate.cyclelog.plain import to_plain

pytestmark = pytest.mark.slow

READINGS = 5_000
# Generous, so that a noisy machine never fails it: measured about 4.
AT_MOST = 20.0


def timed(work: Callable[[], object]) -> float:
    return min(_once(work) for _ in range(3))


def _once(work: Callable[[], object]) -> float:
    began_s = time.perf_counter()
    work()
    return time.perf_counter() - began_s


def sample(number: int) -> Sample:
    return Sample(
        soc_percent=float(60 + number // 500 % 3),
        battery_status=BatteryStatus.DISCHARGING,
        external_power=ExternalPower.NO,
        voltage_v=3.8 + number % 7 / 1000,
        temperature_c=25.0,
    )


def test_a_decision_costs_little_more_than_judging(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """``step`` against ``judge`` of the same readings; to_plain for scale."""

    def judged() -> None:
        for number in range(READINGS):
            judge(sample(number), at_ms=30_000 * number, wall_ms=0)

    def decided() -> State:
        policy = Policy(marks=Marks(low_percent=55, high_percent=65))
        state, _ = step(fresh(policy), Started(), 1)
        for number in range(1, READINGS):
            at_ms = 30_000 * number
            reading = judge(sample(number), at_ms=at_ms, wall_ms=0)
            state, _ = step(state, ReadingArrived(reading=reading), at_ms)
        return state

    base_s, whole_s = timed(judged), timed(decided)
    ratio = (whole_s - base_s) / base_s
    plain_s = timed(lambda: to_plain(decided()))

    with capsys.disabled():
        print(  # noqa: T201
            f"\nstep / judge = {ratio:.1f} ({1e6 * whole_s / READINGS:.0f} us a reading, "
            f"{plain_s / whole_s:.2f} with one state written)"
        )
    assert ratio < AT_MOST
