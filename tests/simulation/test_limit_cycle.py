"""The limit cycle against the textbook and against an independent integrator.

With a constant load and a constant net charge the battery is an integrator under an
ideal relay with hysteresis: the level runs between the marks in straight lines, down
at ``load`` for ``width / load`` and up at ``net_charge`` for ``width / net_charge``.
Source: Ya. Z. Tsypkin, "Relay Control Systems", Cambridge University Press 1984 (its
title and publisher were looked up; that this is its simplest case is from memory).
The same is integrated by scipy's ``solve_ivp`` with terminal events, which shares
nothing with the controller. The throughput a year is the formula of the project's
fact file on wear: load share of an hour, times the hours of a year, times the share
of time without supply.
"""

from __future__ import annotations

from itertools import pairwise

import pytest
from scipy.integrate import solve_ivp

from support.core_promises import kept
from support.core_world import Site, World, policy
from tidegate.core.policy import Marks
from tidegate.core.reading import Supply

HOURS_A_YEAR = 8760.0
FINE = 0.01  # percent: the resolution of the core's own readings


def limit_cycle(world: World) -> tuple[float, float, float]:
    """Period in hours, share of time on, and half the path length a period (EFC).

    Counted between the first and the last switching to off, whole periods only.
    """
    offs = [hour for hour, call in world.commands() if call.supply is Supply.OFF]
    start, end = offs[1], offs[-1]
    periods = len(offs) - 2
    inside = [one for one in world.steps if start <= one.hour <= end]
    on = path = 0.0
    for one, after in pairwise(inside):
        on += (after.hour - one.hour) * one.closed
        path += abs(after.soc_percent - one.soc_percent)
    return (end - start) / periods, on / (end - start), path / 200.0 / periods


def by_solve_ivp(
    low: float, high: float, load: float, net_charge: float
) -> tuple[float, float]:
    """Period and share of time on, from two integrations to a terminal event."""

    def until(rate: float, level: float, start: float) -> float:
        def reached(_: float, soc: list[float]) -> float:
            return soc[0] - level

        reached.terminal = True  # type: ignore[attr-defined]
        run = solve_ivp(
            lambda _time, _soc: [rate],
            (0.0, 1000.0),
            [start],
            events=reached,
            max_step=1.0,
        )
        assert run.status == 1
        return float(run.t_events[0][0])

    off = until(-load, low, high)
    on = until(net_charge, high, low)
    return off + on, on / (off + on)


CASES = [
    # load %/h, net charge %/h, low, high
    (12.0, 20.0, 55.0, 65.0),
    (6.7, 6.7, 55.0, 65.0),
    (6.7, 20.0, 50.0, 60.0),
    (6.7, 1.0, 57.0, 60.0),
    (20.0, 40.0, 40.0, 80.0),
]

# The numbers that the project's fact file on wear gives for loads of 0.067 C.
FACT_FILE_EFC_A_YEAR = {CASES[1]: 293.0, CASES[2]: 440.0, CASES[3]: 76.0}


@pytest.fixture(scope="module", params=CASES, ids=lambda case: "-".join(map(str, case)))
def cycled(request: pytest.FixtureRequest) -> tuple[World, tuple[float, ...]]:
    load, net_charge, low, high = request.param
    site = Site(
        soc_percent=low + 1.0,
        load=load,
        net_charge=net_charge,
        resolution_percent=FINE,
        relay_takes_ms=10,
    )
    rules = policy(marks=Marks(low_percent=low, high_percent=high), poll_ms=20_000)
    world = World(site, rules)
    period = (high - low) / load + (high - low) / net_charge
    world.run(5.2 * period)
    return world, request.param


def tolerance_h(case: tuple[float, ...]) -> float:
    """How late two switchings may be: a poll each, and what the overshoot costs.

    Off one poll late rises by ``net_charge`` x poll above the mark, which takes
    ``net_charge / load`` polls to come down again, and likewise below.
    """
    load, net_charge, *_ = case
    poll_h = 20.0 / 3600.0
    return poll_h * (2.0 + net_charge / load + load / net_charge)


def test_the_period_is_that_of_the_closed_form(
    cycled: tuple[World, tuple[float, ...]],
) -> None:
    world, case = cycled
    load, net_charge, low, high = case
    width = high - low
    period, _, _ = limit_cycle(world)
    ideal = width / load + width / net_charge
    # Reading at intervals can only be late, never early.
    assert ideal - 1e-3 <= period <= ideal + tolerance_h(case)
    kept(world.steps, poll_ms=20_000)


def test_the_duty_is_that_of_the_closed_form(
    cycled: tuple[World, tuple[float, ...]],
) -> None:
    world, case = cycled
    load, net_charge, *_ = case
    _, duty, _ = limit_cycle(world)
    # Overshoot stretches both halves, so the duty keeps to the ratio of the slopes.
    assert duty == pytest.approx(load / (load + net_charge), abs=2e-3)


def test_period_and_duty_are_those_of_solve_ivp(
    cycled: tuple[World, tuple[float, ...]],
) -> None:
    world, case = cycled
    load, net_charge, low, high = case
    period, duty, _ = limit_cycle(world)
    ideal_period, ideal_duty = by_solve_ivp(low, high, load, net_charge)
    assert ideal_period - 1e-3 <= period <= ideal_period + tolerance_h(case)
    assert duty == pytest.approx(ideal_duty, abs=2e-3)


def test_the_throughput_a_year_depends_on_load_and_duty_alone(
    cycled: tuple[World, tuple[float, ...]],
) -> None:
    world, case = cycled
    load, net_charge, *_ = case
    period, _, efc = limit_cycle(world)
    a_year = efc / period * HOURS_A_YEAR
    # EFC/yr = I_load / C x 8760 h x I_charge / (I_charge + I_load).
    formula = load / 100.0 * HOURS_A_YEAR * net_charge / (net_charge + load)
    assert a_year == pytest.approx(formula, rel=2e-3)
    if case in FACT_FILE_EFC_A_YEAR:
        assert a_year == pytest.approx(FACT_FILE_EFC_A_YEAR[case], rel=5e-3)


def test_a_window_twice_as_wide_halves_the_switchings_not_the_throughput() -> None:
    counts, efcs = [], []
    for low, high in ((55.0, 65.0), (50.0, 70.0)):
        site = Site(soc_percent=low + 1, resolution_percent=FINE)
        rules = policy(marks=Marks(low_percent=low, high_percent=high))
        world = World(site, rules).run(20)
        period, _, efc = limit_cycle(world)
        counts.append(1 / period)
        efcs.append(efc / period)
    assert counts[0] / counts[1] == pytest.approx(2.0, rel=0.03)
    assert efcs[0] / efcs[1] == pytest.approx(1.0, rel=5e-3)
