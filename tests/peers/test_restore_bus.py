"""``restore`` where stations share a bus and most of its units are silent.

A cut cable takes all units behind it from a bus, and those before it hear as ever. How
long a stop action may take is in the service unit (systemd.service(5), TimeoutStopSec=).
"""

from __future__ import annotations

import asyncio
import re
import time
from pathlib import Path

import pytest

from support.modbus_device import ModbusDevice
from tidegate import restore
from tidegate.settings import from_tables

pytestmark = pytest.mark.peer
UNIT = Path(__file__).parents[2] / "packaging" / "systemd" / "tidegate.service"


def on_the_bus(bus: Path, number: int) -> dict[str, object]:
    return {
        "gauge": {"kind": "twin"},
        "window": {"low": 55, "high": 65},
        "relay": {
            "kind": "modbus",
            "port": str(bus),
            "unit": number,
            "coil": 0,
            "contact": "normally-open",
        },
    }


@pytest.mark.slow
def test_the_last_unit_of_a_bus_is_told_though_all_before_it_are_silent(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TIDEGATE_LOCKS", str(tmp_path / "locks"))
    bus = tmp_path / "bus"
    tables = {f"guide-{each}": on_the_bus(bus, each) for each in range(1, 7)}
    stations = from_tables({"station": tables}).stations
    with ModbusDevice(bus, units=(6,)) as board:
        began_s = time.monotonic()
        done = asyncio.run(restore.all_on(tmp_path / "none.db", stations))
        took_s = time.monotonic() - began_s
        assert board.driven(0, 6)
    assert [each.station for each in done] == list(stations)
    assert done[-1].says == "on, the relay confirms"
    for each in done[:-1]:
        assert "did not reply" in str(each.error)
    assert took_s < 20


def told_by(takes_s: float, *, is_late: bool) -> list[str]:
    """Return who is told of 50 on one link, where each call takes so long."""

    async def told() -> list[str]:
        loop = asyncio.get_running_loop()
        now_s = [loop.time()]

        async def on(name: str, until_s: float) -> restore.Restored:
            assert until_s == now_s[0] + restore.LIMIT_S
            now_s[0] += takes_s
            return restore.Restored(station=name, is_late=is_late)

        loop.time = lambda: now_s[0]  # type: ignore[method-assign]
        until_s = now_s[0] + restore.ALL_LIMIT_S - restore.LIMIT_S
        names = [str(each) for each in range(50)]
        return list(await restore._one_by_one(on, names, until_s))

    return asyncio.run(told())


def test_a_link_that_hangs_is_given_up_and_a_slow_one_ends_in_time() -> None:
    assert len(told_by(4.5, is_late=True)) == 3
    # 30 s are left after the first five, and nobody begins who could not end.
    assert len(told_by(1.0, is_late=False)) == 26
    [limit_s] = re.findall(r"^TimeoutStopSec=(\d+)s$", UNIT.read_text(), flags=re.M)
    # An interpreter on a slow machine takes some seconds to begin.
    assert int(limit_s) >= restore.ALL_LIMIT_S + 5
