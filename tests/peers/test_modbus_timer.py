"""The unit's own timer as a dead-man timer, against units with invented registers.

Watchdog and timed output are modelled on data sheets (``support.modbus_device``). The
units' clocks are moved by hand, so nothing here waits for time to pass.
"""

from __future__ import annotations

from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from support.host import TestHost
from support.modbus_device import ACTION, ALIVE, FLASH, TIMED, WATCHDOG, ModbusDevice
from tidegate.core.reading import Supply
from tidegate.errors import Malformed, Refused, Unavailable, Unsupported
from tidegate_backends.modbus.upkeep import Upkeep
from tidegate_backends.relays.modbus import ModbusRelay, Settings

ON, OFF = Supply.ON, Supply.OFF
TIME_S = 90.0

# The peer's watchdog counts tenths of a second and releases at action 0.
BY_WATCHDOG: dict[str, Any] = {
    "style": "watchdog",
    "address": WATCHDOG,
    "time": "90s",
    "step": "0.1s",
    "also": [{"address": ACTION, "value": 0}],
}
BY_REGISTER: dict[str, Any] = {
    "style": "timed",
    "address": TIMED,
    "time": "90s",
    "step": "0.1s",
}
BY_COIL: dict[str, Any] = {**BY_REGISTER, "address": FLASH, "function": 5}
DRIVES: dict[str, Any] = {
    **BY_WATCHDOG,
    "also": [{"address": ACTION, "value": 1}],
    "leaves_coil": "driven",
}


class Bench:
    """Relays on one device over TCP, and a clock that both sides share."""

    def __init__(self, device: ModbusDevice) -> None:
        self.device = device
        self.host = TestHost(threaded=True, now_ms=1_000_000)

    def relay(self, timer: dict[str, Any] | None, **more: Any) -> ModbusRelay:
        table = {"host": "127.0.0.1", "tcp_port": self.device.port, "coil": 0}
        given = {**table, "timer": timer, "limit": "2s", **more}
        return ModbusRelay(Settings.model_validate(given), self.host)

    def pass_time(self, for_s: float) -> None:
        assert self.host.now_ms is not None
        self.host.now_ms += round(for_s * 1000)
        self.device.pass_time(for_s)

    @property
    def unit(self) -> Any:
        return self.device.units[1]


@pytest.fixture
async def bench() -> AsyncIterator[Bench]:
    with ModbusDevice(units=(1, 2)) as device:
        yield Bench(device)


TIMERS = [
    pytest.param(BY_WATCHDOG, "normally-closed", id="watchdog"),
    pytest.param(DRIVES, "normally-open", id="watchdog-drives"),
    pytest.param(BY_REGISTER, "normally-closed", id="timed-register"),
    pytest.param(BY_COIL, "normally-closed", id="timed-coil"),
]


@pytest.mark.parametrize("readback", [True, False])
@pytest.mark.parametrize(("timer", "contact"), TIMERS)
async def test_refresh_keeps_the_supply_off_and_nothing_else_does(
    bench: Bench, timer: dict[str, Any], contact: str, readback: bool
) -> None:
    """The whole point: who no longer refreshes gets the supply back."""
    is_off = contact == "normally-closed"  # driven is off
    async with bench.relay(timer, contact=contact, readback=readback) as relay:
        assert relay.facts.dead_man_s == TIME_S
        assert relay.facts.fails_on
        await relay.set(OFF)
        for _ in range(3):
            bench.pass_time(0.7 * TIME_S)
            assert bench.device.driven() is is_off
            await relay.refresh()
        bench.pass_time(0.7 * TIME_S)
        assert bench.device.driven() is is_off
        bench.pass_time(0.4 * TIME_S)
        assert bench.device.driven() is not is_off


@pytest.mark.parametrize(("timer", "contact"), TIMERS)
async def test_the_relay_is_gone_and_the_supply_comes_back(
    bench: Bench, timer: dict[str, Any], contact: str
) -> None:
    async with bench.relay(timer, contact=contact) as relay:
        await relay.set(OFF)
    bench.pass_time(1.1 * TIME_S)
    assert bench.device.driven() is (contact == "normally-open")


@pytest.mark.parametrize(("timer", "contact"), TIMERS)
async def test_on_ends_the_timer(
    bench: Bench, timer: dict[str, Any], contact: str
) -> None:
    async with bench.relay(timer, contact=contact) as relay:
        await relay.set(OFF)
        await relay.set(ON)
        await relay.refresh()
        for _ in range(2):
            assert bench.device.driven() is (contact == "normally-open")
            bench.pass_time(1.1 * TIME_S)


