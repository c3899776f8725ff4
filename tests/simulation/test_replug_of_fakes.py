"""Relays that no test machine has, pulled and put back under the whole daemon.

The daemon, its cycle log and the backends are the real ones, in virtual time; behind
each backend stands the fake of its own tests. The contact is normally-closed, so a
pull itself lets the supply return.
"""

from __future__ import annotations

import asyncio
import errno
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest import mock

import pytest

from faults.rigs import HOUR_S, Site, lives
from support.fake_hid import FakeHids, unplugging
from support.fake_lines import FakeGpioLines, FakeModemLines
from tidegate import assembly
from tidegate.contract import Host, Relay
from tidegate.cyclelog.rows import IntentRow, OutcomeRow
from tidegate_backends.relays.gpio import GpioRelay
from tidegate_backends.relays.hid import HidRelay
from tidegate_backends.relays.serial_line import SerialLineRelay


@dataclass(frozen=True, kw_only=True)
class Transport:
    """A relay's table, how it is made, what its coil does, and its plug."""

    table: dict[str, Any]
    make: Callable[[Any, Host], Relay]
    is_driven: Callable[[], bool]
    pull: Callable[[Site], None]
    put: Callable[[Site], None]
    says: str


def _hid(folder: Path) -> Transport:
    hids = FakeHids(folder)
    board = hids.plug()
    pull, put = unplugging(board)
    return Transport(
        table={"kind": "hid", "serial": board.serial, "channel": 1},
        make=lambda settings, host: HidRelay(settings, host, hid=hids.hid),
        is_driven=lambda: board.coils[1],
        pull=lambda _: pull(),
        put=lambda _: put(),
        says="board",
    )


def _gpio(_: Path) -> Transport:
    chip = FakeGpioLines()

    def pull(_: Site) -> None:
        # The kernel forgets the lines of a chip that goes, and its pins float.
        chip.fails_with = errno.ENODEV
        chip.high["RELAY_1"] = False

    def put(_: Site) -> None:
        chip.fails_with = 0

    return Transport(
        table={"kind": "gpio", "chip": chip.chip, "line": "RELAY_1"},
        make=lambda settings, host: GpioRelay(settings, host, hold=chip.hold),
        is_driven=lambda: chip.high.get("RELAY_1", False),
        pull=pull,
        put=put,
        says="chip",
    )


def _modem_line(folder: Path) -> Transport:
    lines = FakeModemLines()

    def pull(site: Site) -> None:
        site.board.unplug()
        lines.raised["dtr"] = False

    return Transport(
        # The port of the site's own board: a pseudo-terminal, and nobody listens.
        table={
            "kind": "serial-line",
            "port": str(folder / "relay-port"),
            "line": "dtr",
        },
        make=lambda settings, host: SerialLineRelay(settings, host, drive=lines.drive),
        is_driven=lambda: lines.raised["dtr"],
        pull=pull,
        put=lambda site: site.board.plug_in(),
        says="port",
    )


@pytest.mark.parametrize("made", [_hid, _gpio, _modem_line])
def test_pulled_and_put_back_while_the_daemon_runs(
    made: Callable[[Path], Transport], tmp_path: Path
) -> None:
    transport = made(tmp_path)
    site = Site(tmp_path, relay=transport.table)

    async def wire() -> None:
        """The contact in the supply follows the coil."""
        was = False
        while True:
            is_driven = transport.is_driven()
            if is_driven is not was:
                site.moved(1, is_driven)
                was = is_driven
            await asyncio.sleep(0.1)

    async def life(site: Site) -> None:
        wiring = asyncio.get_running_loop().create_task(wire())
        async with site.living():
            await site.live(200)
            site.set(capacity=66)
            await site.until(lambda: not site.powered, 400, "off at the high mark")
            await site.live(90)
            assert site.state.drive.off_proven
            transport.pull(site)
            await site.until(lambda: site.powered, 5, "on by the wiring")
            await site.until(
                lambda: site.alarmed("relay_failed"), 10 * 60, "a lost relay is told"
            )
            transport.put(site)
            await site.until(lambda: not site.powered, HOUR_S, "off again")
            await site.live(90)
            assert not site.alarmed("relay_failed"), "the alarm did not end"
            transport.pull(site)
            await site.live(60)
        assert site.powered, "the supply is on at the end"
        wiring.cancel()
        await asyncio.wait({wiring})

    with mock.patch.object(
        assembly, "make_relay", lambda s, host: transport.make(s.relay, host)
    ):
        lives(site, life)
    assert any(transport.says in each["error"] for each in site.said("relay"))
    assert site.told("relay_failed")[:2] == [True, False]
    assert {row.supply for row in site.rows(IntentRow)} == {"on", "off"}
    assert any(row.error for row in site.rows(OutcomeRow))
    site.sound()
