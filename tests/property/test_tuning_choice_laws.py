"""Laws of a choice, over all tables of losses: feasible, not beaten, not led astray."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from support.tuning_cases import candidate, outcome
from tidegate.tuning.choice import choose
from tidegate.tuning.constraints import Constraints

ASKED = Constraints(autonomy_h=2, relay_life_years=10)
LOSSES = st.tuples(*[st.integers(10, 60).map(lambda each: each / 4)] * 3)
ROWS = st.lists(
    st.tuples(
        LOSSES,
        st.integers(0, 8),  # hours of autonomy
        st.integers(1, 20).map(lambda each: 1_000 * each),  # switchings a year
    ),
    min_size=1,
    max_size=12,
)


def made(rows):
    return [
        outcome(
            candidate(30 + place, 60 + place / 4),
            losses,
            autonomy_h=float(hours),
            switchings=float(count),
        )
        for place, (losses, hours, count) in enumerate(rows)
    ]


def is_feasible(row):
    _, hours, count = row
    return hours >= 2 and 100_000 / count >= 10 and count <= 48 * 365


def measures(rows):
    """Return by place what the front weighs, reckoned anew from the rows."""
    feasible = {place: row for place, row in enumerate(rows) if is_feasible(row)}
    least = [min(column) for column in zip(*(it for it, *_ in feasible.values()))]  # noqa: B905
    return {
        place: (
            max(loss - best for loss, best in zip(losses, least, strict=True)),
            -hours,
            count,
        )
        for place, (losses, hours, count) in feasible.items()
    }


def beats(one, other):
    return one != other and all(a <= b for a, b in zip(one, other, strict=True))


@given(ROWS, st.booleans())
def test_what_is_chosen_is_feasible_and_not_beaten(rows, is_present_known):
    found = choose(made(rows), ASKED, is_present_known=is_present_known)
    by_place = measures(rows)
    assert found.feasible == tuple(by_place)
    if not by_place:
        assert found.best is found.recommended is None
        return
    assert found.best in by_place
    equals = [by_place[place] for place in found.equals]
    assert not any(beats(each, by_place[found.best]) for each in equals)
    # Only the present settings may stay although something is a little better.
    assert found.recommended == found.best or (
        found.recommended == found.present == 0 and 0 in found.equals
    )


@given(ROWS)
def test_nothing_feasible_is_better_than_an_equal(rows):
    """No dearer by any model and by one less by half a point and a hundredth."""
    found = choose(made(rows), ASKED)
    for equal in found.equals:
        for other in found.feasible:
            pairs = list(zip(rows[other][0], rows[equal][0], strict=True))
            less = any(b - a > 0.5 and a < 0.99 * b for a, b in pairs)
            assert not (less and all(a <= b for a, b in pairs))


@given(ROWS)
def test_the_front_is_what_nothing_beats(rows):
    found = choose(made(rows), ASKED)
    by_place = measures(rows)
    unbeaten = {
        measure
        for measure in by_place.values()
        if not any(beats(other, measure) for other in by_place.values())
    }
    assert {by_place[place] for place in found.front} == unbeaten
    assert len(found.front) == len(unbeaten)


@given(ROWS)
def test_the_chosen_regret_is_as_small_as_models_can_tell(rows):
    found = choose(made(rows), ASKED)
    by_place = measures(rows)
    if found.best is None:
        return
    smallest = min(regret for regret, *_ in by_place.values())
    losses, *_ = rows[found.best]
    same = max(0.5, 0.01 * max(losses))
    assert by_place[found.best][0] <= smallest + same + 1e-9


@given(ROWS, LOSSES)
def test_what_is_infeasible_changes_nothing(rows, losses):
    before = choose(made(rows), ASKED)
    after = choose(made([*rows, (losses, 1, 1_000)]), ASKED)
    assert (after.best, after.recommended) == (before.best, before.recommended)
    assert (after.front, after.equals) == (before.front, before.equals)
    assert after.rows() == before.rows()