# ---- watchdog: set once, looked at, fed


async def test_watchdog_is_written_where_it_differs_and_only_there(
    bench: Bench,
) -> None:
    """Many units keep registers in memory that wears."""
    async with bench.relay(BY_WATCHDOG):
        assert bench.unit.registers[WATCHDOG] == 900
    written = writes(bench.device)
    assert written == [(WATCHDOG, 900)]  # the action was 0 already
    async with bench.relay(BY_WATCHDOG) as relay:
        await relay.refresh()
    assert writes(bench.device) == written


def writes(device: ModbusDevice) -> list[tuple[int, int]]:
    """Registers and values of function 06, as they came over the wire."""
    frames = [frame for frame in device.heard() if frame[7] == 6]
    return [
        (int.from_bytes(frame[8:10], "big"), int.from_bytes(frame[10:12], "big"))
        for frame in frames
    ]


async def test_watchdog_that_wants_a_register_written(bench: Bench) -> None:
    """Traffic alone does not keep it quiet."""
    bench.unit.needs_alive = True
    alive = {**BY_WATCHDOG, "alive": {"address": ALIVE, "value": 0xA5}}
    async with bench.relay(BY_WATCHDOG) as relay:
        await relay.set(OFF)
        await relay.refresh()
        bench.pass_time(1.1 * TIME_S)
        assert not bench.device.driven()
    async with bench.relay(alive) as relay:
        await relay.set(OFF)
        bench.pass_time(0.7 * TIME_S)
        await relay.refresh()
        bench.pass_time(0.7 * TIME_S)
        assert bench.device.driven()
    assert (ALIVE, 0xA5) in writes(bench.device)


async def test_unit_that_restarted_gets_its_watchdog_again(bench: Bench) -> None:
    async with bench.relay(BY_WATCHDOG) as relay:
        with bench.device._changed:
            bench.unit.restart()
        await relay.set(OFF)
        await relay.refresh()
        assert bench.unit.registers[WATCHDOG] == 900
        assert relay.facts.dead_man_s == TIME_S
        assert relay.take_notes() == ["the unit had lost its timer; it was set again"]
        bench.pass_time(1.1 * TIME_S)
        assert not bench.device.driven()


async def test_unit_that_does_not_keep_the_time_has_no_timer(bench: Bench) -> None:
    """It repeats what it was told and holds something else: seen by reading back."""
    bench.unit.fixed.add(WATCHDOG)
    async with bench.relay(DRIVES, contact="normally-open") as relay:
        assert relay.facts.dead_man_s is None
        assert not relay.facts.fails_on
        (note,) = relay.take_notes()
        assert "does not keep its timer, register 16" in note
        await relay.set(OFF)
        assert relay.take_notes() == []


