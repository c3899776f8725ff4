"""What was set for a station: the policy, and beside it relay and battery."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, TypeGuard

from tidegate.audit.rows import settings_of
from tidegate.core.events import PlanChanged
from tidegate.core.policy import Policy
from tidegate.cyclelog.placing import Placing
from tidegate.cyclelog.plain import from_plain
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.record import event_of, parsed
from tidegate.cyclelog.rows import EventRow, SettingsRow
from tidegate.cyclelog.schema import LARGEST
from tidegate.errors import LogError, LogUnreadable
from tidegate.wear.account import UNKNOWN


@dataclass(frozen=True, slots=True, kw_only=True)
class Set:
    """What was set: the policy, and beside it what the core need not know.

    ``hold_percent`` is the level of a window that is a hold; ``kind`` that of the relay.
    """

    policy: Policy
    life: int | None = None
    kind: str = ""
    hold_percent: float | None = None
    chemistry: str = UNKNOWN
    design_ah: float | None = None


def set_of(row: SettingsRow) -> Set:
    """Return what a settings row says. Errors: LogUnreadable."""
    try:
        policy = from_plain(Policy, parsed(row.policy))
        given = parsed(row.given)
    except LogError as error:
        raise LogUnreadable(error.what, remedy=error.remedy) from error
    relay, battery = _table(given, "relay"), _table(given, "battery")
    hold, kind = _table(given, "window").get("hold"), relay.get("kind")
    life, chemistry = relay.get("life"), battery.get("chemistry")
    design = battery.get("design_ah")
    return Set(
        policy=policy,
        life=int(life) if _is_number(life) and life >= 1 else None,
        kind=kind if isinstance(kind, str) else "",
        hold_percent=float(hold) if _is_number(hold) and 0 <= hold <= 100 else None,
        chemistry=chemistry if isinstance(chemistry, str) else UNKNOWN,
        design_ah=float(design) if _is_number(design) and design > 0 else None,
    )


def plan_of(row: EventRow) -> PlanChanged:
    """Return what an event row says of a plan. Errors: LogUnreadable."""
    try:
        event = event_of(row)
    except LogError as error:
        raise LogUnreadable(error.what, remedy=error.remedy) from error
    assert isinstance(event, PlanChanged)
    return event


def _is_number(value: object) -> TypeGuard[int | float]:
    """Return whether it is one that can be counted with: finite, and no flag."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return abs(value) <= LARGEST


def _table(given: object, key: str) -> Mapping[str, Any]:
    found = given.get(key) if isinstance(given, dict) else None
    return found if isinstance(found, dict) else {}


def last_set(
    reader: Reader,
    station: str,
    placing: Placing,
    *,
    until_ms: int | None,
    up_to: int,
) -> Set:
    """Return what was last in force before the end; the first where all is later."""
    found: Set | None = None
    for row_id, row in settings_of(reader, station, up_to=up_to):
        at_ms = row.boot_ms + placing.offset_ms(row_id)
        if found is None or until_ms is None or at_ms < until_ms:
            found = set_of(row)
    return found or Set(policy=Policy())
