"""Laws of rainflow over all series: throughput, resumption, the package's answers."""

from __future__ import annotations

from itertools import pairwise

import pytest
import rainflow as package
from hypothesis import given, settings
from hypothesis import strategies as st

from tidegate.wear.rainflow import Rainflow, count

whole = st.lists(st.integers(0, 100), max_size=80)
# Tenths of a percent are floats that no binary fraction meets.
tenths = st.lists(st.integers(0, 1000).map(lambda tenth: tenth / 10), max_size=80)
steps = st.lists(st.sampled_from((-1, 0, 1)), max_size=200)
walks = steps.map(lambda taken: [50 + sum(taken[:end]) for end in range(len(taken))])
series = st.one_of(whole, tenths, walks)


def counted(values):
    flow = Rainflow()
    flow.extend(values)
    return flow


def moved(values):
    return sum(abs(after - before) for before, after in pairwise(values))


@given(series)
def test_count_times_range_is_half_of_what_was_moved(values):
    """An identity of the ASTM rule: no movement is counted twice or lost."""
    half = moved(values) / 2
    assert sum(span * number for span, _, number in count(values)) == pytest.approx(
        half, abs=1e-9
    )
    assert counted(values).efc == pytest.approx(half / 100, abs=1e-11)


@given(series)
def test_the_package_agrees_on_every_series(values):
    """rainflow 3.2.0, in order, with means; its two edges apart (see the unit tests)."""
    if len(values) < 3 or len(set(values)) == 1:
        return
    theirs = [cycle[:3] for cycle in package.extract_cycles(values)]
    assert list(count(values)) == theirs


@given(st.lists(st.floats(-1e6, 1e6), max_size=60))
def test_throughput_holds_off_any_grid(values):
    total = sum(span * number for span, _, number in count(values))
    assert total == pytest.approx(moved(values) / 2, rel=1e-9, abs=1e-9)


@given(series, st.lists(st.integers(0, 80), max_size=6))
def test_saved_and_resumed_anywhere_is_one_pass(values, cuts):
    ends = sorted(min(cut, len(values)) for cut in cuts)
    flow = Rainflow()
    for start, end in pairwise([0, *ends, len(values)]):
        flow.extend(values[start:end])
        flow = Rainflow.from_json(flow.to_json())
    whole_pass = counted(values)
    assert flow.cycles() == whole_pass.cycles()
    assert flow.to_json() == whole_pass.to_json()


@given(series, st.lists(st.integers(0, 100), max_size=20))
def test_telling_changes_nothing(values, more):
    asked, left = counted(values), counted(values)
    before = asked.to_json()
    assert asked.cycles() == asked.cycles()
    assert asked.to_json() == before
    for value in more:
        asked.push(value)
        asked.cycles()
        assert asked.efc >= 0
    left.extend(more)
    assert asked.cycles() == left.cycles()


@given(series)
def test_what_is_told_midway_is_what_a_series_ending_there_has(values):
    flow = Rainflow()
    for end, value in enumerate(values, start=1):
        flow.push(value)
        merged = {}
        for span, mean, number in count(values[:end]):
            merged[span, mean] = merged.get((span, mean), 0) + number
        assert flow.cycles() == sorted((*key, merged[key]) for key in merged)


@settings(max_examples=20)
@given(st.lists(st.integers(0, 10), max_size=400))
def test_the_residue_is_bounded_by_the_levels(values):
    assert len(counted(values)._points) - 2 <= 11
