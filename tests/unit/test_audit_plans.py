"""What counts as in the window while a plan has other marks. Numbers are invented.

There is no outside source for it: expected hours are counted by hand from the levels.
"""

from __future__ import annotations

import pytest

from tidegate.audit.levels import Levels
from tidegate.audit.rows import Run
from tidegate.core.policy import Marks

HOUR = 3_600_000
WINDOW = Marks(low_percent=55.0, high_percent=65.0)
RISE = Marks(low_percent=88.0, high_percent=90.0)
DOWN = Marks(low_percent=35.0, high_percent=37.0)
UP = Marks(low_percent=55.0, high_percent=85.0)

# What comes into force before the level of an hour is read.
Hours = list[tuple[Marks | str | None, int]]


def one(soc: int) -> Run:
    empty = dict.fromkeys(Run._fields)
    known = {"boot_ms": 0, "reads": 1, "span_ms": 0, "longest_gap_ms": 0}
    return Run(**{**empty, **known, "soc_hundredths_percent": 100 * soc})


def hours_inside(hours: Hours) -> tuple[int, int]:
    """Return hours in the window and hours with one in force."""
    levels = Levels(since_ms=None, until_ms=None, is_whole=True)
    levels.window(WINDOW)
    for n, (plan, soc) in enumerate(hours):
        if not isinstance(plan, str):
            levels.plan(plan)
        levels.take(one(soc), n * HOUR, most_ms=2 * HOUR)
    told = levels.end(0, (len(hours) - 1) * HOUR, most_ms=2 * HOUR)
    return told.inside_ms // HOUR, told.ruled_ms // HOUR


SAME = "as before"


def test_a_level_that_does_not_come_back_is_outside_after_two_days() -> None:
    """A relay that only stops charging leaves it up there for weeks."""
    stays: Hours = [(SAME, 60), (RISE, 90), (SAME, 90), *(97 * [(SAME, 90)])]
    stays[3] = (None, 90)
    # The hour before the end of the plan is counted when its own end is read.
    assert hours_inside(stays) == (1 + 1 + 48, 99)


@pytest.mark.parametrize(
    ("hours", "inside"),
    [
        # each hour holds the level read at its beginning; the last begins none
        ([(SAME, 60), (SAME, 70), (SAME, 60)], 1),
        ([(SAME, 60), (RISE, 70), (SAME, 90), (SAME, 60)], 3),
        ([(SAME, 60), (RISE, 91), (SAME, 92), (SAME, 60)], 2),
        # on the way back it is where it should be, and once it is back no more
        ([(RISE, 90), (None, 85), (SAME, 75), (SAME, 66), (SAME, 60)], 4),
        ([(RISE, 90), (None, 85), (SAME, 66), (SAME, 70), (SAME, 60)], 3),
        # down and up again: what lies between counts all along
        ([(DOWN, 60), (SAME, 35), (UP, 36), (SAME, 80), (None, 70), (SAME, 60)], 5),
        ([(DOWN, 60), (SAME, 33), (UP, 35), (SAME, 60)], 2),
    ],
)
def test_the_way_to_the_marks_of_a_plan_and_back_is_inside(
    hours: Hours, inside: int
) -> None:
    assert hours_inside(hours) == (inside, len(hours) - 1)


def test_a_window_that_is_set_meanwhile_counts_too() -> None:
    levels = Levels(since_ms=None, until_ms=None, is_whole=True)
    levels.window(WINDOW)
    levels.plan(RISE)
    levels.window(Marks(low_percent=45.0, high_percent=50.0))
    for n, soc in enumerate((46, 90, 60)):
        levels.take(one(soc), n * HOUR, most_ms=2 * HOUR)
    told = levels.end(0, 2 * HOUR, most_ms=2 * HOUR)

    assert told.inside_ms == 2 * HOUR