async def test_without_reading_back_it_would_be_believed(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With the check switched off, a station counts on a timer that is not there."""
    bench.unit.fixed.add(WATCHDOG)

    async def believed(*_: object) -> bool:
        return True

    monkeypatch.setattr(Upkeep, "_set", believed)
    async with bench.relay(BY_WATCHDOG) as relay:
        assert relay.facts.dead_man_s == TIME_S
        await relay.set(OFF)
        bench.pass_time(10 * TIME_S)
        assert bench.device.driven()


async def test_unit_without_such_a_register_has_no_timer(bench: Bench) -> None:
    del bench.unit.registers[ACTION]
    async with bench.relay(BY_WATCHDOG) as relay:
        assert relay.facts.dead_man_s is None
        assert not relay.facts.fails_on
        (note,) = relay.take_notes()
        assert "illegal data address" in note
        assert bench.unit.registers[WATCHDOG] == 0, "no time without its action"
        await relay.set(OFF)
        assert bench.device.driven()


async def test_registers_that_cannot_be_read_are_believed_with_a_note(
    bench: Bench,
) -> None:
    bench.unit.unread |= {WATCHDOG, ACTION}
    async with bench.relay(BY_WATCHDOG) as relay:
        assert relay.facts.dead_man_s == TIME_S
        assert any("cannot be read back" in note for note in relay.take_notes())


async def test_silent_unit_gets_its_timer_before_the_first_off(bench: Bench) -> None:
    """It did not reply at open; an off without the timer would not be safe."""
    bench.unit.mute = True
    relay = bench.relay(BY_WATCHDOG, readback=False, limit="0.3s")
    async with relay:
        assert relay.facts.dead_man_s is None
        assert "did not reply" in relay.take_notes()[0]
        with pytest.raises(Unavailable, match="did not reply"):
            await relay.set(OFF)
        assert not bench.device.driven()
    bench.unit.mute = False
    async with bench.relay(BY_WATCHDOG) as relay:
        await relay.set(OFF)
        assert bench.unit.registers[WATCHDOG] == 900


async def test_silent_unit_gets_its_timer_when_it_is_read_again(bench: Bench) -> None:
    """Where no off is allowed without a timer, no off could ever come to set it."""
    bench.unit.mute = True
    async with bench.relay(BY_WATCHDOG, limit="0.5s") as relay:
        assert relay.facts.dead_man_s is None
        bench.unit.mute = False
        assert await relay.get() is ON
        assert relay.facts.dead_man_s == TIME_S
        assert bench.unit.registers[WATCHDOG] == 900


async def test_two_stations_on_one_unit_agree_on_its_timer(bench: Bench) -> None:
    other = {**BY_WATCHDOG, "time": "60s"}
    async with bench.relay(BY_WATCHDOG), bench.relay(BY_WATCHDOG, coil=1):
        with pytest.raises(Unsupported, match="another station wants 900 in register"):
            await bench.relay(other, coil=2).open()
        async with bench.relay(other, coil=2, unit=2) as elsewhere:
            assert elsewhere.facts.dead_man_s == 60.0


# ---- timed: the off carries its time


async def test_frame_of_a_timed_off(bench: Bench) -> None:
    """Function 05 to the maker's address, the count where a coil has its value."""
    async with bench.relay(BY_COIL) as relay:
        await relay.set(OFF)
        await relay.set(ON)
    pdus = [frame[7:] for frame in bench.device.heard() if frame[7] == 5]
    assert pdus == [
        bytes.fromhex("05 02 00 03 84"),  # 900 steps
        bytes.fromhex("05 00 00 00 00"),
    ]


@pytest.mark.parametrize("readback", [True, False])
async def test_an_off_that_ran_out_is_not_taken_up_again(
    bench: Bench, readback: bool
) -> None:
    """The supply is on by itself: only the shell may order the next off."""
    async with bench.relay(BY_REGISTER, readback=readback) as relay:
        await relay.set(OFF)
        bench.pass_time(1.1 * TIME_S)
        await relay.refresh()
        assert not bench.device.driven()


@pytest.mark.parametrize("failure", ["exception-1", "silent"])
async def test_an_off_is_not_prolonged_after_an_on_that_failed(
    bench: Bench, failure: str
) -> None:
    """The refresh of a reading before may come after the on, on a new link even."""
    async with bench.relay(BY_REGISTER, limit="0.5s") as relay:
        await relay.set(OFF)
        bench.device.spoil(failure, 1)
        with pytest.raises((Refused, Unavailable)):
            await relay.set(ON)
        bench.device.hand(0, driven=True)  # as if the on had never reached it
        await relay.close()
        await relay.open()
        bench.device.forget()
        await relay.refresh()
        assert bench.device.heard() == []


@pytest.mark.parametrize("was_off", [True, False])
async def test_after_opening_anew_what_stands_is_kept(
    bench: Bench, was_off: bool
) -> None:
    async with bench.relay(BY_REGISTER) as relay:
        await relay.set(OFF if was_off else ON)
    async with bench.relay(BY_REGISTER) as relay:
        bench.pass_time(0.7 * TIME_S)
        await relay.refresh()
        bench.pass_time(0.7 * TIME_S)
        assert bench.device.driven() is was_off


async def test_unit_that_knows_no_timed_off_stays_on(bench: Bench) -> None:
    """There is no other off than the one with its time."""
    del bench.unit.registers[TIMED]
    async with bench.relay(BY_REGISTER) as relay:
        with pytest.raises(Refused, match="illegal data address"):
            await relay.set(OFF)
        assert not bench.device.driven()


async def test_refresh_that_fails_is_told(bench: Bench) -> None:
    async with bench.relay(BY_WATCHDOG) as relay:
        await relay.set(OFF)
        bench.device.spoil("other-function", 1)
        with pytest.raises(Malformed):
            await relay.refresh()
        await relay.close()
        with pytest.raises(Unavailable, match="not open"):
            await relay.refresh()


async def test_on_a_bus_too(tmp_path: Path) -> None:
    with ModbusDevice(tmp_path / "bus") as device:
        host = TestHost(threaded=True)
        table = {"port": str(device.link), "coil": 0, "timer": BY_WATCHDOG}
        async with ModbusRelay(Settings.model_validate(table), host) as relay:
            await relay.set(OFF)
            device.pass_time(1.1 * TIME_S)
            assert not device.driven()
