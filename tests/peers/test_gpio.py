"""`gpio`: a fake chip behind the adapter, for no kernel of tests has a real one.

The adapter itself meets what a machine without chips has: paths that are none.
"""

from __future__ import annotations

import asyncio
import errno
import sys
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from support.fake_lines import FakeGpioLines
from support.stations import Stations
from tidegate.contract import Found, Readback, Target
from tidegate.core.reading import Supply
from tidegate.errors import BackendError, Busy, Unavailable, Unsupported
from tidegate_backends.linux import gpio_lines
from tidegate_backends.linux.gpio_lines import ChipState, LineState
from tidegate_backends.relays import gpio
from tidegate_backends.relays.gpio import GpioRelay, Settings


@pytest.fixture
async def stations() -> AsyncIterator[Stations]:
    stations = Stations()
    yield stations
    await stations.close()


@pytest.fixture
def chip() -> FakeGpioLines:
    return FakeGpioLines()


@pytest.fixture
def relay_of(chip: FakeGpioLines, stations: Stations) -> Any:
    def relay(station: str = "lobby", **table: Any) -> GpioRelay:
        given = {"chip": chip.chip, "line": "RELAY_1", **table}
        made = stations.relay(gpio.BACKEND, station, given, hold=chip.hold)
        assert isinstance(made, GpioRelay)
        return made

    return relay


@pytest.mark.parametrize(
    ("contact", "active_low", "high_when_on"),
    [
        ("normally-closed", False, False),
        ("normally-closed", True, True),
        ("normally-open", False, True),
        ("normally-open", True, False),
        ("latching", False, True),
    ],
)
async def test_the_pin_follows(
    chip: FakeGpioLines,
    relay_of: Any,
    contact: str,
    active_low: bool,
    high_when_on: bool,
) -> None:
    async with relay_of(contact=contact, active_low=active_low) as relay:
        assert chip.high["RELAY_1"] is high_when_on, "supply on, from the first moment"
        assert relay.facts.readback is Readback.LATCH
        assert relay.facts.fails_on is (contact == "normally-closed")
        for supply in (Supply.OFF, Supply.ON):
            await relay.set(supply)
            assert chip.high["RELAY_1"] is (high_when_on == (supply is Supply.ON))
            assert await relay.get() is supply


async def test_the_line_is_held_as_long_as_it_is_open(
    chip: FakeGpioLines, relay_of: Any
) -> None:
    relay = relay_of(line=1, drive="open-drain")
    await relay.open()
    await relay.open()
    assert chip.held == {"RELAY_2"}
    (wanted,) = chip.wanted
    assert (wanted.line, wanted.drive) == (1, "open-drain")
    await relay.close()
    assert chip.held == set()


async def test_a_hand_on_the_pin_shows(chip: FakeGpioLines, relay_of: Any) -> None:
    async with relay_of() as relay:
        chip.high["RELAY_1"] = True
        assert await relay.get() is Supply.OFF


@pytest.mark.parametrize(
    ("number", "error", "said"),
    [
        (errno.ENOENT, Unavailable, "No such file"),
        (errno.ENODEV, Unavailable, "No such device"),
        (errno.EACCES, Unavailable, "group"),
        (errno.EPERM, Unavailable, "group"),
        (errno.EBUSY, Busy, "holds the line"),
        (errno.ENOTTY, Unsupported, "cannot do this"),
        (errno.EINVAL, Unsupported, "cannot do this"),
    ],
)
async def test_what_the_kernel_says_at_open(
    chip: FakeGpioLines,
    relay_of: Any,
    number: int,
    error: type[BackendError],
    said: str,
) -> None:
    chip.fails_with = number
    relay = relay_of()
    with pytest.raises(error, match=said) as caught:
        await relay.open()
    assert caught.value.target == "gpio:soc-gpio#RELAY_1"
    chip.fails_with = 0
    async with relay:
        assert await relay.get() is Supply.ON


async def test_a_chip_that_goes_while_it_is_used(
    chip: FakeGpioLines, relay_of: Any
) -> None:
    relay = relay_of()
    await relay.open()
    chip.fails_with = errno.ENODEV
    for call in (relay.set(Supply.OFF), relay.get()):
        with pytest.raises(Unavailable, match="does not answer"):
            await call
    await relay.close()
    await relay.close()


async def test_a_line_that_another_station_has(relay_of: Any) -> None:
    """Two names of one line; settings cannot see that, the kernel does."""
    async with relay_of("lobby"):
        with pytest.raises(Busy):
            await relay_of("hall", line=0).open()


async def test_an_open_that_is_cancelled_gives_the_line_back(
    chip: FakeGpioLines, relay_of: Any
) -> None:
    relay = relay_of()
    chip.gate.shut()
    call = asyncio.create_task(relay.open())
    assert await asyncio.to_thread(chip.gate.reached.wait, 20)
    call.cancel()
    chip.gate.open()
    with pytest.raises(asyncio.CancelledError):
        await call
    async with relay:
        assert chip.held == {"RELAY_1"}


