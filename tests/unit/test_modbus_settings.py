"""What `relay = { kind = "modbus", … }` may say, and what is refused with why."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from tidegate.contract import Target
from tidegate.settings import from_tables
from tidegate_backends.relays.modbus import Settings

RTU: dict[str, Any] = {"port": "/dev/serial/by-path/one", "coil": 0}
TCP: dict[str, Any] = {"host": "units.museum.example", "coil": 0}
WATCHDOG: dict[str, Any] = {"style": "watchdog", "address": 8, "time": "90s"}
TIMED: dict[str, Any] = {
    "style": "timed",
    "address": 0x0200,
    "function": 5,
    "time": "90s",
    "step": "0.1s",
}


def settings(table: dict[str, Any], **more: Any) -> Settings:
    return Settings.model_validate({**table, **more})


def test_target_is_link_unit_and_coil() -> None:
    on_a_bus = settings(RTU, port="/dev/./serial/by-path/one", unit=3, coil=7)
    assert on_a_bus.target() == Target("/dev/serial/by-path/one", "3/7")
    over_tcp = settings(TCP, host="Units.Museum.example", unit=255)
    assert over_tcp.target() == Target("units.museum.example:502", "255/0")
    by_address = settings(TCP, host="2001:DB8::7")
    assert by_address.target() == Target("[2001:db8::7]:502", "1/0")


@pytest.mark.parametrize(
    ("table", "more", "said"),
    [
        (RTU, {"unit": 0}, "unit 0 is for all units at once and nobody replies"),
        (RTU, {"unit": 248}, "allowed is 1 to 247"),
        (TCP, {"unit": 254}, "allowed is 1 to 247"),
        (RTU, {"unit": 255}, "unit 255 is for TCP only"),
        (RTU, {"host": "x"}, "either `port`"),
        ({"coil": 0}, {}, "either `port`"),
        (RTU, {"tcp_port": 502}, "`tcp_port` has no meaning"),
        (TCP, {"baud": 9600}, "`baud` has no meaning"),
        (RTU, {"coil": -1}, "coil"),
        (RTU, {"coil": 65536}, "coil"),
        (RTU, {"port": "ttyUSB0"}, "port"),
        (RTU, {"parity": "mark"}, "parity"),
        (RTU, {"stop_bits": 3}, "stop_bits"),
        (RTU, {"limit": "3s"}, "limit"),
        (RTU, {"limit": 0.5}, "limit"),
        (RTU, {"limit": "0.01s"}, "limit"),
        (RTU, {"baud": 9}, "baud"),
        (TCP, {"host": "192.0.2.7:502"}, "the port is `tcp_port`"),
        (TCP, {"host": "[2001:db8::7]"}, "host"),
        ({"port": "/dev/x"}, {}, "coil"),
    ],
)
def test_refused(table: dict[str, Any], more: dict[str, Any], said: str) -> None:
    with pytest.raises(ValidationError, match=said):
        settings(table, **more)


@pytest.mark.parametrize(
    ("contact", "leaves", "is_one"),
    [
        ("normally-closed", "released", True),
        ("normally-closed", "driven", False),
        ("normally-open", "released", False),
        ("normally-open", "driven", True),
        ("latching", "released", False),
        ("latching", "driven", True),
    ],
)
@pytest.mark.parametrize("timer", [WATCHDOG, TIMED])
def test_timer_must_leave_the_supply_on(
    contact: str, leaves: str, is_one: bool, timer: dict[str, Any]
) -> None:
    """A timer that releases a normally-open contact makes the station go dark."""
    table = {**RTU, "contact": contact, "timer": {**timer, "leaves_coil": leaves}}
    if is_one:
        assert settings(table).timer is not None
        return
    with pytest.raises(ValidationError, match="that is supply off: no dead-man timer"):
        settings(table)


def test_timer_counts_its_steps() -> None:
    timer = settings(RTU, timer={**WATCHDOG, "time": "1.5min", "step": "0.3s"}).timer
    assert timer is not None
    assert (timer.time, timer.count) == (90.0, 300)


@pytest.mark.parametrize(
    ("timer", "said"),
    [
        ({**WATCHDOG, "step": "0.7s"}, "128.571 steps of 0.7 s, allowed is a whole"),
        ({**WATCHDOG, "time": "0.5s"}, "0.5 steps"),
        ({**WATCHDOG, "time": "110min", "step": "0.1s"}, "66000 steps"),
        ({**WATCHDOG, "function": 5}, "`function` belongs to the style timed"),
        (
            {**TIMED, "alive": {"address": 1, "value": 1}},
            "belong to the style watchdog",
        ),
        ({**TIMED, "also": [{"address": 1, "value": 1}]}, "belong to the style"),
        # 21760 steps are 5500 in hex: the toggle of many boards.
        ({**TIMED, "time": "2176s"}, "21760 is a value of an ordinary coil"),
        ({**TIMED, "time": "6528s"}, "65280 is a value of an ordinary coil"),
        ({**TIMED, "address": 0}, "the timer's address is the coil's own"),
        ({**WATCHDOG, "style": "pulse"}, "style"),
        ({"style": "watchdog", "time": "90s"}, "address"),
        ({**WATCHDOG, "register": 3}, "register"),
        # Each poll would find the one gone and write both, in memory that wears.
        (
            {**WATCHDOG, "also": [{"address": 8, "value": 0}]},
            "register 8 cannot hold both 0 and 90",
        ),
        (
            {**WATCHDOG, "alive": {"address": 8, "value": 1}},
            "register 8 cannot hold both 90 and 1",
        ),
        ({**WATCHDOG, "time": 90}, "time"),
    ],
)
def test_refused_timers(timer: dict[str, Any], said: str) -> None:
    with pytest.raises(ValidationError, match=said):
        settings(RTU, timer=timer)


def test_times_are_written_with_their_unit() -> None:
    plain = json.loads(settings(RTU, timer=TIMED).model_dump_json())
    assert (plain["limit"], plain["timer"]["time"]) == ("0.5s", "90s")


def test_file_with_a_wrong_timer_is_told_in_plain_words(tmp_path: Path) -> None:
    """Through the loader, as the operator meets it."""
    relay = {"kind": "modbus", **RTU, "contact": "normally-open", "timer": WATCHDOG}
    station = {"gauge": {"kind": "sysfs"}, "relay": relay}
    station["window"] = {"low": 50, "high": 62}
    tables = {
        "log": {"path": str(tmp_path / "cycles.db")},
        "station": {"lobby": station},
    }
    with pytest.raises(Exception, match="no dead-man timer") as caught:
        from_tables(tables)
    assert type(caught.value).__name__ == "SettingsError"


def test_one_coil_for_two_stations_is_an_error(tmp_path: Path) -> None:
    relay = {"kind": "modbus", **RTU}
    station = {
        "gauge": {"kind": "sysfs"},
        "relay": relay,
        "window": {"low": 50, "high": 62},
    }
    tables = {
        "log": {"path": str(tmp_path / "cycles.db")},
        "station": {"lobby": station, "hall": station},
    }
    with pytest.raises(Exception, match="lobby"):
        from_tables(tables)
