"""Times without supply that a log vouches for, where the gauge needs the supply.

Rows are written by hand; which of them an off needs is the project's own choice, except
for how soon the gauge must be back: core.learn asks the same of a loss it learns from.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from support.audit_log import HOUR, MINUTE, POLICY, T0, AuditLog
from tidegate.core.policy import Policy
from tidegate.history import Series, opened

BLIND = replace(POLICY, gauge_needs_supply=True)
# What happens between off and on, and before the gauge is back.
AT, BETWEEN, BACK = 10 * MINUTE, 40 * MINUTE, 70 * MINUTE


@pytest.fixture
def log(tmp_path: Path) -> AuditLog:
    return AuditLog(tmp_path / "cycles.db")


def begin(log: AuditLog, policy: Policy = BLIND) -> None:
    log.begin(policy=policy)
    log.battery()
    log.read(AT - 30, 59)
    log.read(AT, 60)


def after(log: AuditLog, *, late_s: float = 35) -> Series:
    log.read(BACK + late_s, 52)
    log.read(BACK + late_s + 30, 53)
    return opened(log.close(), "hall")


def off(log: AuditLog, at_s: float = AT, **how: str) -> None:
    log.switch(at_s, "off", **how)  # type: ignore[arg-type]


def on(log: AuditLog, at_s: float = BACK, **how: str) -> None:
    log.switch(at_s, "on", **{"reason": "coast_over", **how})  # type: ignore[arg-type]


def test_an_off_and_its_on_are_a_coast(log: AuditLog) -> None:
    begin(log)
    off(log)
    log.fail(AT + 2, span_s=59 * MINUTE)
    log.event(BACK, "time_passed")
    on(log)
    series = after(log)
    (coast,) = series.coasts
    assert coast == (T0 + 1000 * AT, T0 + 1000 * BACK, 2)
    assert coast.place in series.breaks
    assert series.covered_s == 30 + 30
    assert series.known_s == 30 + 30 + 60 * MINUTE + 35


def test_of_a_gauge_that_is_read_without_supply_none_is_asked(log: AuditLog) -> None:
    begin(log, POLICY)
    off(log)
    on(log)
    assert after(log).coasts == ()


@pytest.mark.parametrize("late_s", [150, 151])
def test_a_gauge_back_later_than_2_min_and_a_poll_was_without_power_longer(
    log: AuditLog, late_s: float
) -> None:
    begin(log)
    off(log)
    on(log)
    assert len(after(log, late_s=late_s).coasts) == (late_s == 150)


@pytest.mark.parametrize(
    "kind", ["resumed", "started", "log_lost", "relay_reported", "not_proved"]
)
def test_what_may_have_moved_the_contact_leaves_no_coast(
    log: AuditLog, kind: str
) -> None:
    begin(log)
    off(log)
    log.event(BETWEEN, kind)
    on(log)
    series = after(log)
    assert series.coasts == ()
    assert series.breaks == (2,)


def test_settings_between_leave_no_coast(log: AuditLog) -> None:
    begin(log)
    off(log)
    log.settings(BETWEEN, BLIND)
    on(log)
    assert after(log).coasts == ()


def test_rows_that_are_missing_leave_no_coast(log: AuditLog) -> None:
    begin(log)
    off(log)
    log.lost(BETWEEN)
    on(log)
    assert after(log).coasts == ()


@pytest.mark.parametrize("failing", ["off", "on"])
def test_a_command_that_failed_leaves_no_coast(log: AuditLog, failing: str) -> None:
    begin(log)
    off(log, **({"error": "unavailable"} if failing == "off" else {}))
    on(log, **({"error": "unavailable"} if failing == "on" else {}))
    assert after(log).coasts == ()


def test_a_reading_between_leaves_no_coast(log: AuditLog) -> None:
    begin(log)
    off(log)
    log.read(BETWEEN, 56, external_power_code=1, battery_status_code=1)
    on(log)
    series = after(log)
    assert series.coasts == ()
    # What was read without supply stays with what came before it.
    assert series.points[2].is_fed is False


def test_an_off_said_twice_leaves_no_coast(log: AuditLog) -> None:
    """When it began to be without supply, nobody knows."""
    begin(log)
    off(log)
    off(log, BETWEEN)
    on(log)
    assert after(log).coasts == ()


def test_an_off_long_after_the_last_reading_leaves_no_coast(log: AuditLog) -> None:
    begin(log)
    off(log, BETWEEN)
    on(log)
    assert after(log).coasts == ()


def test_an_off_too_short_for_a_gap_breaks_all_the_same(log: AuditLog) -> None:
    """Off for 90 s, which is less than four polls of 30 s."""
    begin(log)
    off(log)
    on(log, AT + 90)
    log.read(AT + 110, 60)
    series = opened(log.close(), "hall")
    assert [each.place for each in series.coasts] == [2]
    assert series.breaks == (2,)


def test_an_off_that_never_ended_is_none(log: AuditLog) -> None:
    begin(log)
    off(log)
    log.fail(AT + 2, span_s=HOUR)
    series = opened(log.close(), "hall")
    assert (series.coasts, series.breaks) == ((), ())
