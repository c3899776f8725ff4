"""Which alarms the operator's program is told of, and when; both sides of ``apart``."""

from __future__ import annotations

from dataclasses import replace

from tidegate.service.alarm_facts import Told
from tidegate.service.alarm_turns import Turns

APART_MS = 60_000
RAISED = Told(station="hall", alarm="supply_absent", raised=True, at="raised")
OVER = replace(RAISED, raised=False, at="over")


def test_the_first_time_is_told_at_once() -> None:
    turns = Turns(APART_MS)
    assert turns.take(RAISED, 0) == RAISED
    assert turns.next_ms() is None


def test_the_end_waits_until_apart_is_over_and_is_then_told() -> None:
    turns = Turns(APART_MS)
    turns.take(RAISED, 0)
    assert turns.take(OVER, 10_000) is None
    assert turns.next_ms() == APART_MS
    assert turns.due(APART_MS - 1) == []
    assert turns.due(APART_MS) == [OVER]
    assert turns.due(APART_MS) == []
    assert turns.next_ms() is None


def test_at_apart_it_is_told_at_once() -> None:
    turns = Turns(APART_MS)
    turns.take(RAISED, 0)
    assert turns.take(OVER, APART_MS) == OVER


def test_one_that_flaps_starts_it_once_and_the_count_comes_with_the_next() -> None:
    turns = Turns(APART_MS)
    turns.take(RAISED, 0)
    for number in range(1, 6):
        turns.take(replace(OVER, raised=number % 2 == 0), number * 1_000)
    # Over, raised, over, raised, over: the last is told, four were not.
    (told,) = turns.due(APART_MS)
    assert (told.raised, told.untold) == (False, 4)
    assert turns.take(RAISED, 2 * APART_MS) == RAISED


def test_one_that_is_again_as_it_was_told_is_not_told_but_counted() -> None:
    turns = Turns(APART_MS)
    turns.take(RAISED, 0)
    turns.take(OVER, 1_000)
    turns.take(RAISED, 2_000)
    assert turns.due(APART_MS) == []
    told = turns.take(OVER, APART_MS + 1)
    assert told is not None
    assert (told.raised, told.untold) == (False, 2)


def test_other_alarms_and_other_stations_do_not_wait_for_it() -> None:
    turns = Turns(APART_MS)
    turns.take(RAISED, 0)
    others = (replace(RAISED, station="tower"), replace(RAISED, alarm="battery_hot"))
    assert [turns.take(each, 1_000) for each in others] == list(others)


def test_what_waits_is_asked_for_at_the_time_of_the_first() -> None:
    turns = Turns(APART_MS)
    turns.take(replace(RAISED, station="tower"), 5_000)
    turns.take(RAISED, 0)
    turns.take(replace(OVER, station="tower"), 6_000)
    turns.take(OVER, 7_000)
    assert turns.next_ms() == APART_MS
    assert turns.due(APART_MS) == [OVER]
    assert turns.next_ms() == APART_MS + 5_000


def test_a_station_that_was_removed_is_forgotten() -> None:
    turns = Turns(APART_MS)
    gone = replace(RAISED, station="tower")
    for told in (RAISED, gone):
        turns.take(told, 0)
        turns.take(replace(told, raised=False, at="over"), 1_000)
    turns.forget_others({"hall"})
    assert turns.due(APART_MS) == [OVER]
    # One of that name that comes again begins anew.
    assert turns.take(gone, APART_MS) == gone
