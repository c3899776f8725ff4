"""Cycle logs written by hand for audits: times in seconds of a boot, synthetic data."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tidegate.core.policy import Marks, Policy
from tidegate.cyclelog.plain import canonical, to_plain
from tidegate.cyclelog.rows import (
    AlarmRow,
    BatteryRow,
    EffectRow,
    EventRow,
    FailureRow,
    GapRow,
    IntentRow,
    OperatorRow,
    OutcomeRow,
    ReadingRow,
    RunEndRow,
    RunRow,
    SettingsRow,
)
from tidegate.cyclelog.writer import Writer
from tidegate.virtual import VirtualClock, run

STATION = "hall"
T0 = round(datetime(2026, 3, 1, tzinfo=UTC).timestamp() * 1000)
MINUTE = 60.0
HOUR = 60 * MINUTE
DAY = 24 * HOUR
# A poll of 30 s, so that more than 2 min between two readings is a gap.
POLICY = Policy(marks=Marks(low_percent=40, high_percent=60), poll_ms=30_000)


class AuditLog:
    """Writes rows; ``offset_ms`` is what the wall clock of the boot is ahead by."""

    def __init__(self, path: Path, *, wall_ms: int = T0) -> None:
        self.path = path
        self.offset_ms = T0
        self.station = STATION
        self.clock = VirtualClock(wall_ms=wall_ms)
        self.writer = Writer.open(path, clock=self.clock, threaded=False)

    def row(self, table: type, at_s: float, **columns: Any) -> int:
        boot_ms = round(1000 * at_s)
        if table not in (RunRow, RunEndRow):
            columns.setdefault("station", self.station)
        made = table(boot_ms=boot_ms, wall_ms=boot_ms + self.offset_ms, **columns)
        row_id = self.writer.append(made)
        if table is IntentRow:  # else the writer leaves a gap row of its own
            self.commit()
        return row_id

    def begin(
        self,
        at_s: float = 0,
        *,
        boot: str = "boot-1",
        policy: Policy = POLICY,
        given: object = None,
        synchronised: bool = True,
    ) -> None:
        self.start(at_s, boot=boot, synchronised=synchronised)
        self.settings(at_s, policy, given)

    def start(
        self, at_s: float, *, boot: str = "boot-1", synchronised: bool = True
    ) -> None:
        self.row(
            RunRow,
            at_s,
            boot_id=boot,
            machine="",
            version="",
            rules_version=1,
            backends="[]",
            synchronised=synchronised,
        )

    def settings(
        self, at_s: float, policy: Policy = POLICY, given: object = None
    ) -> None:
        self.row(
            SettingsRow,
            at_s,
            policy=canonical(to_plain(policy)),
            given=json.dumps(given or {}),
        )

    def battery(self, at_s: float = 0, **columns: Any) -> None:
        self.row(
            BatteryRow,
            at_s,
            **{
                "present": True,
                "current_sign_trusted": True,
                "temperature_sensor": "pack",
                "full_charge_mah": None,
                "design_charge_mah": None,
                "cycle_count": None,
                "health": None,
                "pack": "P1",
                "flags": "",
                "claims": None,
                **columns,
            },
        )

    def read(
        self,
        at_s: float,
        soc: float | None,
        *,
        span_s: float = 0,
        gap_s: float = 30,
        celsius: float | None = 25,
        last_celsius: float | None = None,
        **columns: Any,
    ) -> None:
        """Write a reading, or a run of equal ones over ``span_s``."""
        is_run = span_s > 0
        last_c = celsius if last_celsius is None else last_celsius
        self.row(
            ReadingRow,
            at_s,
            **{
                "reads": 1 + round(span_s / gap_s),
                "span_ms": round(1000 * span_s),
                "wall_slip_ms": 0,
                "longest_gap_ms": round(1000 * gap_s) if is_run else 0,
                "same_reads": 1,
                "same_span_ms": 0,
                "why_not": None,
                "soc_hundredths_percent": None if soc is None else round(100 * soc),
                "battery_status_code": 0,
                "external_power_code": 0,
                "voltage_mv": None,
                "current_ma": None,
                "temperature_mc": None if celsius is None else round(1000 * celsius),
                "charge_mah": None,
                "uptime_s": None,
                "took_ms": 0,
                "last_temperature_mc": round(1000 * last_c)
                if is_run and last_c is not None
                else None,
                **columns,
            },
        )

    def fail(self, at_s: float, *, span_s: float = 0) -> None:
        self.row(
            FailureRow,
            at_s,
            kind="unavailable",
            reads=1 + round(span_s / 30),
            span_ms=round(1000 * span_s),
            wall_slip_ms=0,
            longest_gap_ms=30_000,
        )

    def switch(
        self,
        at_s: float,
        supply: str,
        *,
        reason: str = "at_high_mark",
        error: str | None = None,
        seen: tuple[bool | None, ...] = (),
        swapped: bool = False,
    ) -> int:
        """Write intent and outcome, and an effect row for each of ``seen``."""
        intent = self.row(
            IntentRow,
            at_s,
            supply=supply,
            reason=reason,
            kind="change",
            swapped=swapped,
            trigger=None,
            state_digest="",
        )
        self.row(
            OutcomeRow,
            at_s,
            intent=intent,
            succeeded=error is None,
            error=error,
            took_ms=0,
        )
        for each in seen:
            self.row(EffectRow, at_s + 1, intent=intent, supply=supply, seen=each)
        return intent

    def alarm(self, at_s: float, code: str, *, raised: bool = True) -> None:
        self.row(AlarmRow, at_s, code=code, raised=raised)

    def event(self, at_s: float, kind: str) -> None:
        self.row(EventRow, at_s, kind=kind)

    def operator(self, at_s: float, args: object, *, by: str = "R. Moss") -> None:
        text = args if isinstance(args, str) else json.dumps(args)
        self.row(OperatorRow, at_s, action="prove", by=by, because="", args=text)

    def lost(self, at_s: float, **columns: Any) -> None:
        self.row(
            GapRow,
            at_s,
            **{"why": "full", "since_boot_ms": 0, "since_wall_ms": T0, **columns},
        )

    def commit(self) -> None:
        run(self.writer.commit(), clock=VirtualClock())

    def close(self) -> Path:
        self.commit()
        run(self.writer.close(), clock=VirtualClock())
        return self.path


def triangle(
    log: AuditLog,
    *,
    low: int = 40,
    high: int = 60,
    step_s: float = 60,
    swings: int = 4,
    from_s: float = 0,
    **columns: Any,
) -> float:
    """Write a triangle from low up and down in whole points; return when it ended.

    Every point is read once, so that the ends are told by one reading each.
    """
    at_s, soc = from_s, low
    log.read(at_s, soc, **columns)
    for swing in range(swings):
        for _ in range(high - low):
            soc += 1 if swing % 2 == 0 else -1
            at_s += step_s
            log.read(at_s, soc, **columns)
    return at_s
