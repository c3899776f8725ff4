"""Benches of the relays on serial ports and on lines of the machine itself."""

from __future__ import annotations

import asyncio
import errno
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from pathlib import Path
from typing import Any, get_args

from contract.entry import Entry, awaitable, fault
from support.fake_lines import FakeGpioLines, FakeModemLines
from support.held_port import HeldPort
from support.relay_board import RelayBoard
from support.text_board import TextBoard
from tidegate.clock import SystemClock
from tidegate.contract import Contact, Relay
from tidegate.core.reading import Supply
from tidegate.errors import Busy, Malformed, Refused, Unavailable, Unsupported
from tidegate.host import Machine
from tidegate.testing import Fault, RelayBench, Stall
from tidegate_backends.relays import gpio, serial_line, serial_text

OUTPUTS: tuple[Contact, ...] = ("normally-open", "latching")


def is_driven(contact: Contact, supply: Supply) -> bool:
    """Normally-closed opens when driven; the two others close when driven."""
    return (supply is Supply.OFF) == (contact == "normally-closed")


# ---- serial-text


def _text_bench(
    dialect: str,
    number: int,
    *,
    faults: tuple[tuple[str, Any, Any], ...],
    contacts: tuple[Contact, ...] = get_args(Contact),
    stalls: bool = True,
    **table: Any,
) -> Callable[[Path], AbstractAsyncContextManager[RelayBench]]:
    @asynccontextmanager
    async def bench(tmp_path: Path) -> AsyncIterator[RelayBench]:
        machine = Machine(SystemClock())
        host = machine.host("lobby", hint=lambda: None)
        board = TextBoard(tmp_path / "board", dialect=dialect, numbers=(number, 7))

        def make(contact: Contact) -> Relay:
            given = {"port": str(board.link), "contact": contact, "pause": "0s"}
            settings = serial_text.Settings.model_validate({**given, **table})
            return serial_text.SerialTextRelay(settings, host)

        async def supply_becomes(contact: Contact, supply: Supply) -> bool:
            driven = is_driven(contact, supply)
            # A line that nobody answers is on its way when set returns.
            await asyncio.to_thread(
                board.wait_until, lambda board: board.driven(number) == driven
            )
            return board.driven(number) == driven

        with board:
            yield RelayBench(
                make=make,
                supply_becomes=supply_becomes,
                stall=_board_stall(board) if stalls else None,
                faults=(*_port_faults(board), *_spoils(board, faults)),
                contacts=contacts,
            )
        await host.close()
        machine.workers.close()

    return bench


def _board_stall(board: RelayBoard) -> Stall:
    async def reached() -> None:
        await asyncio.to_thread(board.wait_until, lambda board: bool(board.heard()))

    def begin() -> None:
        board.forget()
        board.hold()

    return Stall(begin=awaitable(begin), reached=reached, end=awaitable(board.let_go))


def _port_faults(board: RelayBoard) -> tuple[Fault, ...]:
    away = board.link.with_name("away")
    port = HeldPort(board.link)
    return (
        fault("unplugged", "open", Unavailable, board.unplug, board.plug_in),
        fault("unplugged", "set", Unavailable, board.unplug, board.plug_in),
        fault("in use by another program", "open", Busy, port.hold, port.let_go),
        fault(
            "a folder in the place of the port",
            "open",
            Unsupported,
            lambda: (board.link.rename(away), board.link.mkdir()),
            lambda: (board.link.rmdir(), away.rename(board.link)),
        ),
    )


def _spoils(
    board: TextBoard, faults: tuple[tuple[str, Any, Any], ...]
) -> tuple[Fault, ...]:
    return tuple(
        fault(kind, during, error, lambda kind=kind: board.spoil(kind), board.fair)
        for kind, during, error in faults
    )


_SPOILED_QUERY: tuple[tuple[str, Any, Any], ...] = (
    ("silent", "get", Unavailable),
    ("silent", "set", Unavailable),
    ("wrong", "get", Malformed),
    ("stale", "get", Malformed),
    ("binary", "get", Malformed),
    ("flood", "get", Malformed),
    ("refuse", "set", Refused),
)

_ACKNOWLEDGED = {
    "channel": 1,
    "coil_on": "AT+ON{channel}",
    "coil_off": "AT+OFF{channel}",
    "line_end": "\r\n",
    "acknowledged": "OK",
    "refused": "ERROR",
    "echo": True,
    "limit": "0.3s",
}


# ---- serial-line


