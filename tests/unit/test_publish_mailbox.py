"""Mailbox and bell: who puts never waits, the newest wins, what is lost is counted."""

from __future__ import annotations

import threading

from tidegate.publish.mailbox import Bell, Mailbox


def test_one_slot_keeps_the_newest() -> None:
    box: Mailbox[str] = Mailbox()
    assert [box.put("a"), box.put("b"), box.put("c")] == [None, "a", "b"]
    assert box.dropped == 2
    assert (box.take(), box.take()) == ("c", None)


def test_the_oldest_makes_room() -> None:
    box: Mailbox[int] = Mailbox(3)
    for number in range(5):
        box.put(number)
    assert len(box) == 3
    assert [box.take() for _ in range(4)] == [2, 3, 4, None]
    assert box.dropped == 2


def test_nothing_is_lost_uncounted_while_another_thread_takes() -> None:
    """A law: put = taken + dropped, whatever the threads do to each other."""
    box: Mailbox[int] = Mailbox(2)
    bell, taken, count = Bell(), [0], 20_000
    ended = threading.Event()

    def take() -> None:
        while not ended.is_set():
            bell.wait()
            while box.take() is not None:
                taken[0] += 1

    thread = threading.Thread(target=take, daemon=True)
    thread.start()
    for number in range(count):
        box.put(number)
        bell.ring()
    ended.set()
    bell.ring()
    thread.join(10)
    assert not thread.is_alive()
    while box.take() is not None:
        taken[0] += 1
    assert taken[0] + box.dropped == count


def test_rings_that_nobody_waits_for_make_one() -> None:
    bell = Bell()
    bell.ring()
    bell.ring()
    bell.wait()
    waits = threading.Thread(target=bell.wait, daemon=True)
    waits.start()
    waits.join(0.05)
    assert waits.is_alive(), "the second ring counted for itself"
    bell.ring()
    waits.join(10)
    assert not waits.is_alive()
