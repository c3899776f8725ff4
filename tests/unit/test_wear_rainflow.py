"""Rainflow against the standard's example, a second known case, and at its edges."""

from __future__ import annotations

import json
import math
import random
import sys
from collections import defaultdict

import pytest
import rainflow as package

from tidegate.errors import Unsupported
from tidegate.wear import rainflow_array
from tidegate.wear.pace import Pace
from tidegate.wear.rainflow import Rainflow, count

# The example of ASTM E1049-85, 5.4.4 (figure 6), as the tests of rainflow 3.2.0 have it.
STANDARD = [-2, 1, -3, 5, -1, 3, -4, 4, -2]
# The second case of the same tests.
SECOND = [-1.5, 1, -3, 10, -1, 3, -8, 4, -2, 6, -1, -4, -8, 2, 1, -5, 0]
SECOND += [2.5, -4, 1, 0, 2, -0.5]


def by_range(cycles):
    counts = defaultdict(float)
    for span, _, number in cycles:
        counts[span] += number
    return dict(counts)


def counted(values):
    flow = Rainflow()
    flow.extend(values)
    return flow


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        # The table of counts in ASTM E1049-85, 5.4.4, through rainflow 3.2.0.
        (STANDARD, {3: 0.5, 4: 1.5, 6: 0.5, 8: 1.0, 9: 0.5}),
        # rainflow 3.2.0, its second test case.
        (
            SECOND,
            {1: 1, 2.5: 1, 4: 1.5, 6: 1.5, 6.5: 0.5, 7: 1}
            | {10.5: 0.5, 13: 0.5, 14: 1, 18: 0.5},
        ),
        # An invented window of 55 to 65 %, counted by rainflow 3.2.0.
        ([60, 65, 55, 65, 55, 65, 60], {5: 1, 10: 2}),
        # Levels that stay and pause on their way, counted by rainflow 3.2.0.
        ([50, 50, 55, 55, 54, 60, 60, 40, 40], {1: 1, 10: 0.5, 20: 0.5}),
        # By the rule alone: the first and the last value are turning points, and the
        # one range between them is half a cycle. (rainflow 3.2.0 says nothing.)
        ([1, 2], {1: 0.5}),
        ([], {}),
        ([5], {}),
        # No range, no cycle. (rainflow 3.2.0 has half a cycle of range 0.)
        ([5, 5, 5], {}),
    ],
)
def test_ranges_and_their_counts(values, expected):
    assert by_range(count(values)) == expected
    assert by_range(counted(values).cycles()) == expected


def test_the_package_differs_at_two_edges_only_as_said():
    """Shows that the two notes above are true of the version that is installed."""
    assert package.count_cycles([1, 2]) == []
    assert package.count_cycles([5, 5, 5]) == [(0, 0.5)]


def test_the_standards_example_in_its_order():
    """Order, means and halves as rainflow 3.2.0 (``extract_cycles``) emits them."""
    assert list(count(STANDARD)) == [
        (3, -0.5, 0.5),
        (4, -1, 0.5),
        (4, 1, 1.0),
        (8, 1, 0.5),
        (9, 0.5, 0.5),
        (8, 0, 0.5),
        (6, 1, 0.5),
    ]


def test_counting_yields_as_soon_as_the_rule_closes_a_cycle():
    def endless():
        while True:
            yield from (60, 65, 55)

    cycles = count(endless())
    assert [next(cycles) for _ in range(3)] == [
        (5, 62.5, 0.5),
        (10, 60, 0.5),
        (10, 60, 0.5),
    ]


@pytest.mark.parametrize(
    ("values", "efc"),
    [
        ([60, 65, 55, 65, 55, 65, 60], 0.25),
        ([50, 50, 55, 55, 54, 60, 60, 40, 40], 0.16),
        ([100, 0, 100], 1.0),
        ([70], 0.0),
        ([], 0.0),
    ],
)
def test_equivalent_full_cycles(values, efc):
    """Half the summed absolute change, by hand; 100 to 0 to 100 % is one."""
    assert counted(values).efc == efc


