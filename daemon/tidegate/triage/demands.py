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
    none.
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
    if inspection.on is None or set(inspection.unseen()) == set(SIGNS):
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
    was_seen = _is_later(inspection, evidence)
    for code in _ALARMS:
        stands = code in evidence.standing
        if stands or (code in evidence.ever and not was_seen):
            when = "stands" if stands else "stood"
            yield Demand(
                key=code,
                text=f"This alarm {when} in the log: {alarm_text(code)} Look for every "
                "sign of damage, on a day after it.",
            )
    warmest = evidence.temperature.highest_c
    is_told = "battery_critical_heat" in evidence.ever
    if warmest is not None and warmest >= STOP_C and not was_seen and not is_told:
        yield Demand(
            key="highest_c",
            text=f"The battery was at {warmest:.0f} °C, where no charger may charge "
            f"(JEITA, {STOP_C:g} °C): look for every sign of damage, on a day after it.",
        )


def _is_later(inspection: Inspection, evidence: Evidence) -> bool:
    """Return whether it was looked at after all that the log holds began.

    A log without a calendar cannot tell.
    """
    if inspection.on is None or not evidence.is_calendar:
        return False
    last = datetime.fromtimestamp(evidence.until_ms / 1000, UTC).date()
    return inspection.on >= last
