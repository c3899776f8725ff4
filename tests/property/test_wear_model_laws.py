"""Laws that every ageing model keeps, whatever the battery went through.

Reasoned from the law k * x**p and its exact solution; the last two are what the papers
of the models find within their tests (DOIs in each model).
"""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tidegate.wear.duty import Duty
from tidegate.wear.model import State
from tidegate.wear.models import MODELS

levels = st.integers(min_value=0, max_value=100).map(float)
# Within the storage tests of every model whose tests are known.
celsius = st.integers(min_value=25, max_value=50).map(float)
seconds = st.floats(min_value=0, max_value=1e8)


@st.composite
def duties(draw: st.DrawFn) -> Duty:
    rests = draw(
        st.dictionaries(st.tuples(levels, celsius), seconds, min_size=1, max_size=6)
    )
    depths = st.integers(min_value=1, max_value=100).map(float)
    found = draw(st.dictionaries(depths, st.floats(0.5, 2000), max_size=3))
    # A cycle of a depth fits around means that are half of it from either end.
    cycles = {
        (depth, draw(st.floats(depth / 2, 100 - depth / 2))): count
        for depth, count in found.items()
    }
    moved = draw(st.dictionaries(celsius, st.floats(0.1, 100), min_size=1, max_size=3))
    return Duty(
        rests=rests, cycles=cycles, moved=moved if cycles else {}, rate_per_h=0.1
    )


models = pytest.mark.parametrize("name", MODELS)
few = settings(max_examples=12, deadline=None)


@models
@few
@given(first=duties(), second=duties())
def test_order_does_not_matter_and_more_is_not_less(
    name: str, first: Duty, second: Duty
) -> None:
    model = MODELS[name]
    one = model.lived(second, model.lived(first))
    other = model.lived(first, model.lived(second))
    assert model.loss(one) == pytest.approx(model.loss(other), rel=1e-9)
    assert model.loss(one) >= max(
        model.loss(model.lived(first)), model.loss(model.lived(second))
    )
    assert 0 <= model.loss(one) <= 1


@models
@few
@given(duty=duties(), share=st.floats(0, 1))
def test_pieces_are_worth_the_whole(name: str, duty: Duty, share: float) -> None:
    model = MODELS[name]
    pieces = model.lived(duty.times(share), model.lived(duty.times(1 - share)))
    whole = model.loss(model.lived(duty))
    assert model.loss(pieces) == pytest.approx(whole, rel=1e-9, abs=1e-15)


@models
@few
@given(duty=duties())
def test_entry_by_entry_is_the_whole(name: str, duty: Duty) -> None:
    model, state = MODELS[name], State()
    for (level, warmth), time in duty.rests.items():
        state = model.lived(Duty(rests={(level, warmth): time}), state)
    for warmth, share in duty.shares_by_heat.items():
        for (depth, mean), count in duty.cycles.items():
            cycles = Duty(
                rests={},
                cycles={(depth, mean): count * share},
                moved={warmth: 1.0},
                rate_per_h=duty.rate_per_h,
            )
            state = model.lived(cycles, state)
    whole = model.loss(model.lived(duty))
    assert model.loss(state) == pytest.approx(whole, rel=1e-9, abs=1e-15)


@models
@few
@given(state=duties(), rate=st.floats(0, 2))
def test_nothing_changes_nothing(name: str, state: Duty, rate: float) -> None:
    model = MODELS[name]
    before = model.lived(state)
    nothing = Duty(rests={(60, 25): 0.0}, cycles={(10, 60): 0.0}, rate_per_h=rate)
    assert model.lived(nothing, before) == before
    assert model.loss(model.lived(nothing)) == 0


@models
@few
@given(level=levels, cooler=celsius, warmer=celsius)
def test_warmth_is_not_better_at_rest(
    name: str, level: float, cooler: float, warmer: float
) -> None:
    cooler, warmer = sorted((cooler, warmer))
    pace = MODELS[name].resting_pace
    assert 0 < pace(level, cooler) <= pace(level, warmer)


@models
@few
@given(warmth=celsius, days=st.floats(1, 3000))
def test_full_is_worse_than_half_at_rest(name: str, warmth: float, days: float) -> None:
    model = MODELS[name]
    full, half = (
        model.loss(model.lived(Duty.hold(level, temperature_c=warmth, days=days)))
        for level in (100, 50)
    )
    assert full > half or full == half == 1
