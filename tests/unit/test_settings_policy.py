"""Validated tables become the plain value of the core."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from tidegate.contract import GaugeFacts, Readback, RelayFacts
from tidegate.core.policy import MINUTE_MS, Marks, Policy, Proof
from tidegate.settings import StationSettings, from_tables, policy

GAUGE = GaugeFacts(needs_supply=False, host_is_device=True, latency_s=2.0)
RELAY = RelayFacts(
    readback=Readback.ECHO, reopen_disturbs=True, latency_s=0.1, fails_on=True
)


def station(**keys: Any) -> StationSettings:
    whole = {
        "gauge": {"kind": "command", "run": ["guide-battery"]},
        "relay": {"kind": "serial-frame", "port": "/dev/ttyUSB0", "channel": 1},
        "window": {"low": 55, "high": 65},
        **keys,
    }
    kept = {key: value for key, value in whole.items() if value is not None}
    return from_tables({"station": {"whale": kept}}).stations["whale"]


def test_the_defaults_of_the_file_are_those_of_the_core() -> None:
    assert policy(station(), GAUGE, RELAY) == Policy(
        marks=Marks(low_percent=55, high_percent=65)
    )


def test_every_value_reaches_the_core() -> None:
    found = policy(
        station(
            relay={
                "kind": "serial-frame",
                "port": "/dev/ttyUSB0",
                "channel": 1,
                "accept_dead_lock": True,
            },
            window={"low": 41, "high": 77},
            dwell={"on": "11s", "off": "12s"},
            limits={
                "floor": 31,
                "hot_celsius": 41,
                "critical_celsius": 51,
                "cold_celsius": 3,
            },
            battery={"fitted": False},
            budget={"per_hour": 7, "per_day": 77},
            poll="13s",
            stale_after="14s",
            settle="15s",
            heat_hold="16min",
            max_off="17min",
            lockout_for="18h",
        ),
        GaugeFacts(needs_supply=True, host_is_device=False, latency_s=1),
        RelayFacts(
            readback=Readback.LATCH,
            reopen_disturbs=False,
            latency_s=1,
            fails_on=False,
            proof=Proof.CHARGING,
        ),
    )

    assert found == Policy(
        marks=Marks(low_percent=41, high_percent=77),
        floor_percent=31,
        hot_c=41,
        critical_c=51,
        cold_c=3,
        dwell_on_ms=11_000,
        dwell_off_ms=12_000,
        poll_ms=13_000,
        stale_after_ms=14_000,
        settle_ms=15_000,
        heat_hold_ms=16 * MINUTE_MS,
        max_off_ms=17 * MINUTE_MS,
        lockout_for_ms=18 * 60 * MINUTE_MS,
        per_hour=7,
        per_day=77,
        fitted=False,
        proof=Proof.CHARGING,
        can_read_back=True,
        gauge_needs_supply=True,
        host_is_device=False,
        fails_on=False,
        accept_dead_lock=True,
    )


def test_a_station_that_only_measures_has_no_marks() -> None:
    found = policy(station(relay=None, window=None), GAUGE)

    assert found.marks is None
    assert not found.hold


@pytest.mark.parametrize(
    ("keys", "relay_s", "gauge_s", "settle_ms"),
    [
        ({}, 0.1, 2.0, 60_000),
        ({}, 10.0, 20.0, 60_000),
        ({}, 10.0, 20.001, 60_001),
        ({"poll": "2min"}, 1.0, 2.0, 123_000),
        ({"poll": "2min", "settle": "5s"}, 1.0, 2.0, 5_000),
    ],
)
def test_settle_is_a_minute_or_latencies_and_a_poll_or_what_was_set(
    keys: dict[str, Any], relay_s: float, gauge_s: float, settle_ms: int
) -> None:
    found = policy(
        station(**keys),
        replace(GAUGE, latency_s=gauge_s),
        replace(RELAY, latency_s=relay_s),
    )
    assert found.settle_ms == settle_ms


@pytest.mark.parametrize(
    ("grade", "can_read_back"),
    [
        (Readback.NONE, False),
        (Readback.ECHO, False),
        (Readback.LATCH, True),
        (Readback.SENSED, True),
    ],
)
def test_grade_two_and_three_can_be_read_back(
    grade: Readback, *, can_read_back: bool
) -> None:
    found = policy(station(), GAUGE, replace(RELAY, readback=grade))
    assert found.can_read_back is can_read_back


@pytest.mark.parametrize(
    ("by_wiring", "dead_man_s", "fails_on"),
    [(True, None, True), (False, 60.0, True), (False, None, False)],
)
def test_wiring_or_a_dead_man_timer_fails_to_on(
    *, by_wiring: bool, dead_man_s: float | None, fails_on: bool
) -> None:
    facts = replace(RELAY, fails_on=by_wiring, dead_man_s=dead_man_s)

    assert policy(station(), GAUGE, facts).fails_on is fails_on


def test_what_the_devices_declare_reaches_the_core() -> None:
    found = policy(
        station(),
        replace(GAUGE, silence_alarm_s=2.5),
        replace(RELAY, cuts_data=True),
    )
    assert (found.silence_alarm_ms, found.loss_is_proof) == (2_500, False)
    assert policy(station(), GAUGE, RELAY).loss_is_proof
