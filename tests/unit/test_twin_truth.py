"""How much of the truth lay in the window, on courses that one can do in the head."""

import pytest

from tidegate.twin.truth import Diary, Truth

HOUR_MS = 3_600_000


def moment(hour, soc, *, mains=True, closed=True):
    at_ms = round(hour * HOUR_MS)
    return Truth(at_ms, soc, 25.0, mains, closed, alive=True)


def diary(*points):
    return Diary([moment(hour, soc) for hour, soc in points])


def kept(course, **spans):
    return course.kept(low_percent=55, high_percent=65, **spans)


def test_a_straight_line_is_cut_exactly_at_the_margins():
    # From 60 to 70 % in an hour: inside up to 66 %, that is for 0.6 h.
    share = kept(diary((0, 60), (1, 70)))
    assert share.in_window_percent == pytest.approx(60.0)
    assert share.counted_s == 3600
    assert (share.lowest_soc_percent, share.highest_soc_percent) == (60, 70)
    assert share.equivalent_full_cycles == pytest.approx(0.05)


def test_what_came_before_the_first_entry_does_not_count():
    share = kept(diary((0, 96), (3, 66), (4, 56), (5, 46)))
    assert share.counted_s == 2 * 3600
    # 66 to 56 inside; of 56 to 46 the two points down to 54.
    assert share.in_window_percent == pytest.approx(100 * 1.2 / 2)
    assert share.highest_soc_percent == 66


def test_both_margins_belong_to_the_window():
    share = kept(diary((0, 54), (1, 54), (2, 66), (3, 66)))
    assert share.in_window_percent == pytest.approx(100.0)
    assert kept(diary((0, 60), (1, 66.01), (2, 66.01))).in_window_percent < 50.0


def test_a_line_that_jumps_over_the_window_is_inside_only_while_it_crosses():
    share = kept(diary((0, 60), (0, 80), (1, 40)))
    assert share.inside_s == pytest.approx(3600 * 12 / 40)


def test_seconds_without_mains_and_excluded_spans_leave_the_denominator_once():
    course = diary((0, 60), (1, 60))
    course.records += [
        moment(1, 60, mains=False),
        moment(2, 40),
        moment(4, 40),
    ]
    spans = [
        (round(1.5 * HOUR_MS), round(2.5 * HOUR_MS)),
        (round(2.25 * HOUR_MS), 3 * HOUR_MS),
        (round(2.5 * HOUR_MS), round(2.75 * HOUR_MS)),
    ]
    share = kept(course, excluded=spans)
    # One hour inside, one without mains, one excluded by spans, one at 40 %.
    assert share.excluded_hours == pytest.approx(2.0)
    assert share.counted_s == pytest.approx(2 * 3600)
    assert share.in_window_percent == pytest.approx(50.0)


def test_a_battery_that_never_came_in_has_nothing_to_show():
    share = kept(diary((0, 90), (9, 80)))
    assert share.in_window_percent == 0.0
    assert share.lowest_soc_percent is None
    assert share.equivalent_full_cycles == 0


def test_external_power_needs_mains_and_a_closed_contact():
    truths = [
        moment(0, 60, mains=mains, closed=closed).external_power
        for mains in (True, False)
        for closed in (True, False)
    ]
    assert truths == [True, False, False, False]
