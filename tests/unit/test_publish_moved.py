"""What lies between two readings: charge, cycles, time outside the marks."""

from __future__ import annotations

from typing import Any

import pytest

from tidegate.core.policy import Marks
from tidegate.core.reading import Reading, Sample
from tidegate.publish.figures import Figures
from tidegate.publish.moved import Moved

MARKS = Marks(low_percent=55.0, high_percent=65.0)


def moved(
    *readings: tuple[float, dict[str, Any]],
    marks: Marks | None = MARKS,
    design_ah: float | None = None,
) -> Figures:
    """Return the figures of samples at times in seconds, with a poll of 10 s."""
    figures = Figures()
    meter = Moved(figures)
    for at_s, sample in readings:
        reading = Reading(sample=Sample(**sample), at_ms=round(at_s * 1_000), wall_ms=0)
        meter.take(reading, marks=marks, poll_ms=10_000, design_ah=design_ah)
    return figures


def at(soc: float, **more: Any) -> dict[str, Any]:
    return {"soc_percent": soc, **more}


def flowing(current_a: float, *, trusted: bool = True) -> dict[str, Any]:
    return at(60.0, current_a=current_a, current_sign_trusted=trusted)


def test_cycles_are_half_of_what_moved() -> None:
    figures = moved((0, at(60)), (10, at(65)), (20, at(58)))
    assert figures.soc_moved_percent == 12


def test_a_gap_counts_as_one_move() -> None:
    figures = moved((0, at(60)), (3_600, at(40)))
    assert figures.soc_moved_percent == 20
    assert (figures.below_s, figures.above_s) == (0, 0)


def test_each_half_of_a_stretch_is_as_its_end_says() -> None:
    figures = moved((0, at(53)), (10, at(60)), (20, at(70)))
    assert (figures.below_s, figures.above_s) == (5, 5)


@pytest.mark.parametrize(("soc", "outside"), [(54, 0), (53.9, 10), (66, 0), (66.1, 10)])
def test_a_point_beside_a_mark_counts_as_inside(soc: float, outside: float) -> None:
    figures = moved((0, at(soc)), (10, at(soc)))
    assert figures.below_s + figures.above_s == outside


def test_a_station_that_only_measures_is_never_outside() -> None:
    figures = moved((0, at(5)), (10, at(5)), marks=None)
    assert (figures.below_s, figures.above_s) == (0, 0)


@pytest.mark.parametrize(("span_s", "counts"), [(40, True), (40.1, False)])
def test_more_than_four_polls_are_a_gap(span_s: float, counts: bool) -> None:
    figures = moved((0, at(5)), (span_s, at(5)))
    assert (figures.below_s > 0) is counts


def test_a_current_that_is_trusted_comes_first() -> None:
    """1 A for 10 s are 10 C; from 1 A in to 1 A out half flows each way."""
    figures = moved((0, flowing(1)), (10, flowing(1)), (20, flowing(-1)))
    assert (figures.charged_c, figures.discharged_c) == (15, 5)


def test_without_its_sign_a_current_tells_nothing() -> None:
    figures = moved((0, flowing(1, trusted=False)), (10, flowing(1, trusted=False)))
    assert (figures.charged_c, figures.discharged_c) == (None, None)


def test_no_current_is_taken_to_have_flowed_across_a_gap() -> None:
    figures = moved((0, flowing(1)), (3_600, flowing(1)))
    assert figures.charged_c is None


def test_the_gauges_own_charge_comes_second() -> None:
    figures = moved(
        (0, at(60, charge_ah=3.0, full_charge_ah=9.0)),
        (10, at(60, charge_ah=2.5, full_charge_ah=9.0)),
    )
    assert (figures.charged_c, figures.discharged_c) == (0, 1_800)


@pytest.mark.parametrize(
    ("known", "design_ah", "coulombs"),
    [
        ({"full_charge_ah": 4.0, "design_charge_ah": 5.0}, 6.0, 1_440),
        ({"design_charge_ah": 5.0}, 6.0, 1_800),
        ({}, 6.0, 2_160),
        ({}, None, None),
    ],
)
def test_the_level_times_the_capacity_comes_last(
    known: dict[str, float], design_ah: float | None, coulombs: float | None
) -> None:
    figures = moved((0, at(50, **known)), (10, at(60, **known)), design_ah=design_ah)
    assert figures.charged_c == (None if coulombs is None else pytest.approx(coulombs))


def test_another_pack_moves_nothing() -> None:
    figures = moved((0, at(90, pack="old")), (10, at(20, pack="new")), design_ah=7.0)
    assert figures.soc_moved_percent == 0
    assert figures.charged_c is None


def test_a_reading_that_does_not_tell_its_pack_is_of_the_same() -> None:
    """As the core and the audit take it: an absent value is no other value."""
    named = {"pack": "old"}
    figures = moved((0, at(60, **named)), (10, at(58)), (20, at(56, **named)))
    assert figures.soc_moved_percent == 4
    figures = moved((0, at(60, **named)), (10, at(58)), (20, at(20, pack="new")))
    assert figures.soc_moved_percent == 2
