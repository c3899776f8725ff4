"""The whole daemon on a mock kernel battery; run by `test_closed_loop.py`."""

from __future__ import annotations

from pathlib import Path

from support.evidence import effects, intents, outcomes, sound
from support.live_world import Battery, LiveWorld
from support.umockdev_testbed import Testbed

CROSSINGS = 3


def test_the_window_holds_over_several_crossings(tmp_path: Path) -> None:
    """The board's contact moves the battery's numbers, and they move the contact."""
    battery = Battery("BAT0", soc_percent=54.0)
    with Testbed() as bed, LiveWorld(tmp_path, battery, bed=bed) as world:
        with world.daemon() as daemon:
            seen: list[bool] = [world.board.driven()]

            def crossed() -> bool:
                now = world.board.driven()
                if now is not seen[-1]:
                    seen.append(now)
                return len(seen) > CROSSINGS

            world.wait_until(crossed, 60, f"{CROSSINGS} crossings, {daemon.said}")
            assert daemon.stop() == 0, daemon.said
        assert not world.board.driven(), "after a stop the supply is on"
        # The poll is 1 s and the battery moves 2 points in it: a mark is passed by
        # that, by the read before the switching, by what integers hide, and by the
        # seconds that a busy machine keeps the daemon waiting.
        lowest, highest = min(battery.trace), max(battery.trace)
        assert lowest > 44, daemon.said
        assert highest < 78, daemon.said

    entries = sound(world.log, "bat0")
    ordered = [
        (row_id, row) for row_id, row in intents(entries) if row.kind == "change"
    ]
    assert {"at_high_mark", "at_low_mark"} <= {row.reason for _, row in ordered}
    done, proven = outcomes(entries), effects(entries)
    for row_id, row in ordered:
        assert done[row_id].succeeded, row
        if row.reason in ("at_high_mark", "at_low_mark"):
            assert proven.get(row_id) == [True] or row_id == ordered[-2][0], row
