"""Rows for tests of the cycle log, and a clock that stands where it is put."""

from __future__ import annotations

from tidegate.core.controller import RULES_VERSION
from tidegate.cyclelog.rows import (
    AlarmRow,
    BatteryRow,
    EventRow,
    IntentRow,
    OutcomeRow,
    ReadingRow,
    Row,
    RunEndRow,
    RunRow,
    SettingsRow,
    StateRow,
)
from tidegate.virtual import VirtualClock

WALL_MS = 1_772_431_200_000  # 2 March 2026, 06:00 UTC


def clock(*, wall_ms: int = WALL_MS, boot_ms: int = 100_000) -> VirtualClock:
    """Return a clock that moves only when told."""
    return VirtualClock(boot_ms=boot_ms, wall_ms=wall_ms)


def run(
    at_ms: int = 0, *, boot_id: str = "boot-1", rules_version: int = RULES_VERSION
) -> RunRow:
    return RunRow(
        boot_ms=at_ms,
        wall_ms=WALL_MS + at_ms,
        boot_id=boot_id,
        machine="0f" * 32,
        version="0.1.0",
        rules_version=rules_version,
        backends="[]",
        synchronised=True,
    )


def run_end(at_ms: int = 0) -> RunEndRow:
    return RunEndRow(boot_ms=at_ms, wall_ms=WALL_MS + at_ms, why="stopped")


def settings(station: str = "lobby", policy: str = "{}") -> SettingsRow:
    return SettingsRow(boot_ms=0, wall_ms=WALL_MS, station=station, policy=policy)


def alarm(
    at_ms: int = 0, *, station: str = "lobby", code: str = "gauge_lost"
) -> AlarmRow:
    return AlarmRow(
        boot_ms=at_ms,
        wall_ms=WALL_MS + at_ms,
        station=station,
        code=code,
        raised=True,
    )


def event(at_ms: int = 0, *, kind: str = "time_passed") -> EventRow:
    return EventRow(
        boot_ms=at_ms, wall_ms=WALL_MS + at_ms, station="lobby", kind=kind, args="{}"
    )


def intent(
    at_ms: int = 0,
    *,
    supply: str = "off",
    station: str = "lobby",
    swapped: bool = False,
) -> IntentRow:
    return IntentRow(
        boot_ms=at_ms,
        wall_ms=WALL_MS + at_ms,
        station=station,
        supply=supply,
        reason="at_high_mark",
        kind="change",
        swapped=swapped,
        trigger=None,
        state_digest="ab" * 32,
    )


def outcome(
    of: int, at_ms: int = 0, *, station: str = "lobby", error: str | None = None
) -> OutcomeRow:
    return OutcomeRow(
        boot_ms=at_ms,
        wall_ms=WALL_MS + at_ms,
        station=station,
        intent=of,
        succeeded=error is None,
        error=error,
        took_ms=12,
    )


def battery(*, pack: str = "P1") -> BatteryRow:
    return BatteryRow(
        boot_ms=0,
        wall_ms=WALL_MS,
        station="lobby",
        present=True,
        current_sign_trusted=True,
        temperature_sensor=None,
        full_charge_mah=6500,
        design_charge_mah=7000,
        cycle_count=12,
        health="good",
        pack=pack,
        flags="coarse",
        claims=None,
    )


def reading(
    at_ms: int = 0, *, soc: int = 6000, why_not: str | None = None
) -> ReadingRow:
    return ReadingRow(
        boot_ms=at_ms,
        wall_ms=WALL_MS + at_ms,
        station="lobby",
        reads=1,
        span_ms=0,
        wall_slip_ms=0,
        longest_gap_ms=0,
        same_reads=1,
        same_span_ms=0,
        why_not=why_not,
        soc_hundredths_percent=soc,
        battery_status_code=1,
        external_power_code=1,
        voltage_mv=3812,
        current_ma=-310,
        temperature_mc=25_100,
        charge_mah=3900,
        uptime_s=None,
        took_ms=3,
    )


def state(at_ms: int = 0, *, text: str = "{}", station: str = "lobby") -> StateRow:
    return StateRow(
        boot_ms=at_ms,
        wall_ms=WALL_MS + at_ms,
        station=station,
        rules_version=RULES_VERSION,
        state=text,
    )


def some() -> list[Row]:
    """Return one row of most kinds, in an order that could have been.

    The intent is the sixth, for its outcome refers to it.
    """
    return [
        run(),
        settings(),
        battery(),
        reading(1_000),
        event(2_000),
        intent(3_000),
        outcome(6, 3_100),
        alarm(4_000, code="tab\there, back\\slash, line\nbreak, 25 °C"),
        state(5_000, text='{"a":1}'),
        run_end(6_000),
    ]
