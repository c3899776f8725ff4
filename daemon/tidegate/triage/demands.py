"""What somebody must look at before an answer may be relied on."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime
from typing import Final

from tidegate.triage.evidence import Evidence
from tidegate.triage.inspection import SIGNS, Inspection
from tidegate.triage.limits import STALE_DAYS, STOP_C
from tidegate.triage.questions import QUESTION
from tidegate.triage.result import Demand
from tidegate.words import alarm_text

# Alarms of the past that ask for a look at the pack since.
_ALARMS: Final = ("battery_health", "battery_critical_heat")


def demands(
    inspection: Inspection, evidence: Evidence | None, *, today: date
) -> tuple[Demand, ...]:
    """Return them, the signs for which nobody has looked first.

    What a log has shown is met by an inspection of a later day, a standing alarm by
    none. An inspection without its day is of any age.
    """
    return (
        *_unseen(inspection),
        *_stale(inspection, today),
        *_of_log(inspection, evidence),
    )


def _unseen(inspection: Inspection) -> Iterator[Demand]:
    for key in inspection.unseen():
        question = QUESTION[key]
        yield Demand(key=key, text=f"{question.asks} {question.looks}".strip())


def _stale(inspection: Inspection, today: date) -> Iterator[Demand]:
    if set(inspection.unseen()) == set(SIGNS):
        return
    if inspection.on is None:
        yield Demand(
            key="on",
            text="The inspection has no date, and nobody knows how old it is: look "
            "again, and write the day down.",
        )
        return
    age = (today - inspection.on).days
    if age > STALE_DAYS:
        yield Demand(
            key="on",
            text=f"The inspection is {age} days old, more than {STALE_DAYS}: look again.",
        )
    elif age < -1:  # in another zone it may be tomorrow already
        yield Demand(
            key="on",
            text=f"The inspection is dated {inspection.on}, which is still to come: look "
            "again, and correct the date.",
        )


def _of_log(inspection: Inspection, evidence: Evidence | None) -> Iterator[Demand]:
    if evidence is None:
        return
    for code in _ALARMS:
        stands = code in evidence.standing
        was_seen = _is_after(inspection, evidence, evidence.last_ms(code))
        if stands or (code in evidence.ever and not was_seen):
            when = "stands" if stands else "stood"
            yield Demand(
                key=code,
                text=f"This alarm {when} in the log: {alarm_text(code)} Look for every "
                "sign of damage, on a day after it.",
            )
    warmest = evidence.temperature.highest_c
    if warmest is None or warmest < STOP_C or "battery_critical_heat" in evidence.ever:
        return
    stopped_ms = evidence.stopped_ms
    at_ms = evidence.until_ms if stopped_ms is None else stopped_ms
    if not _is_after(inspection, evidence, at_ms):
        yield Demand(
            key="highest_c",
            text=f"The battery was at {warmest:.0f} °C, where no charger may charge "
            f"(JEITA, {STOP_C:g} °C): look for every sign of damage, on a day after it.",
        )


def _is_after(inspection: Inspection, evidence: Evidence, at_ms: int) -> bool:
    """Return whether it was looked at on a day after a moment of the log.

    On the same day nobody knows what came first, nor in a log without a calendar.
    """
    if inspection.on is None or not evidence.is_calendar:
        return False
    return inspection.on > datetime.fromtimestamp(at_ms / 1000, UTC).date()
