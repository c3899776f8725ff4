"""Benches of what the kernel itself can switch: charging, and ports of USB hubs."""

from __future__ import annotations

import asyncio
import errno
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from pathlib import Path
from typing import Any

from contract.entry import Entry, awaitable, fault
from support.charge_driver import BEHAVIOUR, END, TYPES, FakeChargeDriver
from support.usb_tree import FakeHubs
from tidegate.clock import SystemClock
from tidegate.contract import Contact, Relay
from tidegate.core.reading import Supply
from tidegate.errors import Malformed, Refused, Unavailable, Unsupported
from tidegate.host import Machine
from tidegate.testing import Fault, RelayBench, Stall
from tidegate_backends.relays import kernel, usb_port

_FOREVER = 1_000


def _stall(peer: FakeChargeDriver | FakeHubs) -> Stall:
    async def reached() -> None:
        assert await asyncio.to_thread(peer.reached.wait, 20), "no write came"

    return Stall(
        begin=awaitable(peer.hold), reached=reached, end=awaitable(peer.let_go)
    )


def _fails(
    peer: FakeChargeDriver | FakeHubs,
    name: str,
    during: str,
    error: Any,
    at: tuple[str, str],
    code: int,
) -> Fault:
    """A fault in which every call of one attribute fails with an errno."""
    return fault(
        name,
        during,
        error,
        lambda: peer.failures.update({at: [code] * _FOREVER}),
        lambda: peer.failures.pop(at),
    )


# ---- kernel


def _kernel(
    faults: Callable[[FakeChargeDriver], tuple[Fault, ...]], **offers: Any
) -> Callable[[Path], AbstractAsyncContextManager[RelayBench]]:
    @asynccontextmanager
    async def bench(tmp_path: Path) -> AsyncIterator[RelayBench]:
        machine = Machine(SystemClock())
        host = machine.host("lobby", hint=lambda: None)
        folder = tmp_path / "class" / "power_supply" / "BAT0"
        driver = FakeChargeDriver(folder, **offers)

        def make(contact: Contact) -> Relay:
            settings = kernel.Settings.model_validate(
                {"root": tmp_path, "contact": contact}
            )
            return kernel.KernelRelay(
                settings, host, show=driver.show, store=driver.store
            )

        async def supply_becomes(contact: Contact, supply: Supply) -> bool:
            return driver.allows == (supply is Supply.ON)

        away = tmp_path / "away"
        yield RelayBench(
            make=make,
            supply_becomes=supply_becomes,
            stall=_stall(driver),
            contacts=("normally-closed",),
            faults=(
                fault(
                    "the battery vanishes",
                    "open",
                    Unavailable,
                    lambda: folder.rename(away),
                    lambda: away.rename(folder),
                ),
                fault(
                    "the driver goes while it is open",
                    "set",
                    Unavailable,
                    lambda: folder.rename(away),
                    lambda: away.rename(folder),
                ),
                *faults(driver),
            ),
        )
        await host.close()
        machine.workers.close()

    return bench


def _behaviour_faults(driver: FakeChargeDriver) -> tuple[Fault, ...]:
    file, away = driver.folder / BEHAVIOUR, driver.folder / "away"
    at = ("store", BEHAVIOUR)
    return (
        fault(
            "it offers nothing",
            "open",
            Unsupported,
            lambda: file.rename(away),
            lambda: away.rename(file),
        ),
        _fails(driver, "refused", "set", Refused, at, errno.EINVAL),
        _fails(driver, "no such thing", "set", Refused, at, errno.EOPNOTSUPP),
        _fails(driver, "bus error", "set", Unavailable, at, errno.EIO),
        _fails(driver, "forbidden", "set", Unavailable, at, errno.EACCES),
        _fails(driver, "gone", "get", Unavailable, ("show", BEHAVIOUR), errno.ENODEV),
        _spoilt(driver, BEHAVIOUR, "auto inhibit-charge"),
    )