def test_a_year_of_a_triangle():
    """8 a day for 365 days, each 10 points down and up: 2920 cycles, EFC 292."""
    flow = counted([65] + [55, 65] * 8 * 365)
    assert sum(number for _, _, number in flow.cycles()) == 2920
    assert flow.efc == pytest.approx(292, abs=1e-9)


def test_cycles_come_by_range_and_mean_each_once():
    cycles = counted(SECOND).cycles()
    keys = [(span, mean) for span, mean, _ in cycles]
    assert keys == sorted(set(keys))


@pytest.mark.parametrize("bad", [float("nan"), float("inf"), float("-inf")])
@pytest.mark.parametrize("at", range(5))
@pytest.mark.parametrize("at_once", [True, False])
def test_what_is_no_finite_number_is_refused(bad, at, at_once):
    values = [50, 60, 40, 55, 45]
    values[at] = bad
    flow = Rainflow()

    def pushed():
        for value in values:
            flow.push(value)

    with pytest.raises(ValueError, match="finite"):
        flow.extend(values) if at_once else pushed()
    with pytest.raises(ValueError, match="finite"):
        list(count(values))


def test_a_source_that_fails_midway_leaves_what_it_gave():
    def failing():
        yield from STANDARD[:5]
        raise OSError("the log is gone")

    flow = Rainflow()
    with pytest.raises(OSError, match="gone"):
        flow.extend(failing())
    flow.extend(STANDARD[5:])
    assert flow.cycles() == counted(STANDARD).cycles()


def saved(**changes):
    return json.dumps(json.loads(counted(STANDARD).to_json()) | changes)


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("", "JSON"),
        ("[1, 2]", "object"),
        ("{}", "last"),
        (saved(form=2), "form"),
        (saved(more=1), "more"),
        (saved(last="7"), "last"),
        (saved(last=None), "direction"),
        (saved(rising=None), "direction"),
        (saved(points=[]), "direction"),
        (saved(rising=None, halves=[]), "direction"),
        (saved(rising=None, points=[]), "direction"),
        (saved(rising=True), "wrong side"),
        (saved(last=4), "wrong side"),
        (saved(points=[5, 5, 4]), "wrong side"),
        (saved(points=[5, 4, 3]), "do not turn"),
        (saved(points=[0, -4, 4]), "would have counted"),
        (saved(points=[4, -4, 4]), "would have counted"),
        (saved(halves=[[1, 2, 0]]), "halves"),
        (saved(halves=[[1, 2]]), "halves"),
        (saved(halves=[[1, float("inf"), 1]]), "halves|JSON"),
        (saved(points=[float("nan")]), "points|JSON"),
        (counted(STANDARD).to_json()[:-3], "JSON"),
    ],
)
def test_a_malformed_state_says_what_is_wrong(text, names):
    with pytest.raises(ValueError, match=names) as caught:
        Rainflow.from_json(text)
    assert "saved rainflow count" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_memory_is_bounded_on_a_grid():
    """n levels: n points at most, n(n-1) pairs at most (see the module's reasoning)."""
    draw = random.Random(4)
    flow = Rainflow()
    # The worst residue there is, ranges 20, 19, ... 1; then all kinds of levels.
    flow.extend(index // 2 if index % 2 else 20 - index // 2 for index in range(21))
    worst = json.loads(flow.to_json())
    assert len(worst["points"]) == 20
    assert worst["halves"] == []
    flow.extend(draw.randrange(21) for _ in range(100_000))
    state = json.loads(flow.to_json())
    assert len(state["points"]) <= 21
    assert len(state["halves"]) <= 21 * 20


@pytest.fixture
def not_compiled(monkeypatch):
    """The count over arrays as plain Python; compiled it runs in the bench."""
    loops = rainflow_array._turn, rainflow_array._sweep
    monkeypatch.setattr(rainflow_array, "_compiled", lambda: loops)


@pytest.mark.parametrize("part", [1, 2, 3, 7, 1_000])
def test_the_count_over_arrays_is_the_same(not_compiled, monkeypatch, part):
    """Whatever of the series is worked on at a time."""
    pytest.importorskip("numpy")
    monkeypatch.setattr(rainflow_array, "PART", part)
    draw = random.Random(7)
    walks = [[draw.randrange(12) for _ in range(number)] for number in range(40)]
    for values in [STANDARD, SECOND, [5, 5, 5], *walks]:
        told = rainflow_array.count_array(values)
        assert {each.shape for each in told} == {told[0].shape}
        assert list(zip(*told, strict=True)) == list(count(values))


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_the_count_over_arrays_refuses_what_is_no_number(
    not_compiled, monkeypatch, value
):
    pytest.importorskip("numpy")
    monkeypatch.setattr(rainflow_array, "PART", 4)
    for index in range(9):
        values = [float(number) for number in range(9)]
        values[index] = value
        with pytest.raises(ValueError, match="finite numbers only"):
            rainflow_array.count_array(values)
    with pytest.raises(ValueError, match=r"not the shape \(2, 2\)"):
        rainflow_array.count_array([[1.0, 2.0], [3.0, 4.0]])


def test_without_the_extra_it_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "numba", None)
    rainflow_array._compiled.cache_clear()
    with pytest.raises(Unsupported, match=r"pip install 'tidegate\[fleet\]'"):
        rainflow_array.count_array([1.0, 2.0])