async def test_a_line_is_given_back_although_nobody_waits_for_it(
    chip: FakeGpioLines, relay_of: Any
) -> None:
    """The shell gives a close that hangs behind a call up, as it does an opening."""
    relay = relay_of()
    chip.gate.shut()
    opening = asyncio.create_task(relay.open())
    assert await asyncio.to_thread(chip.gate.reached.wait, 20)
    await cancelled_twice(opening)
    chip.gate.open()
    await relay.open()
    chip.gate.shut()
    call = asyncio.create_task(relay.set(Supply.OFF))
    assert await asyncio.to_thread(chip.gate.reached.wait, 20)
    await cancelled_twice(asyncio.create_task(relay.close()))
    chip.gate.open()
    await call
    async with relay:
        assert chip.held == {"RELAY_1"}
        assert await relay.get() is Supply.ON


async def cancelled_twice(task: asyncio.Task[None]) -> None:
    """Cancel a call, and then the tidying up that it begins."""
    for _ in range(2):
        await asyncio.sleep(0)
        task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task


# ---- the adapter, as far as it goes without a chip


@pytest.mark.parametrize(
    ("path", "error"),
    [
        ("/dev/gpiochip77", Unavailable),
        ("/dev/null", Unavailable),
        ("/dev", Unsupported),
        ("no-such-label", Unavailable),
    ],
)
async def test_what_is_no_chip(
    stations: Stations, path: str, error: type[BackendError]
) -> None:
    """Through the library and the kernel."""
    relay = stations.relay(gpio.BACKEND, "lobby", {"chip": path, "line": 4})
    with pytest.raises(error) as caught:
        await relay.open()
    assert caught.value.remedy


async def test_the_library_is_missing(
    stations: Stations, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "gpiod", None)
    relay = stations.relay(gpio.BACKEND, "lobby", {"chip": "soc-gpio", "line": 4})
    with pytest.raises(Unsupported, match="extra `gpio`") as caught:
        await relay.open()
    assert "pip install 'tidegate[gpio]'" in caught.value.remedy
    with pytest.raises(Unsupported, match="extra `gpio`"):
        await found_by(stations)


def test_every_way_of_driving_is_one_of_the_library() -> None:
    from gpiod.line import Drive

    names = {each.name.lower().replace("_", "-") for each in Drive}
    assert set(gpio_lines.DriveName.__args__) == names


# ---- the survey


async def found_by(stations: Stations) -> list[Found]:
    host = stations.machine.host("find", hint=lambda: None)
    stations.hosts.append(host)
    assert gpio.BACKEND.survey is not None
    return [each async for each in gpio.BACKEND.survey(host, None)]


def line(offset: int, name: str = "", consumer: str = "", **more: Any) -> LineState:
    given = {"is_used": bool(consumer), "is_output": False, **more}
    return LineState(offset=offset, name=name, consumer=consumer, **given)


async def test_named_lines_that_are_free_are_offered(
    stations: Stations, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Names and consumers are synthetic."""
    fake_chips = [
        ChipState(
            path="/dev/gpiochip0",
            label="soc-gpio",
            lines=(
                line(0),
                line(1, "RELAY_1", is_output=True),
                line(2, "STATUS_LED", "leds-gpio"),
                line(3, "TWICE"),
                line(4, "TWICE"),
                line(5, "TOUCH_INT", is_used=True),
            ),
        ),
        ChipState(path="/dev/gpiochip1", why_not="Permission denied"),
    ]
    monkeypatch.setattr(gpio_lines, "chips", lambda: fake_chips)
    free, led, touch, nameless, refused = await found_by(stations)
    assert free.table == {"kind": "gpio", "chip": "soc-gpio", "line": "RELAY_1"}
    assert free.where == "/dev/gpiochip0#1"
    assert "output now" in free.what
    Settings.model_validate(free.table)
    assert led.table is None
    assert led.why_not == "in use by leds-gpio"
    assert touch.why_not == "in use by the kernel"
    assert "3 lines without a name" in nameless.what
    assert nameless.table is None
    assert 'chip = "soc-gpio"' in nameless.remedy
    assert "may harm" in nameless.remedy
    assert refused.where == "/dev/gpiochip1"
    assert "Permission denied" in refused.why_not


async def test_chips_with_one_label_are_named_by_path(
    stations: Stations, monkeypatch: pytest.MonkeyPatch
) -> None:
    fake_chips = [
        ChipState(path=f"/dev/gpiochip{n}", label="expander", lines=(line(0, "OUT"),))
        for n in range(2)
    ]
    monkeypatch.setattr(gpio_lines, "chips", lambda: fake_chips)
    tables = [found.table or {} for found in await found_by(stations)]
    assert [table["chip"] for table in tables] == ["/dev/gpiochip0", "/dev/gpiochip1"]


async def test_a_machine_without_chips(
    stations: Stations, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Through the library: what looks like a chip and is none is left out."""
    (tmp_path / "gpiochip0").touch()
    monkeypatch.setattr(gpio_lines, "DEV", tmp_path)
    assert await found_by(stations) == []


# ---- settings


def test_targets() -> None:
    assert Settings(chip="/dev/./gpiochip0", line=4).target() == Target(
        "/dev/gpiochip0", "4"
    )
    assert Settings(chip="soc-gpio", line="OUT").target() == Target(
        "gpio:soc-gpio", "OUT"
    )


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("chip", "some/where"),
        ("chip", ""),
        ("chip", "/dev/gpio\x00chip0"),
        ("line", -1),
        ("line", ""),
        ("line", True),
        ("line", [1]),
        ("drive", "both"),
        ("bias", "pull-up"),
    ],
)
def test_settings_refuse(key: str, value: object) -> None:
    with pytest.raises(ValidationError, match=key):
        Settings.model_validate({"chip": "soc-gpio", "line": 1, key: value})