def _threshold_faults(driver: FakeChargeDriver) -> tuple[Fault, ...]:
    fair = driver.takes
    at = ("store", END)
    asked = TYPES if driver.types else END
    return (
        fault(
            "only 80 and 100",
            "set",
            Refused,
            lambda: setattr(driver, "takes", lambda end: 80 if end < 100 else 100),
            lambda: setattr(driver, "takes", fair),
        ),
        fault(
            "out of its range",
            "set",
            Refused,
            lambda: setattr(
                driver, "takes", lambda end: end if end == 100 else -errno.EINVAL
            ),
            lambda: setattr(driver, "takes", fair),
        ),
        _fails(driver, "bus error", "set", Unavailable, at, errno.EIO),
        _fails(driver, "gone", "get", Unavailable, ("show", asked), errno.ENODEV),
        _spoilt(driver, asked, "80 %"),
    )


def _spoilt(driver: FakeChargeDriver, name: str, text: str) -> Fault:
    return fault(
        "it says what cannot be",
        "get",
        Malformed,
        lambda: driver.spoilt.update({name: text}),
        lambda: driver.spoilt.pop(name),
    )


# ---- usb-port


def _usb_port(
    *, usb3: bool
) -> Callable[[Path], AbstractAsyncContextManager[RelayBench]]:
    @asynccontextmanager
    async def bench(tmp_path: Path) -> AsyncIterator[RelayBench]:
        machine = Machine(SystemClock())
        host = machine.host("lobby", hint=lambda: None)
        hubs = FakeHubs(tmp_path, usb3=usb3)
        ports = ("1-1-port2", "2-1-port2") if usb3 else ("1-1-port2",)

        def make(contact: Contact) -> Relay:
            settings = usb_port.Settings.model_validate(
                {"root": tmp_path, "name": "1-1-port2", "contact": contact}
            )
            return usb_port.UsbPortRelay(
                settings, host, show=hubs.show, store=hubs.store
            )

        async def supply_becomes(contact: Contact, supply: Supply) -> bool:
            # Power is there as long as one half has it.
            return any(map(hubs.powered, ports)) == (supply is Supply.ON)

        yield RelayBench(
            make=make,
            supply_becomes=supply_becomes,
            stall=_stall(hubs),
            contacts=("latching",),
            faults=_port_faults(hubs, last=ports[-1]),
        )
        await host.close()
        machine.workers.close()

    return bench


def _port_faults(hubs: FakeHubs, *, last: str) -> tuple[Fault, ...]:
    old = hubs.devices / "1-1:1.0" / "1-1-port2" / "disable"
    write, read = ("store", last), ("show", last)
    return (
        fault(
            "the hub is unplugged",
            "open",
            Unavailable,
            hubs.unplug_hub,
            hubs.plug_hub_back,
        ),
        fault(
            "the hub is unplugged",
            "set",
            Unavailable,
            hubs.unplug_hub,
            hubs.plug_hub_back,
        ),
        fault(
            "an old kernel",
            "open",
            Unsupported,
            old.unlink,
            lambda: old.write_text("0\n"),
        ),
        fault(
            "a hub that cannot switch",
            "set",
            Refused,
            lambda: setattr(hubs, "can_switch", False),
            lambda: setattr(hubs, "can_switch", True),
        ),
        _fails(hubs, "forbidden", "set", Unavailable, write, errno.EACCES),
        _fails(hubs, "a half that fails", "set", Unavailable, write, errno.EIO),
        _fails(hubs, "gone", "get", Unavailable, read, errno.ENODEV),
        fault(
            "it says what cannot be",
            "get",
            Malformed,
            lambda: hubs.spoilt.update({last: "maybe"}),
            lambda: hubs.spoilt.pop(last),
        ),
    )


ENTRIES: Mapping[str, Entry] = {
    "tidegate_backends.relays.kernel": Entry(
        table={"kind": "kernel", "name": "BAT0"},
        benches={
            "behaviour": _kernel(
                _behaviour_faults,
                behaviours=("auto", "inhibit-charge", "force-discharge"),
            ),
            "thresholds": _kernel(_threshold_faults, end=100, start=0),
            "custom": _kernel(
                _threshold_faults,
                end=90,
                start=50,
                types=("Standard", "Fast", "Custom"),
            ),
        },
    ),
    "tidegate_backends.relays.usb_port": Entry(
        table={"kind": "usb-port", "hub": "1-1", "port": 2},
        benches={"usb2": _usb_port(usb3=False), "usb3": _usb_port(usb3=True)},
    ),
}
