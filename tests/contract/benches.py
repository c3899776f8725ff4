"""A bench for every backend: its peer, how that peer fails, how its contact is seen.

Every file in `tidegate_backends.gauges` and `.relays`, and every entry point of ours,
needs an entry in ``ENTRIES``; ``test_conformance`` fails for one without.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from pathlib import Path
from typing import Any

from contract import (
    benches_adb,
    benches_ble,
    benches_kernel,
    benches_modbus_hid,
    benches_network,
    benches_replay,
    benches_serial,
)
from contract.entry import Entry, Pipe, awaitable, fault
from support.host import TestHost
from support.relay_board import RelayBoard
from tidegate.clock import SystemClock
from tidegate.contract import Contact, Relay
from tidegate.core.reading import Supply
from tidegate.errors import (
    Busy,
    Malformed,
    Refused,
    Unavailable,
    Unsupported,
)
from tidegate.host import Machine
from tidegate.testing import Fault, GaugeBench, RelayBench, Stall
from tidegate.twin import bench as twin_bench
from tidegate.twin import gauge as twin_gauge
from tidegate.twin import relay as twin_relay
from tidegate_backends.gauges import command as command_gauge
from tidegate_backends.gauges import sysfs
from tidegate_backends.relays import command as command_relay
from tidegate_backends.relays import serial_frame

# ---- gauges


@asynccontextmanager
async def _sysfs(tmp_path: Path) -> AsyncIterator[GaugeBench]:
    battery = tmp_path / "class" / "power_supply" / "BAT0"
    _write(
        battery,
        # Values of a synthetic pack, in the kernel's units (µV, µA, µAh, 0.1 °C).
        type="Battery",
        scope="System",
        present="1",
        status="Discharging",
        capacity="61",
        voltage_now="3812000",
        current_now="-412000",
        temp="284",
        charge_now="4270000",
        charge_full="7000000",
        charge_full_design="7200000",
        cycle_count="118",
        health="Good",
        manufacturer="synthetic",
        model_name="panel pack",
        serial_number="0001",
    )
    _write(battery.parent / "AC", type="Mains", online="1")
    machine = Machine(SystemClock())
    host = machine.host("lobby", hint=lambda: None)
    settings = sysfs.SysfsSettings(root=tmp_path)
    away = tmp_path / "away"
    yield GaugeBench(
        make=lambda: sysfs.SysfsGauge(settings, host),
        stall=Pipe(battery / "uevent").stall(),
        cannot_happen_here={
            Refused: "who runs tests as root is refused nothing; test_sysfs has it"
        },
        faults=(
            fault(
                "the battery's folder vanishes",
                "read",
                Unavailable,
                lambda: battery.rename(away),
                lambda: away.rename(battery),
            ),
        ),
    )
    await host.close()
    machine.workers.close()


def _write(folder: Path, **attributes: str) -> None:
    folder.mkdir(parents=True)
    for name, text in attributes.items():
        (folder / name).write_text(f"{text}\n")
    lines = [
        f"POWER_SUPPLY_{name.upper()}={text}"
        for name, text in attributes.items()
        if name != "scope"
    ]
    (folder / "uevent").write_text(
        "\n".join([f"POWER_SUPPLY_NAME={folder.name}", *lines, ""])
    )


@asynccontextmanager
async def _command_gauge(tmp_path: Path) -> AsyncIterator[GaugeBench]:
    answer = tmp_path / "answer.json"
    quantities = {
        "soc_percent": 61.5,
        "battery_status": "discharging",
        "external_power": "no",
        "present": True,
        "voltage_v": 3.812,
        "current_a": -0.412,
        "current_sign_trusted": True,
        "temperature_c": 28.4,
        "temperature_sensor": "pack",
        "charge_ah": 4.27,
        "full_charge_ah": 7.0,
        "design_charge_ah": 7.2,
        "cycle_count": 118,
        "health": "good",
        "pack": "synthetic 0001",
        "uptime_s": 86_400,
        "flags": ["coarse"],
    }
    answer.write_text(json.dumps(quantities))
    away, tool = tmp_path / "away", tmp_path / "tool"
    tool.symlink_to("/bin/cat")

    def forbid() -> None:
        tool.unlink()
        tool.touch(mode=0o644)

    def allow() -> None:
        tool.unlink()
        tool.symlink_to("/bin/cat")

    settings = command_gauge.CommandSettings(run=(str(tool), str(answer)))
    yield GaugeBench(
        make=lambda: command_gauge.CommandGauge(settings, TestHost()),
        stall=Pipe(answer).stall(),
        faults=(
            fault(
                "the program fails",
                "read",
                Unavailable,
                lambda: answer.rename(away),
                lambda: away.rename(answer),
            ),
            fault(
                "the program prints no JSON",
                "read",
                Malformed,
                lambda: answer.write_text("battery: 61 %"),
                lambda: answer.write_text(json.dumps(quantities)),
            ),
            fault("the program may not be run", "read", Refused, forbid, allow),
        ),
    )


_HOUR_MS = 3_600_000


@asynccontextmanager
async def _twin_gauge(tmp_path: Path) -> AsyncIterator[GaugeBench]:
    host = TestHost(now_ms=5_000_000)
    lost = {"what": "gauge_unreachable", "after_h": 1, "for_h": 1}
    settings = twin_gauge.TwinGaugeSettings.model_validate(
        {"design_ah": 7.2, "events": [lost]}
    )
    # Shared by the bench too, so that the device outlives each gauge.
    await host.share(twin_bench.key(host.station), twin_bench.opener())
    yield GaugeBench(
        make=lambda: twin_gauge.TwinGauge(settings, host),
        faults=(
            fault(
                "the twin's gauge is unreachable",
                "read",
                Unavailable,
                lambda: _pass(host, hours=1.5),
                lambda: _pass(host, hours=1),
            ),
        ),
    )


def _pass(host: TestHost, *, hours: float) -> None:
    assert host.now_ms is not None
    host.now_ms += round(hours * _HOUR_MS)


# ---- relays


def _board_bench(
    firmware: str,
) -> Callable[[Path], AbstractAsyncContextManager[RelayBench]]:
    @asynccontextmanager
    async def bench(tmp_path: Path) -> AsyncIterator[RelayBench]:
        machine = Machine(SystemClock())
        host = machine.host("lobby", hint=lambda: None)
        with RelayBoard(tmp_path / "board", firmware=firmware) as board:
            yield _serial_frame(board, host)
        await host.close()
        machine.workers.close()

    return bench


# A board that never answers is waited for in vain, so not for long.
_BOARD_LIMIT = {"acknowledging": "0.5s", "echo": "0.5s", "write-only": "0.05s"}


def _serial_frame(board: RelayBoard, host: Any) -> RelayBench:
    def make(contact: Contact) -> Relay:
        table = {
            "port": str(board.link),
            "contact": contact,
            "pause": "0s",
            "limit": _BOARD_LIMIT[board.firmware],
        }
        settings = serial_frame.Settings.model_validate(table)
        return serial_frame.SerialFrameRelay(settings, host)

    async def supply_becomes(contact: Contact, supply: Supply) -> bool:
        # Normally-closed opens when driven; the two others close when driven.
        opens_when_driven = contact == "normally-closed"
        driven = (supply is Supply.OFF) == opens_when_driven
        # A frame that nobody answers is on its way when set returns.
        await asyncio.to_thread(
            board.wait_until, lambda board: board.driven() == driven
        )
        return board.driven() == driven

    return RelayBench(
        make=make,
        supply_becomes=supply_becomes,
        stall=_board_stall(board) if board.firmware != "write-only" else None,
        get_stall=_board_stall(board) if board.firmware == "acknowledging" else None,
        open_stall=_board_stall(board),
        faults=_board_faults(board),
    )


def _board_stall(board: RelayBoard) -> Stall:
    async def reached() -> None:
        await asyncio.to_thread(board.wait_until, lambda board: bool(board.heard()))

    def begin() -> None:
        board.forget()
        board.hold()

    return Stall(begin=awaitable(begin), reached=reached, end=awaitable(board.let_go))


def _board_faults(board: RelayBoard) -> tuple[Fault, ...]:
    away = board.link.with_name("away")
    unplugged = [
        fault("unplugged", "open", Unavailable, board.unplug, board.plug_in),
        fault("unplugged", "set", Unavailable, board.unplug, board.plug_in),
        fault(
            "in use by another program",
            "open",
            Busy,
            lambda: _hold_port(board.link),
            _let_ports_go,
        ),
        fault(
            "a folder in the place of the port",
            "open",
            Unsupported,
            lambda: (board.link.rename(away), board.link.mkdir()),
            lambda: (board.link.rmdir(), away.rename(board.link)),
        ),
    ]
    if board.firmware != "acknowledging":
        return tuple(unplugged)
    spoiled = [
        ("silent", "get", Unavailable),
        ("bad-checksum", "set", Malformed),
        ("wrong-channel", "get", Malformed),
        ("stale", "get", Malformed),
        ("other-state", "set", Refused),
    ]
    return (
        *unplugged,
        fault("unplugged", "get", Unavailable, board.unplug, board.plug_in),
        *(
            fault(name, during, error, lambda name=name: board.spoil(name), board.fair)
            for name, during, error in spoiled
        ),
    )


_held: list[Any] = []


def _hold_port(link: Path) -> None:
    import serial

    _held.append(serial.Serial(str(link), exclusive=True))


def _let_ports_go() -> None:
    while _held:
        _held.pop().close()


@asynccontextmanager
async def _command_relay(tmp_path: Path) -> AsyncIterator[RelayBench]:
    told, refuses = tmp_path / "supply", tmp_path / "refuses"

    def command(supply: str) -> tuple[str, ...]:
        # Reading the gate is where a stalled program hangs.
        gate = tmp_path / "gate"
        gate.touch()
        text = (
            f"read line < {gate}; test ! -e {refuses} || exit 3; echo {supply} > {told}"
        )
        return ("/bin/sh", "-c", text)

    tool = tmp_path / "tool"
    tool.symlink_to("/bin/cat")

    def make(contact: Contact) -> Relay:
        settings = command_relay.Settings(
            on=command("on"),
            off=command("off"),
            read=(str(tool), str(told)),
            limit="2s",
            contact=contact,
        )
        return command_relay.CommandRelay(settings, TestHost())

    async def supply_becomes(contact: Contact, supply: Supply) -> bool:
        return told.read_text().strip() == supply

    (tmp_path / "gate").touch()
    gate = Pipe(tmp_path / "gate").stall()
    yield RelayBench(
        make=make,
        supply_becomes=supply_becomes,
        stall=gate,
        get_stall=Pipe(told).stall(),
        faults=(
            Fault(
                name="the program hangs",
                during="set",
                error=Unavailable,
                provoke=gate.begin,
                mend=gate.end,
            ),
            fault("exit 3", "set", Refused, refuses.touch, refuses.unlink),
            fault(
                "read prints neither on nor off",
                "get",
                Malformed,
                lambda: told.write_text("maybe"),
                lambda: told.write_text("on"),
            ),
            fault("read fails", "get", Refused, told.unlink, lambda: None),
            fault(
                "a program is missing",
                "open",
                Unsupported,
                tool.unlink,
                lambda: tool.symlink_to("/bin/cat"),
            ),
        ),
    )


@asynccontextmanager
async def _command_relay_blind(tmp_path: Path) -> AsyncIterator[RelayBench]:
    """Without `read`: it cannot tell, and says so."""
    told = tmp_path / "supply"

    def make(contact: Contact) -> Relay:
        on, off = (("/bin/sh", "-c", f"echo {word} > {told}") for word in ("on", "off"))
        settings = command_relay.Settings(on=on, off=off, contact=contact)
        return command_relay.CommandRelay(settings, TestHost())

    async def supply_becomes(contact: Contact, supply: Supply) -> bool:
        return told.read_text().strip() == supply

    yield RelayBench(make=make, supply_becomes=supply_becomes)


def _twin_relay(
    readback: int,
) -> Callable[[Path], AbstractAsyncContextManager[RelayBench]]:
    @asynccontextmanager
    async def bench(tmp_path: Path) -> AsyncIterator[RelayBench]:
        host = TestHost(now_ms=5_000_000)
        lost = {"what": "relay_unreachable", "after_h": 1, "for_h": 1}
        built = twin_gauge.TwinGaugeSettings.model_validate({"events": [lost]})
        benches: dict[Contact, twin_bench.Bench] = {}
        contacts: tuple[Contact, ...] = ("normally-closed", "normally-open", "latching")
        for contact in contacts:
            # A contact is wired once, so each wiring is a twin of its own.
            benches[contact] = await host.share(
                twin_bench.key(contact), twin_bench.opener()
            )
            benches[contact].place(built.build(), built.world(host.boot_ms()))

        def make(contact: Contact) -> Relay:
            table = {"device": contact, "contact": contact, "readback": readback}
            settings = twin_relay.TwinRelaySettings.model_validate(table)
            return twin_relay.TwinRelay(settings, host)

        async def supply_becomes(contact: Contact, supply: Supply) -> bool:
            return benches[contact].contact.closed == (supply is Supply.ON)

        yield RelayBench(
            make=make,
            supply_becomes=supply_becomes,
            faults=(
                fault(
                    "the twin's relay is unreachable",
                    "set",
                    Unavailable,
                    lambda: _pass(host, hours=1.5),
                    lambda: _pass(host, hours=1),
                ),
            ),
        )

    return bench


ENTRIES: Mapping[str, Entry] = {
    "tidegate_backends.gauges.sysfs": Entry(
        table={"kind": "sysfs"}, benches={"tree": _sysfs}
    ),
    "tidegate_backends.gauges.command": Entry(
        table={"kind": "command", "run": ["cat", "answer.json"]},
        benches={"program": _command_gauge},
    ),
    "tidegate_backends.relays.serial_frame": Entry(
        table={"kind": "serial-frame", "port": "/dev/serial/by-path/one"},
        benches={
            "acknowledging": _board_bench("acknowledging"),
            "write-only": _board_bench("write-only"),
            "echo": _board_bench("echo"),
        },
    ),
    "tidegate_backends.relays.command": Entry(
        table={"kind": "command", "on": ["usb", "on"], "off": ["usb", "off"]},
        benches={"reads": _command_relay, "blind": _command_relay_blind},
    ),
    "tidegate.twin.gauge": Entry(
        table={"kind": "twin", "device": "lobby"}, benches={"twin": _twin_gauge}
    ),
    "tidegate.twin.relay": Entry(
        table={"kind": "twin", "device": "lobby"},
        benches={
            "none": _twin_relay(0),
            "echo": _twin_relay(1),
            "latch": _twin_relay(2),
            "sensed": _twin_relay(3),
        },
    ),
    **benches_replay.ENTRIES,
    **benches_serial.ENTRIES,
    **benches_ble.ENTRIES,
    **benches_adb.ENTRIES,
    **benches_kernel.ENTRIES,
    **benches_modbus_hid.ENTRIES,
    **benches_network.ENTRIES,
}
