"""Which alarms the operator's program is told of, and when; both sides of ``apart``."""

from __future__ import annotations

from dataclasses import replace

from tidegate.service.alarm_facts import Told
from tidegate.service.alarm_turns import HELD_MS, Turns

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


def test_at_the_stop_what_waits_is_told_if_it_is_not_as_it_was_told() -> None:
    turns = Turns(APART_MS)
    turns.take(RAISED, 0)
    turns.take(OVER, 1_000)
    cold = replace(RAISED, alarm="battery_cold")
    turns.take(cold, 0)
    turns.take(replace(cold, raised=False), 1_000)
    turns.take(cold, 2_000)
    assert turns.rest(3_000) == [OVER]
    assert turns.rest(3_000) == []
    assert turns.next_ms() is None


def test_an_end_that_comes_with_the_start_waits_for_what_is_seen_then() -> None:
    """A station that starts has seen nothing yet, and the battery may still be hot."""
    turns = Turns(APART_MS)
    assert turns.take(OVER, 5_000, at_start=True) is None
    assert turns.next_ms() == 5_000 + HELD_MS
    assert turns.due(5_000 + HELD_MS - 1) == []
    assert turns.due(5_000 + HELD_MS) == [OVER]
    assert turns.next_ms() is None


def test_one_that_comes_back_after_the_start_is_told_at_once_and_its_end_not() -> None:
    """Once more, for nobody knows what the run before could still tell."""
    turns = Turns(24 * 60 * APART_MS)
    turns.take(OVER, 0, at_start=True)
    assert turns.take(RAISED, 20_000) == RAISED
    assert turns.next_ms() is None
    assert turns.due(HELD_MS) == []


def test_one_that_was_told_in_this_run_is_not_told_again_when_a_station_returns() -> (
    None
):
    turns = Turns(APART_MS)
    turns.take(RAISED, 0)
    assert turns.take(OVER, 2 * APART_MS, at_start=True) is None
    assert turns.take(RAISED, 3 * APART_MS) is None
    assert turns.due(3 * APART_MS) == []
    told = turns.take(OVER, 4 * APART_MS)
    assert told is not None
    assert (told.raised, told.untold) == (False, 2)


def test_what_is_held_at_the_stop_is_not_told_as_over() -> None:
    """Nobody has looked yet whether the battery is still hot."""
    turns = Turns(APART_MS)
    turns.take(OVER, 0, at_start=True)
    assert turns.rest(HELD_MS - 1) == []
    assert turns.rest(HELD_MS) == [OVER]


def test_an_alarm_that_a_station_raises_as_it_starts_is_told_at_once() -> None:
    assert Turns(APART_MS).take(RAISED, 0, at_start=True) == RAISED
