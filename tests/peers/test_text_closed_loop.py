"""The daemon as a process of its own between a battery and a board that takes text."""

from __future__ import annotations

from pathlib import Path

import pytest

from support.evidence import intents, outcomes, rows, sound
from support.live_world import Battery, LiveWorld
from support.text_board import TextBoard
from tidegate.cyclelog.rows import AlarmRow

pytestmark = pytest.mark.slow


class TextWorld(LiveWorld):
    """A world whose board takes lines of text."""

    def __init__(
        self, folder: Path, battery: Battery, dialect: str, relay: str
    ) -> None:
        super().__init__(folder, battery)
        self.board.stop()  # never started: this gives back what it holds
        self.board = TextBoard(
            folder / "relay-port", dialect=dialect, numbers=(battery.channel,)
        )
        self._relay = relay

    def settings(self, extra: str = "") -> Path:
        path = super().settings(extra)
        lines = path.read_text(encoding="utf-8").splitlines()
        mine = f'relay = {{ kind = "serial-text", port = "{self.board.link}", {self._relay} }}'
        changed = [mine if line.startswith("relay = ") else line for line in lines]
        path.write_text("\n".join(changed) + "\n", encoding="utf-8")
        return path


@pytest.mark.parametrize(
    ("dialect", "channel", "relay"),
    [
        ("ascii", 1, 'protocol = "ascii-relay", channel = 1'),
        ("scpi", 101, 'protocol = "scpi-route", channel = 101'),
    ],
)
def test_the_port_is_pulled_and_comes_back(
    tmp_path: Path, dialect: str, channel: int, relay: str
) -> None:
    """Normally-closed: the pull itself turns the supply on; then control goes on."""
    battery = Battery("BAT0", channel=channel, soc_percent=63.0)
    world = TextWorld(tmp_path, battery, dialect, relay)
    with world, world.daemon() as daemon:

        def confirmed() -> bool:
            entries = rows(world.log, "bat0")
            done = outcomes(entries)
            offs = [number for number, row in intents(entries) if row.supply == "off"]
            return any(number in done and done[number].succeeded for number in offs)

        # Pulled while it is being told, an off has failed and waits for a minute.
        world.wait_until(confirmed, 30, f"the first off, {daemon.said}")
        world.board.unplug()
        assert not world.board.driven(channel)

        def alarmed(code: str, *, raised: bool) -> bool:
            return any(
                isinstance(entry.row, AlarmRow)
                and (entry.row.code, entry.row.raised) == (code, raised)
                for entry in rows(world.log, "bat0")
            )

        world.wait_until(
            lambda: alarmed("relay_failed", raised=True), 40, f"alarm, {daemon.said}"
        )
        world.board.plug_in()
        world.wait_until(
            lambda: alarmed("relay_failed", raised=False), 60, f"healed, {daemon.said}"
        )
        world.wait_until(
            lambda: world.board.driven(channel), 60, f"the next off, {daemon.said}"
        )
        assert daemon.stop() == 0, daemon.said
        assert not world.board.driven(channel), "the supply is on at the end"
    sound(world.log, "bat0")
    assert "the port is missing" in daemon.said or "the port is gone" in daemon.said
    assert min(battery.trace) > 45
    assert max(battery.trace) < 95
