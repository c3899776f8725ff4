"""What constant current then constant voltage does, beside runs of pybamm.

The runs are those of WEAR's section 7, ``equivalent_circuit.Thevenin`` of pybamm
26.10.1.1: seconds, level in percent, volts and ampere, typed from its output. A slow
test (``tests/simulation/test_taper_beside_pybamm.py``) makes them again.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tidegate.history import opened
from tidegate.taper.finding import Finding, find
from tidegate.taper.reference import quickest_hours, slowest_hours

# 4 Ah, 0.06 and 0.04 Ohm, 750 F: 2 A from 20 % to 4.2 V, held to 0.2 A.
TABLET_2_A = [
    *[(0, 20, 3.868, 2.0), (360, 25, 3.914, 2.0), (720, 30, 3.933, 2.0)],
    *[(1440, 40, 3.962, 2.0), (2160, 50, 3.993, 2.0), (2880, 60, 4.037, 2.0)],
    *[(3600, 70, 4.109, 2.0), (3960, 75, 4.152, 2.0), (4320, 80, 4.195, 2.0)],
    *[(4721, 85, 4.2, 1.576), (5262, 90, 4.2, 1.11), (5551, 92, 4.2, 0.888)],
    *[(5924, 94, 4.2, 0.666), (6160, 95, 4.2, 0.555), (6449, 96, 4.2, 0.444)],
    *[(6823, 97, 4.2, 0.333), (7348, 98, 4.2, 0.222), (7484, 98.199, 4.2, 0.2)],
]
# The same: 1 A from 50 % to 4.1 V, held to 0.2 A.
TABLET_1_A = [
    *[(0, 50, 3.879, 1.0), (720, 55, 3.912, 1.0), (1440, 60, 3.937, 1.0)],
    *[(2880, 70, 4.009, 1.0), (3600, 75, 4.052, 1.0), (4320, 80, 4.095, 1.0)],
    *[(4624, 82, 4.1, 0.861), (5001, 84, 4.1, 0.676), (5230, 85, 4.1, 0.583)],
    *[(5499, 86, 4.1, 0.491), (5824, 87, 4.1, 0.398), (6235, 88, 4.1, 0.305)],
    *[(6797, 89, 4.1, 0.213), (6892, 89.137, 4.1, 0.2)],
]
# pybamm's own cell of 100 Ah: 50 A from 20 % to 4.1 V, held to 5 A.
DEFAULT_50_A = [
    *[(0, 20, 3.622, 50.0), (720, 30, 3.677, 50.0), (1440, 40, 3.704, 50.0)],
    *[(2160, 50, 3.746, 50.0), (2880, 60, 3.818, 50.0), (3600, 70, 3.906, 50.0)],
    *[(3960, 75, 3.946, 50.0), (4320, 80, 3.991, 50.0), (4680, 85, 4.045, 50.0)],
    *[(4896, 88, 4.081, 50.0), (5042, 90, 4.1, 44.66), (5134, 91, 4.1, 34.648)],
    *[(5255, 92, 4.1, 25.274), (5433, 93, 4.1, 15.983), (5773, 94, 4.1, 6.61)],
    (5875, 94.164, 4.1, 4.999),
]
RUNS = {"tablet 2 A": TABLET_2_A, "tablet 1 A": TABLET_1_A, "default": DEFAULT_50_A}
# Hours from 40 to 60, from 60 to 80 and from 80 % to the end of each run.
BY_FIFTH = {
    "tablet 2 A": (0.4, 0.4, (7484 - 4320) / 3600),
    "tablet 1 A": (None, 0.8, (6892 - 4320) / 3600),
    "default": (0.4, 0.4, (5875 - 4320) / 3600),
}


def read(run: list[tuple[float, float, float, float]], folder: Path) -> Finding:
    """Write a run down as a gauge would have told it, and a rest after it."""
    lines = ["time,soc_percent,voltage_v,current_a,current_sign_trusted,external_power"]
    lines += [f"{at},{soc},{volts},{amps},1,yes" for at, soc, volts, amps in run]
    at, soc, volts, _ = run[-1]
    lines += [
        f"{at + 60 * minute},{soc},{volts - 0.02:.3f},0,1,yes"
        for minute in range(1, 90)
    ]
    path = folder / "run.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return find(opened(path, None))


@pytest.mark.parametrize("name", RUNS)
def test_the_runs_of_pybamm_do_not_taper(name: str, tmp_path: Path) -> None:
    found = read(RUNS[name], tmp_path)

    assert found.verdict == "does_not_taper"
    assert found.best is not None
    measured = found.best.measured
    middle, before, last = BY_FIFTH[name]
    if middle is not None:
        assert measured.curve.hours(40, 60) == pytest.approx(middle, rel=0.01)
    assert measured.curve.hours(60, 80) == pytest.approx(before, rel=0.01)
    assert measured.last_fifth_h is not None
    # The last half point is under what may be noise.
    assert last - 0.2 < measured.last_fifth_h <= last


@pytest.mark.parametrize("name", RUNS)
def test_they_lie_between_the_quickest_and_the_slowest(name: str) -> None:
    """Each run against the closed form, its own end as the full one."""
    run = RUNS[name]
    at = {level: seconds / 3600 for seconds, level, _, _ in run}
    top = max(at)
    rate = 10 / (at[70] - at[60])
    for low, high in ((60, 80), (80, 85), (80, top)):
        took = at[high] - at[low]
        limits = {"top_percent": top, "rate": rate}
        assert quickest_hours(low, high, **limits) <= took * 1.001, (low, high)
        assert slowest_hours(low, high, **limits) >= took * 0.999, (low, high)


def test_a_voltage_reached_at_once_is_an_exponential() -> None:
    """tau ln((a + b) / b) for a rate of missing / tau + b: 1.2 h, 2 % an hour."""
    hours = slowest_hours(80, 100, top_percent=100, rate=1e3)

    assert hours == pytest.approx(1.2 * 2.2336, abs=1e-3)  # ln((20 / 1.2 + 2) / 2)


def test_a_weak_supply_takes_as_long_for_the_last_fifth_as_for_any() -> None:
    assert slowest_hours(80, 95, top_percent=100, rate=5) == pytest.approx(3.0)
    assert slowest_hours(40, 60, top_percent=100, rate=5) == pytest.approx(4.0)


def test_no_rate_never_gets_there() -> None:
    assert slowest_hours(80, 100, top_percent=100, rate=0) == float("inf")
    assert slowest_hours(80, 80, top_percent=100, rate=10) == 0
