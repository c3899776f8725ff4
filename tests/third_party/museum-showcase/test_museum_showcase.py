"""The museum's own tests of its backends: the kit of tidegate, and nothing else of it.

``tidegate.testing`` runs the clauses, ``tidegate.host`` lends what the daemon lends.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Iterator
from pathlib import Path

import pytest
from museum_showcase import latch, meter

from tidegate.clock import SystemClock
from tidegate.contract import Contact, Host
from tidegate.core.reading import Supply
from tidegate.errors import BackendError, Malformed, Refused, Unavailable
from tidegate.host import Machine
from tidegate.testing import (
    Fault,
    GaugeBench,
    RelayBench,
    check_declaration,
    check_gauge,
    check_relay,
)


@pytest.fixture
def showcase(tmp_path: Path) -> Path:
    folder = tmp_path / "amber-room"
    folder.mkdir()
    (folder / "meter").write_text("61.5 % fed\n")
    (folder / "coil").write_text("0\n")
    return folder


@pytest.fixture
def host() -> Iterator[Host]:
    machine = Machine(SystemClock())
    yield machine.host("amber-room", hint=lambda: None)
    machine.workers.close()


def simply(call: Callable[[], object]) -> Callable[[], Awaitable[None]]:
    async def awaited() -> None:
        call()

    return awaited


def fault(
    name: str,
    during: str,
    error: type[BackendError],
    provoke: Callable[[], object],
    mend: Callable[[], object],
) -> Fault:
    return Fault(
        name=name,
        during=during,  # type: ignore[arg-type]
        error=error,
        provoke=simply(provoke),
        mend=simply(mend),
    )


async def test_the_meter_keeps_the_contract(showcase: Path, host: Host) -> None:
    settings = meter.Settings(showcase=str(showcase))
    check_declaration(
        meter,
        {"kind": "showcase-meter", "showcase": "/run/x"},
        kind="showcase-meter",
    )
    away = showcase.with_name("away")
    text = showcase / "meter"
    await check_gauge(
        GaugeBench(
            make=lambda: meter.Meter(settings, host),
            faults=(
                fault(
                    "unplugged",
                    "read",
                    Unavailable,
                    lambda: showcase.rename(away),
                    lambda: away.rename(showcase),
                ),
                fault(
                    "words",
                    "read",
                    Malformed,
                    lambda: text.write_text("about half"),
                    lambda: text.write_text("61.5 % fed\n"),
                ),
            ),
        )
    )


async def test_the_latch_keeps_the_contract(showcase: Path, host: Host) -> None:
    check_declaration(
        latch,
        {"kind": "showcase-latch", "showcase": "/run/x"},
        kind="showcase-latch",
    )

    def make(contact: Contact) -> latch.Latch:
        settings = latch.Settings(showcase=str(showcase), contact=contact)
        return latch.Latch(settings, host)

    async def supply_becomes(contact: Contact, supply: Supply) -> bool:
        driven = (showcase / "coil").read_text() == "1\n"
        closed = not driven if contact == "normally-closed" else driven
        return closed == (supply is Supply.ON)

    away, seal, coil = (
        showcase.with_name("away"),
        showcase / "sealed",
        showcase / "coil",
    )
    unplug, plug = lambda: showcase.rename(away), lambda: away.rename(showcase)
    await check_relay(
        RelayBench(
            make=make,
            supply_becomes=supply_becomes,
            faults=(
                fault("unplugged", "open", Unavailable, unplug, plug),
                fault("unplugged", "set", Unavailable, unplug, plug),
                fault("sealed", "set", Refused, seal.touch, seal.unlink),
                fault(
                    "worn",
                    "get",
                    Malformed,
                    lambda: coil.write_text("?"),
                    lambda: coil.write_text("0\n"),
                ),
            ),
        )
    )
