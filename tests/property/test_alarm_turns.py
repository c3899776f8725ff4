"""What the operator's program is told of an alarm, whatever comes in whatever order."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from tidegate.service.alarm_facts import Told
from tidegate.service.alarm_turns import HELD_MS, Turns

APART_MS = 60_000
# Around ``apart`` and around the time that an end at the start is held.
WAITS_MS = st.sampled_from([0, 1, APART_MS - 1, APART_MS, HELD_MS - 1, HELD_MS])


@dataclass(frozen=True)
class Change:
    """The alarm comes or goes, so long after the change before; or a station starts."""

    after_ms: int
    at_start: bool


CHANGES = st.lists(st.builds(Change, WAITS_MS, st.booleans()), max_size=12)


def told_of(
    changes: list[Change], *, stood: bool
) -> tuple[list[tuple[int, bool]], bool]:
    """Return when what was told, with the timer as the part has it, and how it ends."""
    turns, now_ms, stands = Turns(APART_MS), 0, stood
    told: list[tuple[int, bool]] = []

    def until(end_ms: float) -> None:
        while (next_ms := turns.next_ms()) is not None and next_ms <= end_ms:
            due = turns.due(next_ms)
            told.extend((next_ms, each.raised) for each in due)

    for change in changes:
        until(now_ms + change.after_ms)
        now_ms += change.after_ms
        stands = not stands
        this = Told(station="hall", alarm="battery_hot", raised=stands, at="")
        at_start = change.at_start and not stands
        if (now := turns.take(this, now_ms, at_start=at_start)) is not None:
            told.append((now_ms, now.raised))
    until(float("inf"))
    return told, stands


@given(changes=CHANGES, stood=st.booleans())
def test_in_the_end_it_knows_how_it_is(changes: list[Change], *, stood: bool) -> None:
    told, stands = told_of(changes, stood=stood)
    if not changes:
        assert told == []
    elif told:
        assert told[-1][1] is stands
    else:
        raise AssertionError("nobody was told")


@given(changes=CHANGES, stood=st.booleans())
def test_it_is_told_in_turns_and_no_more_often(
    changes: list[Change], *, stood: bool
) -> None:
    told, _ = told_of(changes, stood=stood)
    for (before_ms, before), (now_ms, now) in pairwise(told):
        assert now is not before
        assert now_ms - before_ms >= APART_MS
