"""Since when alarms stand, as the log has it."""

from __future__ import annotations

from pathlib import Path

import pytest

from support.audit_log import STATION, T0, AuditLog
from tidegate.cyclelog.standing import raised_wall_ms
from tidegate.errors import LogError


def test_it_is_the_last_time_that_each_was_raised(tmp_path: Path) -> None:
    log = AuditLog(tmp_path / "cycles.db")
    log.begin()
    log.alarm(10, "battery_hot")
    log.alarm(20, "battery_hot", raised=False)
    log.alarm(30, "supply_absent")
    log.alarm(40, "battery_hot")
    log.station = "tower"
    log.alarm(50, "battery_hot")
    log.alarm(60, "log_lost")
    path = log.close()
    found = raised_wall_ms(path, STATION)
    assert found == {"battery_hot": T0 + 40_000, "supply_absent": T0 + 30_000}
    assert raised_wall_ms(path, "tower")["battery_hot"] == T0 + 50_000


def test_without_any_there_is_none(tmp_path: Path) -> None:
    log = AuditLog(tmp_path / "cycles.db")
    log.begin()
    assert raised_wall_ms(log.close(), STATION) == {}


def test_a_log_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(LogError):
        raised_wall_ms(tmp_path / "none.db", STATION)
