"""The daemon as a process of its own between a battery and a board, in real time."""

from __future__ import annotations

from pathlib import Path

import pytest

from support.evidence import effects, intents, outcomes, rows, sound
from support.live_world import Battery, LiveWorld
from support.wrapped import names_in, outcomes_of
from tidegate.cyclelog.rows import AlarmRow, OutcomeRow

SCENARIOS = Path(__file__).with_name("umockdev_closed_loop.py")

pytestmark = pytest.mark.peer


@pytest.fixture(scope="module")
def wrapped(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    return outcomes_of(SCENARIOS, tmp_path_factory.mktemp("closed"), timeout_s=110)


@pytest.mark.parametrize("name", names_in(SCENARIOS))
def test_on_a_mock_kernel_battery(name: str, wrapped: dict[str, str]) -> None:
    assert wrapped.get(name, "it did not run") == ""


def switched(world: LiveWorld, battery: Battery, times: int, timeout_s: float) -> None:
    """Wait until the contact of a battery has moved so often."""
    seen = [world.board.driven(battery.channel)]

    def moved() -> bool:
        now = world.board.driven(battery.channel)
        if now is not seen[-1]:
            seen.append(now)
        return len(seen) > times

    world.wait_until(moved, timeout_s, f"{times} moves of channel {battery.channel}")


@pytest.mark.slow
def test_two_stations_on_one_board(tmp_path: Path) -> None:
    """Each channel follows its own battery; one link, one call at a time."""
    first = Battery("BATA", channel=1, soc_percent=63.0)
    second = Battery("BATB", channel=2, soc_percent=58.0, rate_percent_s=1.0)
    with LiveWorld(tmp_path, first, second) as world, world.daemon() as daemon:
        switched(world, first, 2, 60)
        switched(world, second, 2, 60)
        assert daemon.stop() == 0, daemon.said
        assert not world.board.driven(1)
        assert not world.board.driven(2)
    for name in ("bata", "batb"):
        entries = sound(world.log, name)
        done, proven = outcomes(entries), effects(entries)
        marks = [
            row_id for row_id, row in intents(entries) if row.reason.endswith("_mark")
        ]
        assert len(marks) >= 2, daemon.said
        assert all(done[row_id].succeeded for row_id in marks)
        assert any(True in proven.get(row_id, []) for row_id in marks)


@pytest.mark.slow
def test_the_port_is_pulled_and_comes_back(tmp_path: Path) -> None:
    """Normally-closed: the pull itself turns the supply on; then control goes on."""
    battery = Battery("BAT0", soc_percent=63.0)
    with LiveWorld(tmp_path, battery) as world, world.daemon() as daemon:
        world.wait_until(lambda: world.board.driven(), 20, "the first off")
        world.board.unplug()

        def noticed() -> bool:
            return any(
                isinstance(entry.row, AlarmRow) and entry.row.raised
                for entry in rows(world.log, "bat0")
            )

        world.wait_until(noticed, 30, f"an alarm for the lost relay, {daemon.said}")
        world.board.plug_in()
        switched(world, battery, 2, 60)
        assert daemon.stop() == 0, daemon.said
        assert not world.board.driven()
    sound(world.log, "bat0")
    assert min(battery.trace) > 45
    assert max(battery.trace) < 90


def killed_then_restarted(world: LiveWorld, battery: Battery) -> None:
    """Start the daemon again and let it cross the window once more."""
    with world.daemon() as daemon:
        switched(world, battery, 2, 60)
        assert daemon.stop() == 0, daemon.said
    assert not world.board.driven()
    sound(world.log, "bat0")


@pytest.mark.slow
def test_kill_on_the_frame(tmp_path: Path) -> None:
    """The board hears the off, and the daemon dies before it can say so."""
    battery = Battery("BAT0", soc_percent=63.0)
    with LiveWorld(tmp_path, battery) as world:
        with world.daemon() as daemon:
            world.board.on_contact = lambda channel, driven: (
                daemon.process.kill() if driven else None
            )
            world.wait_until(lambda: daemon.process.poll() is not None, 20, "the kill")
        world.board.on_contact = None
        entries = rows(world.log, "bat0")
        row_id, row = intents(entries)[-1]
        assert (row.supply, row.reason) == ("off", "at_high_mark")
        assert row_id not in outcomes(entries), "the intent was durable, nothing after"
        killed_then_restarted(world, battery)


@pytest.mark.slow
def test_kill_before_the_outcome(tmp_path: Path) -> None:
    """The board acts and keeps its answer back; the daemon dies waiting for it."""
    battery = Battery("BAT0", soc_percent=63.0)
    with LiveWorld(tmp_path, battery) as world:
        with world.daemon() as daemon:
            world.board.on_contact = lambda channel, driven: (
                world.board.hold() if driven else None
            )
            world.wait_until(lambda: world.board.driven(), 20, "the off")
            daemon.kill()
        world.board.on_contact = None
        world.board.let_go()
        entries = rows(world.log, "bat0")
        assert intents(entries)[-1][0] not in outcomes(entries)
        killed_then_restarted(world, battery)


@pytest.mark.slow
def test_kill_before_the_effect(tmp_path: Path) -> None:
    """The outcome is durable, the verdict is not there yet."""
    battery = Battery("BAT0", soc_percent=63.0)
    with LiveWorld(tmp_path, battery) as world:
        with world.daemon() as daemon:

            def off_is_done() -> bool:
                entries = rows(world.log, "bat0")
                offs = {
                    row_id for row_id, row in intents(entries) if row.supply == "off"
                }
                return any(
                    isinstance(entry.row, OutcomeRow) and entry.row.intent in offs
                    for entry in entries
                )

            world.wait_until(off_is_done, 20, f"the outcome, {daemon.said}")
            daemon.kill()
        killed_then_restarted(world, battery)


@pytest.mark.slow
def test_kill_after_the_intent_and_before_the_frame(tmp_path: Path) -> None:
    """The intent is durable and the port is gone, so no frame can follow it."""
    battery = Battery("BAT0", soc_percent=60.0)
    with LiveWorld(tmp_path, battery) as world:
        with world.daemon() as daemon:
            world.wait_until(
                lambda: bool(outcomes(rows(world.log, "bat0"))), 20, "the first on"
            )
            world.board.unplug()
            world.board.forget()

            def intends_off() -> bool:
                found = intents(rows(world.log, "bat0"))
                return any(row.supply == "off" for _, row in found)

            world.wait_until(intends_off, 30, f"an intent, {daemon.said}")
            daemon.kill()
            assert world.board.heard() == []
        world.board.plug_in()
        killed_then_restarted(world, battery)


@pytest.mark.slow
def test_kill_before_the_intent_is_durable(tmp_path: Path) -> None:
    """The read just before the switching is the peer's chance: it never answers."""
    # Far enough from the high mark that the dwell is over when it gets there.
    battery = Battery("BAT0", soc_percent=45.0)
    with LiveWorld(tmp_path, battery) as world:
        with world.daemon() as daemon:
            world.stall_at(65.0)
            world.wait_until(
                world.stalled.is_set, 30, f"the stalled read, {daemon.said}"
            )
            daemon.kill()
            assert '"to": "off"' in daemon.said, "it had decided"
        world.flow()
        assert not any(
            row.supply == "off" for _, row in intents(rows(world.log, "bat0"))
        )
        assert not world.board.driven()
        killed_then_restarted(world, battery)