@asynccontextmanager
async def _serial_line(tmp_path: Path) -> AsyncIterator[RelayBench]:
    """A real port whose lines are fake: a pseudo-terminal has none."""
    machine = Machine(SystemClock())
    host = machine.host("lobby", hint=lambda: None)
    lines = FakeModemLines()

    def make(contact: Contact) -> Relay:
        table = {"port": str(board.link), "line": "rts", "contact": contact}
        settings = serial_line.Settings.model_validate(table)
        return serial_line.SerialLineRelay(settings, host, drive=lines.drive)

    async def supply_becomes(contact: Contact, supply: Supply) -> bool:
        return lines.raised["rts"] == is_driven(contact, supply)

    with RelayBoard(tmp_path / "port") as board:
        yield RelayBench(
            make=make,
            supply_becomes=supply_becomes,
            stall=_gate_stall(lines.gate),
            faults=(
                *_port_faults(board),
                fault(
                    "pulled and back",
                    "set",
                    Malformed,
                    lambda: (board.unplug(), board.plug_in()),
                    lambda: None,
                ),
                fault(
                    "a port without modem lines",
                    "open",
                    Unsupported,
                    lambda: setattr(lines, "has_lines", False),
                    lambda: setattr(lines, "has_lines", True),
                ),
            ),
        )
    await host.close()
    machine.workers.close()


def _gate_stall(gate: Any) -> Stall:
    async def reached() -> None:
        assert await asyncio.to_thread(gate.reached.wait, 20), "the call did not come"

    return Stall(begin=awaitable(gate.shut), reached=reached, end=awaitable(gate.open))


# ---- gpio


def _gpio_bench(
    **table: Any,
) -> Callable[[Path], AbstractAsyncContextManager[RelayBench]]:
    @asynccontextmanager
    async def bench(tmp_path: Path) -> AsyncIterator[RelayBench]:
        machine = Machine(SystemClock())
        host = machine.host("lobby", hint=lambda: None)
        chip = FakeGpioLines()

        def make(contact: Contact) -> Relay:
            given = {"chip": chip.chip, "contact": contact, **table}
            settings = gpio.Settings.model_validate(given)
            return gpio.GpioRelay(settings, host, hold=chip.hold)

        async def supply_becomes(contact: Contact, supply: Supply) -> bool:
            low_drives = table.get("active_low", False)
            return chip.high["RELAY_1"] == (is_driven(contact, supply) != low_drives)

        yield RelayBench(
            make=make,
            supply_becomes=supply_becomes,
            stall=_gate_stall(chip.gate),
            faults=_chip_faults(chip),
        )
        await host.close()
        machine.workers.close()

    return bench


def _chip_faults(chip: FakeGpioLines) -> tuple[Fault, ...]:
    def failing(name: str, during: Any, error: Any, number: int) -> Fault:
        return fault(
            name,
            during,
            error,
            lambda: setattr(chip, "fails_with", number),
            lambda: setattr(chip, "fails_with", 0),
        )

    return (
        failing("no such chip", "open", Unavailable, errno.ENOENT),
        failing("not a chip", "open", Unsupported, errno.ENOTTY),
        failing("no permission", "open", Unavailable, errno.EACCES),
        failing("the chip is gone", "set", Unavailable, errno.ENODEV),
        failing("the chip's bus fails", "get", Unavailable, errno.EREMOTEIO),
        fault(
            "the line is somebody else's",
            "open",
            Busy,
            lambda: chip.users.add("RELAY_1"),
            chip.users.clear,
        ),
    )


ENTRIES: Mapping[str, Entry] = {
    "tidegate_backends.relays.serial_text": Entry(
        table={
            "kind": "serial-text",
            "port": "/dev/serial/by-path/one",
            "protocol": "ascii-relay",
            "channel": 0,
        },
        benches={
            "ascii": _text_bench(
                "ascii",
                0,
                faults=_SPOILED_QUERY,
                protocol="ascii-relay",
                channel=0,
                limit="0.3s",
            ),
            "scpi-route": _text_bench(
                "scpi",
                101,
                faults=(("refuse", "set", Refused), ("wrong", "get", Malformed)),
                stalls=False,
                protocol="scpi-route",
                channel=101,
            ),
            "scpi-output": _text_bench(
                "scpi",
                1,
                faults=(("other-state", "set", Refused),),
                stalls=False,
                contacts=OUTPUTS,
                protocol="scpi-output",
            ),
            "echo": _text_bench(
                "at",
                1,
                faults=(
                    ("silent", "set", Unavailable),
                    ("wrong", "set", Malformed),
                    ("stale", "set", Malformed),
                    ("refuse", "set", Refused),
                ),
                **_ACKNOWLEDGED,
            ),
            "write-only": _text_bench(
                "at", 1, faults=(), stalls=False, protocol="at-relay", channel=1
            ),
        },
    ),
    "tidegate_backends.relays.serial_line": Entry(
        table={"kind": "serial-line", "port": "/dev/ttyUSB0", "line": "dtr"},
        benches={"line": _serial_line},
    ),
    "tidegate_backends.relays.gpio": Entry(
        table={"kind": "gpio", "chip": "soc-gpio", "line": 17},
        benches={
            "by-name": _gpio_bench(line="RELAY_1"),
            "active-low": _gpio_bench(line=0, active_low=True, drive="open-drain"),
        },
    ),
}