def pace(*moments, **settings):
    made = Pace(**settings)
    for moment in moments:
        made.push(*moment)
    return made


def test_the_pace_of_a_triangle():
    """10 points in 1.5 h: 0.1 / 1.5 an hour, however often it is looked at."""
    turns = [(65 - 10 * (index % 2), 5400 * index) for index in range(9)]
    assert pace(*turns).rate_per_h == pytest.approx(0.1 / 1.5, rel=1e-12)
    fine = [(55 + abs((at / 540) % 20 - 10), at) for at in range(0, 43_200, 54)]
    assert pace(*fine).rate_per_h == pytest.approx(0.1 / 1.5, rel=1e-3)


def test_the_pace_weighs_by_depth_and_leaves_rests_out():
    """20 points in 1 h (0.2/h), a day's rest, 10 back in 2 h (0.05/h), by hand."""
    moved = pace((40, 0), (60, 3600), (60, 90_000), (50, 97_200))
    assert moved.rate_per_h == pytest.approx((20 * 0.2 + 10 * 0.05) / 30)


def test_a_gap_has_no_pace():
    moved = pace((40, 0), (60, 3600))
    moved.interrupt()
    moved.push(90, 3660)
    assert moved.rate_per_h == pytest.approx(0.2)
    moved.push(80, 3660 + 7200)
    assert moved.rate_per_h == pytest.approx((20 * 0.2 + 10 * 0.05) / 30)


def test_a_gauge_in_whole_percents_does_not_seem_fast():
    """A triangle of 0.0667/h, 55 to 65 % in 1.5 h, read every 30 s and cut to wholes.

    It flickers at every turn; without the step a single flick is 1 point in 30 s.
    """
    draw = random.Random(3)
    moments = []
    for at in range(0, 10 * 10_800, 30):
        level = 55 + abs((at / 540) % 20 - 10)
        moments.append((int(level + draw.uniform(0, 0.02)), at))
    assert pace(*moments, step_percent=1).rate_per_h == pytest.approx(0.0667, rel=0.05)
    assert pace(*moments).rate_per_h > 1.1 * 0.0667


def test_the_pace_of_nothing_is_none_and_time_does_not_go_back():
    assert Pace().rate_per_h == 0.0
    assert pace((50, 0)).rate_per_h == 0.0
    assert pace((50, 0), (60, 0)).rate_per_h == 0.0
    with pytest.raises(ValueError, match="rise"):
        pace((50, 10), (51, 9))
